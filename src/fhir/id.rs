//! Logical ids and version ids.
//!
//! Source: <http://hl7.org/fhir/R4/datatypes.html#id>, <http://hl7.org/fhir/R4/resource.html#Meta>.

use std::fmt;

/// A logical id: 1 to 64 of `A-Z a-z 0-9 - .`.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Id(String);

impl Id {
    /// The id, if `text` has the form that the standard asks.
    pub fn parse(text: &str) -> Option<Self> {
        let legal = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.';
        ((1..=64).contains(&text.len()) && text.bytes().all(legal)).then(|| Self(text.to_owned()))
    }

    /// A new random id (a version 4 UUID in lower case).
    pub fn random() -> Self {
        Self(uuid::Uuid::new_v4().to_string())
    }

    /// The id as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// The number of a version of one resource: 1 for the first, then without gaps, deletions included.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct VersionId(pub u64);

impl VersionId {
    /// The version of that decimal text, as it stands in `meta.versionId` and in an `ETag`.
    pub fn parse(text: &str) -> Option<Self> {
        let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
        digits.then(|| text.parse().ok().map(Self)).flatten()
    }

    /// The version after this one.
    #[must_use]
    pub fn next(self) -> Self {
        Self(self.0 + 1)
    }
}

impl fmt::Display for VersionId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn id_follows_the_published_pattern() {
        for good in ["a", "A-1.b", &"x".repeat(64)] {
            assert!(Id::parse(good).is_some(), "{good}");
        }
        for bad in ["", "a b", "a/b", "ä", "a_b", &"x".repeat(65)] {
            assert!(Id::parse(bad).is_none(), "{bad}");
        }
        assert!(Id::parse(Id::random().as_str()).is_some());
    }

    #[test]
    fn version_is_a_plain_number() {
        assert_eq!(VersionId::parse("12"), Some(VersionId(12)));
        for bad in ["", "+1", "1.0", "x"] {
            assert!(VersionId::parse(bad).is_none(), "{bad}");
        }
    }
}
