//! What scopes of context `patient` and `user` see beyond the compartments of the standard.
//!
//! Data: `schemas/access/beyond-compartments.json`, which says where each of its parts comes from.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use serde_json::Value;

use crate::definitions::embedded;
use crate::fhir::ResourceType;
use crate::fhir::json::At;

const FILE: &str = "access/beyond-compartments.json";

/// The rules of the file.
#[derive(Default)]
pub(super) struct Beyond {
    /// Types that say nothing of a patient.
    pub(super) open: BTreeSet<ResourceType>,
    /// Types that follow what these parameters of them name.
    pub(super) along: BTreeMap<ResourceType, Vec<String>>,
    /// By what a patient is in the care of a practitioner.
    pub(super) care: Vec<Care>,
}

/// One way to be in the care of a practitioner.
pub(super) struct Care {
    /// The type that tells of it.
    pub(super) kind: ResourceType,
    /// Its parameter that names the practitioner.
    pub(super) practitioner: String,
    /// Its parameter that names the patient; none: it is the patient.
    pub(super) patient: Option<String>,
}

impl Beyond {
    /// The rules of the program. A file that was damaged before the build permits nothing, which
    /// the tests of this file would tell.
    pub(super) fn shipped() -> &'static Self {
        static SHIPPED: LazyLock<Beyond> = LazyLock::new(|| {
            let value = embedded::text(FILE).and_then(|text| serde_json::from_str(text).ok());
            value.as_ref().and_then(Beyond::read).unwrap_or_default()
        });
        &SHIPPED
    }

    fn read(value: &Value) -> Option<Self> {
        let kind = |value: &Value| value.as_str().and_then(ResourceType::parse);
        let text = |value: &Value| value.as_str().map(str::to_owned);
        let along = value.at("along").as_object()?.iter().map(|(name, codes)| {
            let codes = codes.as_array()?.iter().map(text).collect::<Option<_>>()?;
            Some((ResourceType::parse(name)?, codes))
        });
        let care =
            value.at("care").as_array()?.iter().map(|row| match row.as_array()?.as_slice() {
                [of, practitioner, patient] => Some(Care {
                    kind: kind(of)?,
                    practitioner: text(practitioner)?,
                    patient: if patient.is_null() { None } else { Some(text(patient)?) },
                }),
                _ => None,
            });
        Some(Self {
            open: value.at("open").as_array()?.iter().map(kind).collect::<Option<_>>()?,
            along: along.collect::<Option<_>>()?,
            care: care.collect::<Option<_>>()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::definitions::compartment::Compartments;

    #[test]
    fn the_file_is_whole_and_opens_nothing_of_a_patient() {
        let beyond = Beyond::shipped();
        assert!(!beyond.open.is_empty() && !beyond.along.is_empty() && beyond.care.len() == 4);
        let patient = ResourceType::parse("Patient").unwrap();
        for kind in beyond.open.iter().chain(beyond.along.keys()) {
            let in_standard = Compartments::standard().parameters(patient, *kind);
            let follows = kind.as_str() == "Provenance";
            assert!(in_standard.is_empty() || follows, "{kind}");
        }
    }
}
