//! Scopes: what a token permits, as the text of `scope` says it.
//!
//! Both forms are read: `patient/Observation.rs?category=survey` of version 2 and
//! `patient/Observation.read` of version 1, which stands for `.rs`, with `.write` for `.cud` and
//! `.*` for all.
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html>.

use std::fmt;

use crate::fhir::{ResourceType, query};

/// What is done with a resource; the letters of version 2.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum Action {
    /// `c`: a type-level create.
    Create,
    /// `r`: an instance read, of any version, and its history.
    Read,
    /// `u`: an update or a patch of an instance.
    Update,
    /// `d`: a delete.
    Delete,
    /// `s`: a search, or the history of a type or of all.
    Search,
}

impl Action {
    /// In the order in which a scope must name them.
    pub const ALL: [Self; 5] = [Self::Create, Self::Read, Self::Update, Self::Delete, Self::Search];

    /// The letter.
    pub fn letter(self) -> char {
        match self {
            Self::Create => 'c',
            Self::Read => 'r',
            Self::Update => 'u',
            Self::Delete => 'd',
            Self::Search => 's',
        }
    }
}

/// Whose records a scope is about.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Context {
    /// Those of the one patient of the token.
    Patient,
    /// What the user of the token may see.
    User,
    /// All.
    System,
}

impl Context {
    fn as_str(self) -> &'static str {
        match self {
            Self::Patient => "patient",
            Self::User => "user",
            Self::System => "system",
        }
    }
}

/// One scope that is about resources.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub struct Scope {
    /// Whose records.
    pub context: Context,
    /// Of which type; none: of all.
    pub kind: Option<ResourceType>,
    /// What may be done, in the order of [`Action::ALL`].
    pub actions: Vec<Action>,
    /// Names and values of a search that a resource must match; empty: any.
    pub criteria: Vec<(String, String)>,
}

impl Scope {
    /// Reads one scope; none for a text that is not about resources, or not in either form.
    pub fn parse(text: &str) -> Option<Self> {
        let (context, rest) = text.split_once('/')?;
        let contexts = [Context::Patient, Context::User, Context::System];
        let context = contexts.into_iter().find(|known| known.as_str() == context)?;
        let (rest, criteria) = match rest.split_once('?') {
            Some((rest, criteria)) => (rest, query::pairs(criteria)),
            None => (rest, Vec::new()),
        };
        let (name, actions) = rest.split_once('.')?;
        let kind = if name == "*" { None } else { Some(ResourceType::parse(name)?) };
        let actions = actions_of(actions)?;
        let is_empty = |(name, value): &(String, String)| name.is_empty() || value.is_empty();
        if criteria.iter().any(is_empty) || text.ends_with('?') {
            return None;
        }
        Some(Self { context, kind, actions, criteria })
    }

    /// The scopes about resources of a text of several.
    pub fn all(text: &str) -> Vec<Self> {
        text.split_ascii_whitespace().filter_map(Self::parse).collect()
    }

    /// Whether it is about that action on resources of that type, as far as no resource is looked
    /// at.
    pub fn is_about(&self, kind: ResourceType, action: Action) -> bool {
        self.kind.is_none_or(|own| own == kind) && self.actions.contains(&action)
    }

    /// Whether it permits nothing that the other does not: same records or fewer, and no more
    /// actions.
    pub fn is_within(&self, other: &Self) -> bool {
        self.context == other.context
            && other.kind.is_none_or(|kind| self.kind == Some(kind))
            && self.actions.iter().all(|action| other.actions.contains(action))
            && other.criteria.iter().all(|pair| self.criteria.contains(pair))
    }

    /// The scope with no more actions than the other has; none if nothing is left, or if it is
    /// about other records.
    pub fn narrowed_to(&self, other: &Self) -> Option<Self> {
        let actions: Vec<Action> =
            self.actions.iter().copied().filter(|own| other.actions.contains(own)).collect();
        let narrowed = Self { actions, ..self.clone() };
        (!narrowed.actions.is_empty() && narrowed.is_within(other)).then_some(narrowed)
    }
}

fn actions_of(text: &str) -> Option<Vec<Action>> {
    use Action::{Create, Delete, Read, Search, Update};
    match text {
        "read" => return Some(vec![Read, Search]),
        "write" => return Some(vec![Create, Update, Delete]),
        "*" => return Some(Action::ALL.to_vec()),
        _ => {}
    }
    let mut left = Action::ALL.into_iter();
    // The letters come in one order, each at most once.
    let actions: Option<Vec<Action>> =
        text.chars().map(|letter| left.find(|action| action.letter() == letter)).collect();
    actions.filter(|actions| !actions.is_empty())
}

impl fmt::Display for Scope {
    /// The form of version 2.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = self.kind.map_or("*", |kind| kind.as_str());
        let letters: String = self.actions.iter().map(|action| action.letter()).collect();
        write!(f, "{}/{kind}.{letters}", self.context.as_str())?;
        if self.criteria.is_empty() {
            return Ok(());
        }
        write!(f, "?{}", query::encode(&self.criteria))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table of "Scopes for requesting FHIR Resources", and its notes on versions.
    #[test]
    fn both_versions_are_read() {
        for (text, second) in [
            ("patient/Observation.rs", "patient/Observation.rs"),
            ("patient/Observation.read", "patient/Observation.rs"),
            ("user/*.write", "user/*.cud"),
            ("system/*.*", "system/*.cruds"),
            ("system/Patient.cruds", "system/Patient.cruds"),
        ] {
            assert_eq!(Scope::parse(text).unwrap().to_string(), second, "{text}");
        }
        let url = "http://terminology.hl7.org/CodeSystem/observation-category";
        let text = format!("patient/Observation.rs?category={url}|laboratory");
        let scope = Scope::parse(&text).unwrap();
        assert_eq!(scope.criteria, [("category".to_owned(), format!("{url}|laboratory"))]);
        assert_eq!(Scope::parse(&scope.to_string()), Some(scope));
    }

    #[test]
    fn other_texts_are_no_scopes_about_resources() {
        for text in [
            "openid",
            "launch/patient",
            "patient/Observation.sr",
            "patient/Observation.",
            "patient/Observation.rr",
            "patient/Observation.rx",
            "clinic/Observation.rs",
            "patient/Nothing.rs",
            "patient/Observation.rs?",
            "patient/Observation.rs?category",
            "Patient/Observation.rs",
            "patient/observation.rs",
            "patient/Observation",
        ] {
            assert_eq!(Scope::parse(text), None, "{text}");
        }
    }

    #[test]
    fn what_lies_within() {
        let scope = |text| Scope::parse(text).unwrap();
        for (inner, outer, within) in [
            ("system/Patient.r", "system/*.rs", true),
            ("system/*.r", "system/Patient.rs", false),
            ("system/Patient.rs", "patient/Patient.rs", false),
            ("system/Observation.r?code=x", "system/Observation.r", true),
            ("system/Observation.r", "system/Observation.r?code=x", false),
        ] {
            assert_eq!(scope(inner).is_within(&scope(outer)), within, "{inner} {outer}");
        }
        let narrowed = scope("system/Patient.cruds").narrowed_to(&scope("system/*.rs"));
        assert_eq!(narrowed.unwrap().to_string(), "system/Patient.rs");
        assert_eq!(scope("system/Patient.c").narrowed_to(&scope("system/*.rs")), None);
    }
}
