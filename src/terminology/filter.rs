//! The filters of a value set: which concepts of a code system they select.
//!
//! Source: <http://hl7.org/fhir/R4/valueset-filter-operator.html>,
//! <http://hl7.org/fhir/R4/valueset-definitions.html#ValueSet.compose.include.filter>.

use std::collections::HashSet;

use serde_json::Value;

use super::code_system::has_property;
use super::concepts::Concept;
use super::pattern::Pattern;
use super::{CodeSystem, Membership, TerminologyError, ucum};

/// One filter as written.
pub(super) struct Filter {
    property: String,
    op: String,
    value: String,
}

/// A filter ready for the concepts of one system.
pub(super) enum Test<'a> {
    IsA(Concept<'a>),
    IsNotA(Concept<'a>),
    DescendentOf(Concept<'a>),
    Generalizes(Concept<'a>),
    Equal(&'a str, &'a str),
    In(&'a str, HashSet<&'a str>),
    NotIn(&'a str, HashSet<&'a str>),
    Exists(&'a str, bool),
    Regex(&'a str, Pattern),
}

impl Filter {
    pub(super) fn read(value: &Value) -> Self {
        let text = |key: &str| value[key].as_str().unwrap_or_default().to_owned();
        Self { property: text("property"), op: text("op"), value: text("value") }
    }

    /// The filter over that system.
    ///
    /// # Errors
    /// [`TerminologyError`] for an operator that the standard does not have or that does not fit
    /// the property, a property or a code that the system does not have, and a broken value.
    pub(super) fn over<'a>(&'a self, system: &'a CodeSystem) -> Result<Test<'a>, TerminologyError> {
        let property = self.property.as_str();
        let values = || self.value.split(',').map(str::trim).collect();
        match self.op.as_str() {
            "is-a" => self.target(system).map(Test::IsA),
            "is-not-a" => self.target(system).map(Test::IsNotA),
            "descendent-of" => self.target(system).map(Test::DescendentOf),
            "generalizes" => self.target(system).map(Test::Generalizes),
            "=" | "in" | "not-in" | "regex" | "exists" if !system.knows_property(property) => {
                let message = format!("{} has no property {property} to filter by", system.url);
                Err(TerminologyError::not_supported(message))
            }
            "=" => Ok(Test::Equal(property, &self.value)),
            "in" => Ok(Test::In(property, values())),
            "not-in" => Ok(Test::NotIn(property, values())),
            "regex" => Ok(Test::Regex(property, Pattern::new(&self.value)?)),
            "exists" => match self.value.as_str() {
                "true" => Ok(Test::Exists(property, true)),
                "false" => Ok(Test::Exists(property, false)),
                _ => Err(TerminologyError::invalid("an exists filter is neither true nor false")),
            },
            op => {
                let message = format!("the filter operator {op} is not one of the standard");
                Err(TerminologyError::invalid(message))
            }
        }
    }

    /// Whether a UCUM unit passes: the two filters that the standard defines for UCUM, both about
    /// being comparable (<http://hl7.org/fhir/R4/ucum.html>).
    pub(super) fn over_unit(&self, unit: &str) -> Membership {
        let comparable = |other: &str| ucum::comparable(unit, other.trim());
        match (self.property.as_str(), self.op.as_str()) {
            ("canonical", "=") => {
                comparable(&self.value).map_or(Membership::Unknown, Membership::of)
            }
            ("canonical", "in") => {
                let of_each = self.value.split(',').map(comparable);
                of_each.fold(Membership::Out, |found, is| {
                    found.or(|| is.map_or(Membership::Unknown, Membership::of))
                })
            }
            ("property", "=") => {
                let has = ucum::has_property(unit, &self.value);
                has.map_or(Membership::Unknown, Membership::of)
            }
            _ => Membership::Unknown,
        }
    }

    /// The concept that the filter names.
    fn target<'a>(&self, system: &'a CodeSystem) -> Result<Concept<'a>, TerminologyError> {
        if !["concept", "code"].contains(&self.property.as_str()) {
            let (op, property) = (&self.op, &self.property);
            let message = format!("the filter {op} is about concepts, not the property {property}");
            return Err(TerminologyError::not_supported(message));
        }
        system.concept(&self.value).ok_or_else(|| {
            let message = format!("{} has no code {} to filter by", system.url, self.value);
            if system.is_complete() {
                TerminologyError::new(crate::fhir::IssueType::CodeInvalid, message)
            } else {
                TerminologyError::incomplete(message)
            }
        })
    }
}

impl<'a> Test<'a> {
    /// Whether the concept passes.
    pub(super) fn passes(&self, concept: Concept<'a>) -> bool {
        match self {
            Self::IsA(target) => concept.is_a(*target),
            Self::IsNotA(target) => !concept.is_a(*target),
            Self::DescendentOf(target) => {
                concept.place() != target.place() && concept.is_a(*target)
            }
            Self::Generalizes(target) => target.is_a(concept),
            Self::Equal(property, value) => has_property(concept, property, value),
            Self::In(property, values) => has_any(concept, property, values),
            Self::NotIn(property, values) => !has_any(concept, property, values),
            Self::Exists(property, wanted) => texts(concept, property).is_empty() != *wanted,
            Self::Regex(property, pattern) => {
                texts(concept, property).iter().any(|text| pattern.is_match(text))
            }
        }
    }

    /// The concepts that may pass, where there is a shorter way than to ask all.
    pub(super) fn candidates(&self) -> Option<Vec<Concept<'a>>> {
        match self {
            Self::IsA(target) | Self::DescendentOf(target) => {
                let mut below: Vec<_> = target.below().collect();
                below.sort_by_key(|concept| concept.rank());
                Some(below)
            }
            _ => None,
        }
    }
}

fn has_any(concept: Concept<'_>, property: &str, values: &HashSet<&str>) -> bool {
    if ["code", "concept"].contains(&property) {
        return values.contains(concept.code());
    }
    values.iter().any(|value| has_property(concept, property, value))
}

/// The values of a property, as texts.
fn texts<'a>(concept: Concept<'a>, property: &str) -> Vec<&'a str> {
    match property {
        "code" | "concept" => vec![concept.code()],
        "display" => concept.display().into_iter().collect(),
        "definition" => concept.definition().into_iter().collect(),
        "parent" => concept.parents().map(Concept::code).collect(),
        "child" => concept.children().map(Concept::code).collect(),
        _ => {
            let own = concept.properties().filter(|held| held.name == property);
            own.map(super::concepts::Property::text).collect()
        }
    }
}
