//! Whether a code belongs to a value set.
//!
//! Answers In, Out or Unknown: a system that is not held, or held in part, is never a reason to
//! call a code wrong. Sets are not expanded; each code is looked up in what the set is composed of,
//! so that large systems cost no more than small ones. Expansion and translation are not here.
//! Source: <http://hl7.org/fhir/R4/valueset.html>, <http://hl7.org/fhir/R4/codesystem.html>.

use std::collections::HashMap;
use std::sync::{Arc, OnceLock};

use crate::definitions::Definitions;

pub mod code_system;
mod grammar;
pub mod ucum;
pub mod value_set;

pub use code_system::CodeSystem;
pub use value_set::ValueSet;

/// Whether a code belongs to a set.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Membership {
    /// It does.
    In,
    /// It does not.
    Out,
    /// It cannot be told from what is held.
    Unknown,
}

impl Membership {
    fn of(is_in: bool) -> Self {
        if is_in { Self::In } else { Self::Out }
    }

    /// Both.
    fn and(self, other: impl FnOnce() -> Self) -> Self {
        match self {
            Self::Out => Self::Out,
            Self::In => other(),
            Self::Unknown => match other() {
                Self::Out => Self::Out,
                _ => Self::Unknown,
            },
        }
    }

    /// Either.
    fn or(self, other: impl FnOnce() -> Self) -> Self {
        match self {
            Self::In => Self::In,
            Self::Out => other(),
            Self::Unknown => match other() {
                Self::In => Self::In,
                _ => Self::Unknown,
            },
        }
    }

    fn not(self) -> Self {
        match self {
            Self::In => Self::Out,
            Self::Out => Self::In,
            Self::Unknown => Self::Unknown,
        }
    }
}

/// How deep value sets may include one another.
const MAX_DEPTH: usize = 16;

/// The code systems and value sets of the definitions, each read on first use.
pub struct Terminology {
    definitions: Arc<Definitions>,
    systems: HashMap<String, OnceLock<Option<CodeSystem>>>,
    sets: HashMap<String, OnceLock<Option<ValueSet>>>,
}

impl Terminology {
    /// Over those definitions.
    pub fn new(definitions: Arc<Definitions>) -> Self {
        let systems = definitions.code_system_urls().map(|url| (url.to_owned(), OnceLock::new()));
        let systems = systems.collect();
        let sets = definitions.value_set_urls().map(|url| (url.to_owned(), OnceLock::new()));
        let sets = sets.collect();
        Self { definitions, systems, sets }
    }

    /// The code system of that URL, if it is held.
    pub fn code_system(&self, url: &str) -> Option<&CodeSystem> {
        let url = plain(url);
        let cell = self.systems.get(url)?;
        cell.get_or_init(|| {
            self.definitions.code_system(url).ok().flatten().map(|value| CodeSystem::read(&value))
        })
        .as_ref()
    }

    /// The value set of that canonical, if it is held.
    pub fn value_set(&self, canonical: &str) -> Option<&ValueSet> {
        let url = plain(canonical);
        let cell = self.sets.get(url)?;
        cell.get_or_init(|| {
            self.definitions.value_set(url).ok().flatten().map(|value| ValueSet::read(&value))
        })
        .as_ref()
    }

    /// Whether the code belongs to the value set; without `system`, in any system of the set (as
    /// for elements of type code).
    pub fn membership(&self, canonical: &str, system: Option<&str>, code: &str) -> Membership {
        self.member(canonical, system, code, 0)
    }

    fn member(
        &self,
        canonical: &str,
        system: Option<&str>,
        code: &str,
        depth: usize,
    ) -> Membership {
        match self.value_set(canonical) {
            Some(set) if depth < MAX_DEPTH => set.membership(self, system, code, depth + 1),
            _ => Membership::Unknown,
        }
    }

    /// Whether the system has the code.
    pub fn has_code(&self, system: &str, code: &str) -> Membership {
        match self.code_system(system) {
            Some(held) if held.contains(code) => Membership::In,
            Some(held) if held.is_complete() => Membership::Out,
            Some(_) => Membership::Unknown,
            None => grammar::has_code(system, code),
        }
    }
}

fn plain(canonical: &str) -> &str {
    canonical.split('|').next().unwrap_or(canonical)
}
