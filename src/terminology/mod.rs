//! Code systems, value sets and concept maps, and the operations on them.
//!
//! Membership answers In, Out or Unknown: a system that is not held, or held in part, is never a
//! reason to call a code wrong. For it sets are not expanded; each code is looked up in what the
//! set is composed of, so that large systems cost no more than small ones.
//!
//! The operations are pure functions from a typed request to the resource of the answer. What the
//! HTTP layer adds to each is told in its module: [`expand`], [`validate_code`], [`lookup`],
//! [`subsumes`], [`translate`]. All of them answer 200 with that resource, or give a
//! [`TerminologyError`], whose `kind` says which OperationOutcome to send. Suggested statuses:
//! `not-found` 404; `invalid`, `required`, `code-invalid` and `not-supported` 400; `incomplete`,
//! `too-costly` and the rest 422.
//!
//! [`call`] runs each from a Parameters resource or a query.
//!
//! To make a stored definition effective: clone the [`Terminology`] (cheap, systems are shared),
//! [`Terminology::add`] or [`Terminology::remove`], and put the new one in the place of the old.
//! To take in a licensed release: [`load`].
//! Source: <http://hl7.org/fhir/R4/terminology-service.html>,
//! <http://hl7.org/fhir/R4/valueset.html>, <http://hl7.org/fhir/R4/codesystem.html>.

use std::cell::Cell;
use std::collections::HashMap;
use std::sync::{Arc, OnceLock};

use serde_json::Value;

use crate::definitions::Definitions;

pub mod error;
pub mod code_system;
pub mod concepts;
mod bytes;
mod hierarchy;
pub mod value_set;
mod filter;
mod pattern;
mod implicit;
mod grammar;
pub mod ucum;
mod held;
mod parameters;
pub mod coded;
pub mod expand;
pub mod validate_code;
pub mod lookup;
pub mod subsumes;
pub mod translate;
pub mod call;
pub mod capabilities;
pub mod load;
pub mod kept;
mod supplement;
mod version;
#[cfg(test)]
mod tests;

pub use code_system::CodeSystem;
pub use error::TerminologyError;
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

/// How many value sets may be looked into for one code; sets that include one another could
/// otherwise be walked without end.
const MAX_SETS: usize = 20_000;

/// How far a walk through value sets has come.
#[derive(Clone, Copy)]
struct Steps<'a> {
    depth: usize,
    sets: &'a Cell<usize>,
}

impl Steps<'_> {
    /// One set deeper; none where that is too far.
    fn deeper(self) -> Option<Self> {
        self.sets.set(self.sets.get() + 1);
        let near = self.depth < MAX_DEPTH && self.sets.get() <= MAX_SETS;
        near.then_some(Self { depth: self.depth + 1, ..self })
    }
}

/// A code system, read on first use.
type HeldSystem = OnceLock<Result<Arc<CodeSystem>, TerminologyError>>;

/// A value set with its resource.
type ReadSet = Arc<(ValueSet, Arc<Value>)>;

/// The same, read on first use.
type HeldSet = OnceLock<Result<ReadSet, TerminologyError>>;

/// The code systems, value sets and concept maps that are held: those of the definitions, each read
/// on first use, and those that were added. By canonical, without version and with it.
#[derive(Clone)]
pub struct Terminology {
    definitions: Arc<Definitions>,
    /// What comes back when something that was added is removed.
    base: Option<Arc<Self>>,
    systems: HashMap<String, HeldSystem>,
    sets: HashMap<String, HeldSet>,
    maps: HashMap<String, Arc<Value>>,
    supplements: Vec<supplement::Supplement>,
    /// The systems that supplements add to, with what these add.
    supplemented: HashMap<String, Arc<CodeSystem>>,
}

impl Terminology {
    /// Over those definitions.
    pub fn new(definitions: Arc<Definitions>) -> Self {
        let systems = definitions.code_system_urls().map(|url| (url.to_owned(), OnceLock::new()));
        let systems = systems.collect();
        let sets = definitions.value_set_urls().map(|url| (url.to_owned(), OnceLock::new()));
        let sets = sets.collect();
        let mut held = Self {
            definitions,
            base: None,
            systems,
            sets,
            maps: HashMap::new(),
            supplements: Vec::new(),
            supplemented: HashMap::new(),
        };
        held.add_own_maps(|_| true);
        held
    }

    /// The same, in which what is added stands over it: removed again, it leaves what there was.
    pub fn over(base: Arc<Self>) -> Self {
        Self { base: Some(Arc::clone(&base)), ..(*base).clone() }
    }

    /// The code system of that URL, if it is held.
    pub fn code_system(&self, url: &str) -> Option<&CodeSystem> {
        // Some published URLs have a bar of their own (v2 tables by version).
        let held = self.held_system(url).or_else(|| self.held_system(plain(url)))?;
        held.ok().map(|system| &**system)
    }

    /// The value set of that canonical, if it is held.
    pub fn value_set(&self, canonical: &str) -> Option<&ValueSet> {
        let held = self.held_set(canonical).or_else(|| self.held_set(plain(canonical)))?;
        held.ok().map(|held| &held.0)
    }

    /// Whether the code belongs to the value set; without `system`, in any system of the set (as
    /// for elements of type code).
    pub fn membership(&self, canonical: &str, system: Option<&str>, code: &str) -> Membership {
        self.member(canonical, system, code, Steps { depth: 0, sets: &Cell::new(0) })
    }

    fn member(
        &self,
        canonical: &str,
        system: Option<&str>,
        code: &str,
        steps: Steps<'_>,
    ) -> Membership {
        let Some(steps) = steps.deeper() else { return Membership::Unknown };
        if let Some(set) = self.value_set(canonical) {
            let wanted = canonical.split_once('|').map(|(_, version)| version);
            return match (wanted, set.version.as_deref()) {
                (Some(wanted), Some(held)) if !held::same_version(wanted, held) => {
                    Membership::Unknown
                }
                _ => set.membership(self, system, code, steps),
            };
        }
        let implicit = implicit::value_set(self, canonical);
        implicit.map_or(Membership::Unknown, |set| self.is_member(&set, system, code))
    }

    /// Whether the code belongs to a ValueSet resource, held or not.
    pub fn is_member(&self, set: &Value, system: Option<&str>, code: &str) -> Membership {
        let steps = Steps { depth: 0, sets: &Cell::new(0) };
        ValueSet::read(set).membership(self, system, code, steps)
    }

    /// Whether the system has the code.
    pub fn has_code(&self, system: &str, code: &str) -> Membership {
        match self.code_system(system) {
            Some(held) if held.contains(code) => Membership::In,
            Some(held) if held.is_complete() => Membership::Out,
            Some(_) => Membership::Unknown,
            None => grammar::has_code(plain(system), code),
        }
    }
}

fn plain(canonical: &str) -> &str {
    canonical.split('|').next().unwrap_or(canonical)
}
