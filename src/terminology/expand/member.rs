//! One code of an expansion in the making.

use serde_json::Value;

use crate::terminology::CodeSystem;
use crate::terminology::concepts::Concept;

/// A code system that codes come from.
pub(super) struct SystemUsed<'a> {
    pub(super) url: String,
    /// The version held, or the one asked for.
    pub(super) version: Option<String>,
    /// Whether the set itself names the version.
    pub(super) pinned: bool,
    pub(super) held: Option<&'a CodeSystem>,
}

/// A code; of the concept in its system, or as listed in the set, or both.
#[derive(Clone)]
pub(super) struct Member<'a> {
    /// Which of the systems used.
    pub(super) system: u32,
    pub(super) concept: Option<Concept<'a>>,
    pub(super) listed: Option<Box<Listed>>,
}

/// A code as a value set lists it.
#[derive(Clone)]
pub(super) struct Listed {
    pub(super) code: String,
    pub(super) display: Option<String>,
    pub(super) designation: Vec<Value>,
    pub(super) inactive: bool,
    pub(super) not_selectable: bool,
}

impl Listed {
    /// From `compose.include.concept` or `expansion.contains`.
    pub(super) fn read(value: &Value) -> Option<Self> {
        Some(Self {
            code: value["code"].as_str()?.to_owned(),
            display: value["display"].as_str().map(str::to_owned),
            designation: value["designation"].as_array().cloned().unwrap_or_default(),
            inactive: value["inactive"] == true,
            not_selectable: value["abstract"] == true,
        })
    }
}

/// What makes two members the same.
#[derive(PartialEq, Eq, Hash)]
pub(super) enum Key {
    Held(u32, u32),
    Listed(u32, String),
}

impl<'a> Member<'a> {
    pub(super) fn of(system: u32, concept: Concept<'a>) -> Self {
        Self { system, concept: Some(concept), listed: None }
    }

    pub(super) fn key(&self) -> Key {
        match self.concept {
            Some(concept) => Key::Held(self.system, concept.place()),
            None => Key::Listed(self.system, self.code().to_owned()),
        }
    }

    pub(super) fn code(&self) -> &str {
        let own = self.concept.map(Concept::code);
        own.or(self.listed.as_ref().map(|listed| listed.code.as_str())).unwrap_or_default()
    }

    pub(super) fn is_inactive(&self) -> bool {
        self.concept.is_some_and(Concept::is_inactive)
            || self.listed.as_ref().is_some_and(|listed| listed.inactive)
    }

    pub(super) fn is_abstract(&self) -> bool {
        self.concept.is_some_and(Concept::is_abstract)
            || self.listed.as_ref().is_some_and(|listed| listed.not_selectable)
    }

    /// The set's own display before the system's.
    pub(super) fn display(&self) -> Option<&str> {
        let listed = self.listed.as_ref().and_then(|listed| listed.display.as_deref());
        listed.or(self.concept.and_then(Concept::display))
    }

    /// The other names, those of the set first.
    pub(super) fn designations(&self) -> Vec<Value> {
        let listed = self.listed.iter().flat_map(|listed| listed.designation.iter().cloned());
        let own = self.concept.into_iter().flat_map(Concept::designations);
        listed.chain(own.map(crate::terminology::concepts::Designation::to_value)).collect()
    }

    /// The display in that language, where there is one.
    pub(super) fn display_in(&self, language: &str) -> Option<String> {
        let speaks =
            |value: &&Value| value["language"].as_str().is_some_and(|held| speaks(held, language));
        let names = self.designations();
        let name = names.iter().find(speaks)?;
        name["value"].as_str().map(str::to_owned)
    }

    /// Whether each word occurs in the code or in a name.
    pub(super) fn has_words(&self, words: &[String]) -> bool {
        if words.is_empty() {
            return true;
        }
        let own = self.concept.and_then(Concept::display);
        let names = self.concept.into_iter().flat_map(Concept::designations);
        let listed = self.listed.iter().flat_map(|listed| &listed.designation);
        let texts = [self.code()].into_iter().chain(self.display()).chain(own);
        let texts = texts.chain(names.map(|name| name.value));
        let texts = texts.chain(listed.filter_map(|name| name["value"].as_str()));
        let texts: Vec<String> = texts.map(str::to_lowercase).collect();
        words.iter().all(|word| texts.iter().any(|text| text.contains(word)))
    }
}

/// Whether a text in the language `held` serves who asks for `wanted` (`de` serves `de-CH`, and
/// `de-CH` serves `de`; <https://www.rfc-editor.org/rfc/rfc4647#section-3>).
pub(in crate::terminology) fn speaks(held: &str, wanted: &str) -> bool {
    let below = |short: &str, long: &str| {
        long.len() > short.len()
            && long.as_bytes().get(short.len()) == Some(&b'-')
            && long.get(..short.len()).is_some_and(|start| start.eq_ignore_ascii_case(short))
    };
    held.eq_ignore_ascii_case(wanted) || below(held, wanted) || below(wanted, held)
}
