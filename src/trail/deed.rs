//! What was done, as the trail is told of it: by whom, to what, with what outcome. No values of
//! resources.

use std::net::IpAddr;

use crate::fhir::{Id, Instant, ResourceType, VersionId};

/// One thing that somebody did, or tried to do.
#[derive(Clone, Debug)]
pub struct Deed {
    /// When it was asked for.
    pub at: Instant,
    /// What was done.
    pub interaction: Interaction,
    /// Who did it.
    pub who: Who,
    /// How it ended.
    pub outcome: Outcome,
    /// The request's id.
    pub request_id: Option<String>,
    /// The resource that it was about.
    pub about: Option<Target>,
    /// The resources that its answer holds. They are not listed; they tell of which patients it was.
    pub given: Vec<Target>,
    /// The patient whom the request names, or whom the token is limited to.
    pub patient: Option<Id>,
    /// The request as it came, where it is a question: verb, path, parameters.
    pub query: Option<Vec<u8>>,
}

/// What was done.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Interaction {
    /// A read of the current version, or of a page about it.
    Read,
    /// A read of a version.
    Vread,
    /// The history of a resource.
    HistoryInstance,
    /// The history of a type.
    HistoryType,
    /// The history of all.
    HistorySystem,
    /// A search over a type or in a compartment.
    SearchType,
    /// A search over the system.
    SearchSystem,
    /// A create, also by an update under a new id.
    Create,
    /// An update.
    Update,
    /// A patch.
    Patch,
    /// A delete.
    Delete,
    /// A batch that was not carried out.
    Batch,
    /// A transaction that was not carried out.
    Transaction,
    /// An operation of that name.
    Operation(String),
    /// A client asked for an access token.
    Login,
    /// A client ended a token.
    Logout,
    /// A client asked what a token is worth.
    Introspection,
    /// Records of a patient left: a letter, or the files of that export.
    Disclosure(Disclosed),
    /// That Consent denied somebody the records of a patient.
    Denial(Id),
}

/// What left.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Disclosed {
    /// A document.
    Letter,
    /// The files of the export of that id.
    Export(String),
}

/// Who did it.
#[derive(Clone, Default, Debug)]
pub struct Who {
    /// The client, where one is known.
    pub client: Option<String>,
    /// The person who uses it.
    pub user: Option<(ResourceType, Id)>,
    /// The address that it came from.
    pub address: Option<IpAddr>,
    /// What tells the token apart: its `jti` as a URN, or its last 32 characters.
    pub token: Option<String>,
}

/// How it ended.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The HTTP status.
    pub status: u16,
    /// The code of the issue, where it failed.
    pub reason: Option<&'static str>,
}

/// A resource.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Target {
    /// Its type.
    pub kind: ResourceType,
    /// Its id.
    pub id: Id,
    /// Its version, where that is known.
    pub version: Option<VersionId>,
}

impl Target {
    /// The reference.
    pub fn reference(&self) -> String {
        let Self { kind, id, version } = self;
        match version {
            Some(version) => format!("{kind}/{id}/_history/{version}"),
            None => format!("{kind}/{id}"),
        }
    }
}

impl Outcome {
    /// That it was done.
    pub const DONE: Self = Self { status: 200, reason: None };

    /// Whether it was done.
    pub fn is_success(&self) -> bool {
        self.status < 400
    }

    /// The code of <http://hl7.org/fhir/R4/codesystem-audit-event-outcome.html>: who may not, and who
    /// meets a server that fails, is told so by a serious failure.
    pub fn code(&self) -> &'static str {
        match self.status {
            ..=399 => "0",
            401 | 403 | 500.. => "8",
            _ => "4",
        }
    }
}

/// What tells a token apart without giving it away.
///
/// Source: <https://profiles.ihe.net/ITI/BALP/content.html>, "OAuth Security Token".
pub fn token_name(jti: Option<&str>, token: &str) -> String {
    if let Some(jti) = jti {
        return format!("urn:ietf:params:oauth:jti:{jti}");
    }
    let all = token.chars().count();
    // Of a short one no more than half.
    token.chars().skip(all - (all / 2).min(32)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_never_told_whole() {
        assert_eq!(token_name(Some("a-1"), "x.y.z"), "urn:ietf:params:oauth:jti:a-1");
        let token = format!("{}{}", "s".repeat(32), "e".repeat(32));
        assert_eq!(token_name(None, &token), "e".repeat(32));
        assert_eq!(token_name(None, "abcdef"), "def");
        assert_eq!(token_name(None, ""), "");
    }
}
