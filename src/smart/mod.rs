//! SMART App Launch: what a client is permitted, as pure values.
//!
//! [`Scope`] reads the text of scopes; [`Access`] is what one token gives to whoever has it. What
//! that means for the rows of a store is told by [`access`](crate::access).
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/>.

pub mod assertion;
pub mod client;
pub mod issuer;
pub mod key;
mod scope;
pub mod sign_in;

use std::collections::BTreeSet;

use serde::Deserialize;

pub use scope::{Action, Context, Scope};

use crate::fhir::{Id, Reference, ResourceType};

/// The resource that `fhirUser` names.
pub fn user(text: &str) -> Option<(ResourceType, Id)> {
    let reference = Reference::parse(text);
    reference.target().map(|(kind, id)| (kind, id.clone()))
}

/// The same where it may be told by a URL: only one of this server, whose base URL that is.
pub fn user_here(text: &str, base: &str) -> Option<(ResourceType, Id)> {
    let own = text.strip_prefix(base).and_then(|rest| rest.strip_prefix('/'));
    user(own.unwrap_or(text)).filter(|_| own.is_some() || !text.contains("://"))
}

/// For whom a JWT is (<https://www.rfc-editor.org/rfc/rfc7519#section-4.1.3>).
#[derive(Deserialize)]
#[serde(untagged)]
enum Audience {
    One(String),
    More(Vec<String>),
}

impl Audience {
    fn has(&self, wanted: &str) -> bool {
        match self {
            Self::One(one) => one == wanted,
            Self::More(all) => all.iter().any(|one| one == wanted),
        }
    }
}

/// Seconds of a JWT as milliseconds, within what can be told.
#[expect(clippy::cast_possible_truncation, reason = "a float beyond the range becomes its end")]
fn millis(seconds: f64) -> i64 {
    (seconds * 1000.0) as i64
}

/// What one token permits.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub struct Access {
    /// The client that the token was given to, as it is registered.
    pub client: String,
    /// What may be done.
    pub scopes: Vec<Scope>,
    /// The one patient that the scopes of context `patient` are about.
    pub patient: Option<Id>,
    /// The resource of the person who uses the client (`fhirUser`).
    pub user: Option<(ResourceType, Id)>,
}

impl Access {
    /// The scopes that permit an action on resources of a type, as far as no resource is looked at.
    pub fn about(&self, kind: ResourceType, action: Action) -> impl Iterator<Item = &Scope> {
        self.scopes.iter().filter(move |scope| scope.is_about(kind, action))
    }

    /// Whether some resource of that type may come into question.
    pub fn permits(&self, kind: ResourceType, action: Action) -> bool {
        self.about(kind, action).next().is_some()
    }

    /// Whether some resource of any type may come into question.
    pub fn permits_some(&self, action: Action) -> bool {
        self.scopes.iter().any(|scope| scope.actions.contains(&action))
    }

    /// Whether every resource may be read and found, of every type and whatever it is about.
    pub fn sees_all(&self) -> bool {
        let is_whole = |scope: &Scope, kind, action| {
            scope.context == Context::System
                && scope.criteria.is_empty()
                && scope.is_about(kind, action)
        };
        let sees = |kind, action| self.scopes.iter().any(|scope| is_whole(scope, kind, action));
        ResourceType::all().all(|kind| sees(kind, Action::Read) && sees(kind, Action::Search))
    }

    /// The practitioner who acts by it, where it is one, as `Type/id`.
    pub fn practitioner(&self) -> Option<String> {
        let (kind, id) = self.user.as_ref()?;
        let is_one = ["Practitioner", "PractitionerRole"].contains(&kind.as_str());
        is_one.then(|| format!("{kind}/{id}"))
    }

    /// The scopes as the token endpoint tells them: each once, in order.
    pub fn scope_text(&self) -> String {
        let scopes: BTreeSet<String> = self.scopes.iter().map(ToString::to_string).collect();
        scopes.into_iter().collect::<Vec<_>>().join(" ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_sees_all() {
        for (scopes, expected) in [
            ("system/*.rs", true),
            ("system/*.cruds", true),
            ("system/*.read", true),
            ("system/*.r system/*.s", true),
            ("system/*.r", false),
            ("system/*.s", false),
            ("user/*.rs", false),
            ("patient/*.rs", false),
            ("system/EpisodeOfCare.rs system/Observation.rs", false),
            ("system/*.rs?_tag=a", false),
            ("", false),
        ] {
            let scopes_read = Scope::all(scopes);
            let access =
                Access { client: "c".into(), scopes: scopes_read, patient: None, user: None };
            assert_eq!(access.sees_all(), expected, "{scopes}");
        }
    }
}
