//! A definition as a resource: what it says of itself, and which of several is meant by a canonical.
//!
//! Whether a definition is sound is told by those who use it.
//! Source: <http://hl7.org/fhir/R4/references.html#canonical>,
//! <http://hl7.org/fhir/R4/valueset-publication-status.html>.

use std::cmp::Ordering;
use std::sync::Arc;

use serde_json::Value;

use crate::fhir::json::At;

/// The types of resource that take effect on a server that stores them.
pub const EFFECTIVE: [&str; 5] =
    ["StructureDefinition", "ValueSet", "CodeSystem", "ConceptMap", "SearchParameter"];

/// The types of resource that describe rules and not anybody's record.
pub const DESCRIPTIVE: [&str; 9] = [
    "StructureDefinition",
    "ValueSet",
    "CodeSystem",
    "ConceptMap",
    "SearchParameter",
    "OperationDefinition",
    "NamingSystem",
    "ImplementationGuide",
    "CapabilityStatement",
];

/// A canonical's URL and version.
pub fn split(canonical: &str) -> (&str, Option<&str>) {
    canonical.split_once('|').map_or((canonical, None), |(url, version)| (url, Some(version)))
}

/// A definition with its canonical.
#[derive(Clone, PartialEq, Debug)]
pub struct Canonical {
    /// The resource's type.
    pub kind: String,
    /// The canonical, without version.
    pub url: String,
    /// The version, where it says one.
    pub version: Option<String>,
    /// Whether it is withdrawn (`status` retired), so that it should no longer be used.
    pub is_retired: bool,
    /// The resource.
    pub value: Arc<Value>,
}

impl Canonical {
    /// Reads the resource; none if it has no canonical.
    pub fn of(value: Arc<Value>) -> Option<Self> {
        let text = |key: &str| value.at(key).as_str().map(str::to_owned);
        Some(Self {
            kind: text("resourceType")?,
            url: text("url")?,
            version: text("version"),
            is_retired: text("status").as_deref() == Some("retired"),
            value,
        })
    }
}

/// Which of two versions is the later: numbers by value, letters by order, none before any. A
/// version with a label (`1.0.0-ballot`) comes before the one without.
pub fn compare_versions(one: Option<&str>, other: Option<&str>) -> Ordering {
    let (Some(one), Some(other)) = (one, other) else {
        return one.is_some().cmp(&other.is_some());
    };
    let parts = |text: &str| -> Vec<String> {
        let (core, label) = text.split_once('-').unwrap_or((text, "\u{10FFFF}"));
        core.split('.').chain([label]).map(str::to_owned).collect()
    };
    let number = |text: &str| text.parse::<u64>().ok();
    let (one, other) = (parts(one), parts(other));
    let pairs = one.iter().zip(&other).map(|(a, b)| match (number(a), number(b)) {
        (Some(a), Some(b)) => a.cmp(&b),
        _ => a.cmp(b),
    });
    pairs.fold(Ordering::Equal, Ordering::then).then(one.len().cmp(&other.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// <http://hl7.org/fhir/R4/references.html#canonical>: without a version the latest is meant.
    #[test]
    fn later_versions() {
        let ascending = [
            None,
            Some("0.9"),
            Some("1.0.0-ballot"),
            Some("1.0.0"),
            Some("1.2.0"),
            Some("1.10.0"),
            Some("20150622"),
        ];
        for pair in ascending.windows(2) {
            assert_eq!(compare_versions(pair[0], pair[1]), Ordering::Less, "{pair:?}");
            assert_eq!(compare_versions(pair[1], pair[0]), Ordering::Greater, "{pair:?}");
            assert_eq!(compare_versions(pair[0], pair[0]), Ordering::Equal, "{pair:?}");
        }
    }
}
