//! The synthetic clinic: valid by our own profiles, and realistic in its defects.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use serde_json::Value;
use spondyl::clinical::{Record, summary};
use spondyl::definitions::Definitions;
use spondyl::fhir::{Instant, Resource};
use spondyl::generate::{Clinic, Records};
use spondyl::validation::Validator;

fn clinic(patients: u64) -> Vec<Records> {
    let clinic = Clinic { seed: 5, patients };
    let patients = (0..patients).map(|number| clinic.patient(number).unwrap());
    [clinic.itself().unwrap()].into_iter().chain(patients).collect()
}

fn text<'a>(value: &'a Value, pointer: &str) -> &'a str {
    value.pointer(pointer).and_then(Value::as_str).unwrap_or_default()
}

/// No resource of fifty patients has an error, in the first version or in a later one; nor have the
/// transactions.
#[test]
fn every_resource_is_valid() {
    let validator = Validator::new(Arc::new(Definitions::embedded().unwrap()));
    let mut seen = BTreeSet::new();
    for records in clinic(50) {
        let all: Vec<Value> = records.first.iter().chain(&records.later).cloned().collect();
        for value in all.into_iter().chain(records.into_bundles()) {
            seen.insert(text(&value, "/resourceType").to_owned());
            let resource = Resource::from_value(value).unwrap();
            let issues = validator.check(&resource);
            let errors: Vec<String> = issues
                .iter()
                .filter(|issue| issue.is_error())
                .map(|issue| format!("{:?} {}", issue.expression, issue.diagnostics))
                .collect();
            assert!(errors.is_empty(), "{errors:#?}\n{}", resource.value());
        }
    }
    for kind in ["Patient", "EpisodeOfCare", "Observation", "Procedure", "AdverseEvent", "Location"]
    {
        assert!(seen.contains(kind), "no {kind} in {seen:?}");
    }
}

/// References lead to resources of the same clinic.
#[test]
fn references_lead_somewhere() {
    let all = clinic(60);
    let ids: BTreeSet<String> = all
        .iter()
        .flat_map(|records| &records.first)
        .map(|value| format!("{}/{}", text(value, "/resourceType"), text(value, "/id")))
        .collect();
    let resources = all.iter().map(|records| records.first.len()).sum::<usize>();
    assert_eq!(ids.len(), resources, "ids are used once");
    let mut stack: Vec<&Value> = all.iter().flat_map(|records| &records.first).collect();
    while let Some(value) = stack.pop() {
        match value {
            Value::Object(members) => {
                if let Some(reference) = members.get("reference").and_then(Value::as_str) {
                    assert!(ids.contains(reference), "{reference}");
                }
                stack.extend(members.values());
            }
            Value::Array(items) => stack.extend(items),
            _ => {}
        }
    }
}

/// Each kind of defect that the clinic promises turns up among four hundred patients.
#[test]
fn the_usual_defects_are_there() {
    let mut found: BTreeMap<String, usize> = BTreeMap::new();
    let mut note = |what: &str| *found.entry(what.to_owned()).or_default() += 1;
    for records in clinic(400) {
        for later in &records.later {
            note(text(later, "/status"));
        }
        let resources: Vec<Resource> =
            records.first.iter().cloned().map(|v| Resource::from_value(v).unwrap()).collect();
        let episodes = resources.iter().filter(|r| r.kind().as_str() == "EpisodeOfCare");
        for episode in episodes {
            let record = Record::build(episode, &resources);
            let summary = summary(&record, Instant::parse("2026-12-31T00:00:00Z").unwrap());
            summary.findings.iter().for_each(|finding| note(finding.kind.code()));
            note(summary.course.end_reason.as_deref().unwrap_or("no-end-reason"));
            if summary.outcomes.iter().all(|outcome| outcome.latest.is_none()) {
                note("nothing-measured-again");
            }
            if !summary.caution.adverse_events.is_empty() {
                note("adverse-event");
            }
        }
    }
    for defect in [
        "amended",
        "entered-in-error",
        "did-not-attend",
        "self-discharged",
        "referred-on",
        "no-end-reason",
        "nothing-measured-again",
        "adverse-event",
        "hypermobile-treated",
        "normal-treated",
        "treated-not-assessed",
        "treated-before-screening",
        "treated-before-consent",
        "thrust-before-screening",
        "thrust-before-consent",
        "treated-after-positive-screening",
        "units-mixed",
        "dose-missing",
        "retest-late",
        "final-score-missing",
        "event-not-followed",
    ] {
        assert!(found.contains_key(defect), "no {defect} in {found:?}");
    }
}
