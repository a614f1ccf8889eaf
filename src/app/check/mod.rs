//! Whether a definition can come into force, and if not, where it is broken.
//!
//! A definition that comes here is a valid resource already; this looks for what no rule for content
//! can see: a base that is not held, a path that leads nowhere, an expression that cannot be parsed,
//! value sets that include one another. What is only not held (a value set, the profile of a value)
//! is no fault: it may come later.
//! Source: <http://hl7.org/fhir/R4/profiling.html>, <http://hl7.org/fhir/R4/valueset.html>,
//! <http://hl7.org/fhir/R4/searchparameter.html>.

mod parameter;
mod path;
mod structure;
mod terminology;

use super::Standard;
use crate::definitions::canonical::Canonical;
use crate::fhir::{Issue, IssueType};
use crate::index::Rules;

/// What is wrong with the definition, which is among those of `standard` already.
pub(super) fn definition(standard: &Standard, rules: &Rules, new: &Canonical) -> Vec<Issue> {
    match new.kind.as_str() {
        "StructureDefinition" => structure::check(standard, new),
        "ValueSet" => terminology::value_set(&standard.terminology, new),
        "CodeSystem" => terminology::code_system(new),
        "SearchParameter" => parameter::check(standard, rules, new),
        _ => Vec::new(),
    }
}

/// What is wrong with single elements of a definition that is no valid resource either: the rules for
/// content often name no more than the whole.
pub(super) fn places(standard: &Standard, new: &Canonical) -> Vec<Issue> {
    match new.kind.as_str() {
        "StructureDefinition" => structure::places(standard, new),
        _ => Vec::new(),
    }
}

/// An error at that element of the definition.
fn fault(place: impl Into<String>, text: impl Into<String>) -> Issue {
    Issue::error(IssueType::BusinessRule, text).at(place)
}
