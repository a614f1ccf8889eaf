//! Rules on a resource as a whole: what no single element shows.
//!
//! Ids that must differ, attachments that must be what they say, references inside a Bundle,
//! answers to a Questionnaire, reports on a Measure. One file for each subject.

use serde_json::Value;

use super::finding::Finding;
use super::resource::Place;
use super::scope::Scope;
use crate::fhir::json::At;

mod answer;
mod bundle;
mod document;
mod enable;
mod report;
mod response;
mod survey;
mod walk;

/// What is wrong with the resource, which the scope is at.
type Rules = fn(&Scope, &Value) -> Vec<Finding>;

/// The rules of single types.
const BY_TYPE: &[(&str, Rules)] = &[
    ("Bundle", bundle::rules),
    ("Bundle", document::rules),
    ("MeasureReport", report::rules),
    ("QuestionnaireResponse", response::rules),
];

/// All that is wrong with the resource as a whole.
pub(super) fn findings(scope: &Scope, value: &Value, place: Place) -> Vec<Finding> {
    let kind = value.at("resourceType").as_str().unwrap_or_default();
    let rules = BY_TYPE.iter().filter(|(name, _)| *name == kind);
    let mut found: Vec<Finding> = rules.flat_map(|(_, rules)| rules(scope, value)).collect();
    // What is contained is looked through with its container.
    if place != Place::Contained {
        found.extend(survey::rules(value));
    }
    found
}
