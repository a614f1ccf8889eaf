//! `If-Match`, `If-None-Match`, `If-Modified-Since`: what the client knows of the version.
//!
//! Tags are weak (`W/"3"`) and carry the version id; the standard compares what is between the
//! quotes, so the strong form matches too.
//! Source: <http://hl7.org/fhir/R4/http.html#concurrency>, <http://hl7.org/fhir/R4/http.html#cread>,
//! <https://www.rfc-editor.org/rfc/rfc9110#name-preconditions>.

use crate::error::Error;
use crate::fhir::{Instant, VersionId};
use crate::interaction::sealed;
use crate::repository::Stored;

/// The tag of a version.
pub fn etag(version: VersionId) -> String {
    format!("W/\"{version}\"")
}

/// Tags as a client lists them.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Tags {
    /// `*`: any version that is not a deletion.
    Any,
    /// One of those versions; tags that are no version of ours match nothing.
    Of(Vec<VersionId>),
}

impl Tags {
    /// Reads a list of tags, as it stands in a header or in `Bundle.entry.request`; none if it
    /// is not such a list.
    pub fn parse(text: &str) -> Option<Self> {
        if text.trim() == "*" {
            return Some(Self::Any);
        }
        let mut versions = Vec::new();
        for tag in text.split(',') {
            let tag = tag.trim();
            let tag = tag.strip_prefix("W/").unwrap_or(tag);
            let quoted = tag.strip_prefix('"').and_then(|tag| tag.strip_suffix('"'));
            let opaque =
                quoted.or_else(|| tag.bytes().all(|b| b.is_ascii_digit()).then_some(tag))?;
            if opaque.is_empty() || opaque.contains('"') {
                return None;
            }
            versions.extend(VersionId::parse(opaque));
        }
        Some(Self::Of(versions))
    }

    /// Whether what stands there may be changed by one who names these. A deletion has a tag too, so
    /// that a resource can be brought back by those alone who know of it
    /// (<http://hl7.org/fhir/R4/http.html#delete>).
    fn allow(&self, current: Option<&Stored>) -> bool {
        match self {
            Self::Any => self.match_version(current),
            Self::Of(versions) => current.is_some_and(|held| versions.contains(&held.version)),
        }
    }

    /// Whether what stands there now has one of the tags.
    pub fn match_version(&self, current: Option<&Stored>) -> bool {
        let live = current.filter(|current| current.body.is_some());
        live.is_some_and(|live| match self {
            Self::Any => true,
            Self::Of(versions) => versions.contains(&live.version),
        })
    }
}

/// What a write or a read asks of the version that stands there.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Preconditions {
    /// The version must be one of these.
    pub if_match: Option<Tags>,
    /// The version must be none of these.
    pub if_none_match: Option<Tags>,
    /// For reads: the version must be newer than that second. Counts only without `if_none_match`.
    pub if_modified_since: Option<Instant>,
}

impl Preconditions {
    /// Whether a write may go on.
    ///
    /// # Errors
    /// [`Error::Precondition`] if not.
    pub fn check(&self, current: Option<&Stored>) -> Result<(), Error> {
        let wanted = self.if_match.as_ref().is_none_or(|tags| tags.allow(current));
        let unwanted = self.if_none_match.as_ref().is_some_and(|tags| tags.match_version(current));
        if wanted && !unwanted { Ok(()) } else { Err(Error::Precondition) }
    }

    /// Whether a reader has that version already.
    pub fn is_known(&self, stored: &Stored) -> bool {
        match (&self.if_none_match, self.if_modified_since) {
            (Some(tags), _) => tags.match_version(Some(stored)),
            (None, Some(since)) => {
                stored.last_updated.millis().div_euclid(1000) <= since.millis().div_euclid(1000)
            }
            (None, None) => false,
        }
    }
}

/// What a write of the current version is held to.
#[derive(Clone, Copy, Debug)]
pub struct Rules<'a> {
    /// What the client asks.
    pub preconditions: &'a Preconditions,
    /// Whether what exists may be changed only by one who names its version.
    pub tags_required: bool,
}

impl Rules<'_> {
    /// Whether the write may go on.
    ///
    /// # Errors
    /// [`Error::PreconditionRequired`], [`Error::Precondition`] or [`Error::Sealed`] if not.
    pub fn check(self, current: Option<&Stored>) -> Result<(), Error> {
        let exists = current.is_some_and(|current| current.body.is_some());
        if self.tags_required && exists && self.preconditions.if_match.is_none() {
            return Err(Error::PreconditionRequired);
        }
        self.preconditions.check(current)?;
        sealed::refuse(current)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags() {
        let of = |numbers: &[u64]| {
            Some(Tags::Of(numbers.iter().map(|number| VersionId(*number)).collect()))
        };
        for (text, expected) in [
            ("W/\"3\"", of(&[3])),
            ("\"3\"", of(&[3])),
            ("3", of(&[3])),
            ("W/\"1\", \"2\"", of(&[1, 2])),
            ("W/\"abc\"", of(&[])),
            ("*", Some(Tags::Any)),
            ("", None),
            ("W/\"\"", None),
            ("W/3\"", None),
            ("abc", None),
        ] {
            assert_eq!(Tags::parse(text), expected, "{text}");
        }
    }
}
