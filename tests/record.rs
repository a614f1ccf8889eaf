//! What the record of an episode takes from exercises, advice, tests and plans; and what no change
//! of order, unit or status may do to its numbers.
//!
//! Properties are tried on the demo clinic by proptest with what it draws.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use proptest::prelude::*;
use serde_json::{Value, json};
use spondyl::clinical::{Record, summary};
use spondyl::fhir::Resource;
use spondyl::letter;

mod episode;

const ID: &str = "demo-aldis-episode";

fn summarise(resources: &[Resource]) -> Value {
    let record = Record::build(episode::episode(resources, ID), resources);
    serde_json::to_value(summary(&record, episode::now())).unwrap()
}

fn page(resources: &[Resource]) -> String {
    let record = Record::build(episode::episode(resources, ID), resources);
    letter::html(&summary(&record, episode::now()))
}

/// The resource that the first case of a profile accepts, as one of the demo episode.
fn accepted(profile: &str) -> Resource {
    let file = format!("conformance/validation/profile/{profile}.json");
    let cases: Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    let mut value = cases["cases"][0]["resource"].clone();
    value["id"] = json!("added");
    value["encounter"] = json!({ "reference": "Encounter/demo-aldis-v1" });
    value["subject"] = json!({ "reference": "Patient/demo-aldis" });
    value["extension"][0]["valueReference"]["reference"] = json!(format!("EpisodeOfCare/{ID}"));
    Resource::from_value(value).unwrap()
}

#[test]
fn exercise_advice_and_tests_are_used() {
    let clinic = episode::clinic();
    let check = |profile: &str, says: &[&str]| {
        let mut more = clinic.clone();
        more.push(accepted(profile));
        let summary = summarise(&more);
        let unused = summary["gaps"].as_array().unwrap().iter().filter(|g| g["kind"] == "not-used");
        assert_eq!(unused.count(), 0, "{profile}: {}", summary["gaps"]);
        let kind = more.last().unwrap().kind();
        assert!(summary["sources"].to_string().contains(&format!("{kind}/added")), "{profile}");
        let page = page(&more);
        for words in says {
            assert!(page.contains(words), "{profile}: {words}");
        }
    };
    check("exercise", &["2 series, 10 repetitions, held 5 s, 3 a day"]);
    check("advice", &["Advice given"]);
    check("safety-test", &["Tests before treatment", "Transverse ligament test"]);
}

/// A plan names by code what is to be left alone; a treatment there does not fit it, on whichever
/// side the plan speaks of.
#[test]
fn what_a_plan_leaves_alone() {
    let found = |change: &dyn Fn(&mut Value)| {
        let mut clinic = episode::clinic();
        let plan = clinic.iter_mut().find(|r| r.id_text() == Some("demo-aldis-plan")).unwrap();
        change(plan.value_mut());
        let summary = summarise(&clinic);
        let findings = summary["findings"].as_array().unwrap().clone();
        findings.iter().filter(|f| f["kind"] == "treated-against-plan").count()
    };
    let avoid = |value: &mut Value, segment: &str, side: Option<&str>| {
        let mut concept = json!({ "coding": [{
            "system": "https://spondyl.example/fhir/CodeSystem/motion-segment", "code": segment,
        }] });
        if let Some(side) = side {
            concept["extension"] = json!([{
                "url": "https://spondyl.example/fhir/StructureDefinition/laterality",
                "valueCodeableConcept": { "coding": [{
                    "system": "https://spondyl.example/fhir/CodeSystem/side", "code": side,
                }] },
            }]);
        }
        value["activity"][1]["detail"]["extension"] = json!([{
            "url": "https://spondyl.example/fhir/StructureDefinition/plan-segment",
            "valueCodeableConcept": concept,
        }]);
    };
    assert_eq!(found(&|_| {}), 0);
    // C2-C3 was treated on two days, on either side; T2-T3 on the left.
    assert_eq!(found(&|plan| avoid(plan, "C2-C3", None)), 2);
    assert_eq!(found(&|plan| avoid(plan, "T2-T3", Some("left"))), 2);
    assert_eq!(found(&|plan| avoid(plan, "T2-T3", Some("right"))), 0);
    assert_eq!(found(&|plan| avoid(plan, "L4-L5", None)), 0);
    // Only what the plan said by then.
    assert_eq!(
        found(&|plan| {
            avoid(plan, "C2-C3", None);
            plan["created"] = json!("2027-01-01");
            plan["period"]["start"] = json!("2027-01-01");
        }),
        0
    );
}

/// A resource of another patient, or of nobody, in any of many types.
fn unrelated() -> impl Strategy<Value = Resource> {
    let kinds = prop::sample::select(vec!["Observation", "Procedure", "Encounter", "Basic"]);
    (kinds, "[a-z]{1,8}", any::<u32>()).prop_map(|(kind, word, number)| {
        let value = json!({
            "resourceType": kind, "id": format!("stray-{number}"), "status": "final",
            "code": { "text": word },
            "subject": { "reference": format!("Patient/{word}") },
            "effectiveDateTime": "2026-03-09", "valueQuantity": { "value": number },
        });
        Resource::from_value(value).unwrap()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_storing_changes_nothing(shuffled in Just(episode::clinic()).prop_shuffle()) {
        prop_assert_eq!(summarise(&episode::clinic()), summarise(&shuffled));
    }

    #[test]
    fn an_unrelated_resource_changes_nothing(strays in prop::collection::vec(unrelated(), 1..6)) {
        let mut more = episode::clinic();
        more.extend(strays);
        prop_assert_eq!(summarise(&episode::clinic()), summarise(&more));
    }

    /// Whatever is marked as entered in error counts as little as if it were not there.
    #[test]
    fn what_was_entered_in_error_is_not_there(marks in prop::collection::vec(any::<prop::sample::Index>(), 1..12)) {
        let clinic = episode::clinic();
        let facts: Vec<usize> = (0..clinic.len())
            .filter(|at| ["Observation", "Procedure"].contains(&clinic[*at].kind().as_str()))
            .collect();
        let marked: Vec<usize> = marks.iter().map(|mark| facts[mark.index(facts.len())]).collect();
        let (mut in_error, mut without) = (Vec::new(), Vec::new());
        for (at, resource) in clinic.iter().enumerate() {
            let mut resource = resource.clone();
            if marked.contains(&at) {
                resource.value_mut()["status"] = json!("entered-in-error");
            } else {
                without.push(resource.clone());
            }
            in_error.push(resource);
        }
        prop_assert_eq!(summarise(&in_error), summarise(&without));
    }

    /// Totals in points of 50 and the same totals in percent are one outcome: points times two.
    /// Source: the author's note on scoring, chiro.org/forms/NDI_Explain.shtml.
    #[test]
    fn converted_units_give_the_same(points in prop::collection::vec(0_u32..=50, 2..5)) {
        let with = |percent: bool| {
            let clinic = episode::clinic();
            let total = |r: &Resource| r.value()["code"].to_string().contains("82237-9");
            let original = clinic.iter().find(|r| total(r)).unwrap().clone();
            let mut changed: Vec<Resource> = clinic.into_iter().filter(|r| !total(r)).collect();
            for (at, points) in points.iter().enumerate() {
                let mut one = original.clone();
                let value = one.value_mut();
                value["id"] = json!(format!("total-{at}"));
                value["effectiveDateTime"] = json!(format!("2026-03-{:02}T09:00:00Z", 10 + at));
                value.as_object_mut().unwrap().remove("component");
                let (number, unit) = if percent { (points * 2, "%") } else { (*points, "{score}") };
                value["valueQuantity"] =
                    json!({ "value": number, "system": "http://unitsofmeasure.org", "code": unit });
                changed.push(one);
            }
            let summary = summarise(&changed);
            let outcomes = summary["outcomes"].as_array().unwrap();
            let ndi = outcomes.iter().find(|outcome| outcome["measure"] == "ndi").unwrap();
            let scores = ndi["scores"].as_array().unwrap().iter().map(|score| score["value"].to_string());
            let scores: Vec<String> = scores.collect();
            (scores, ndi["change"].to_string(), ndi["judgement"].to_string())
        };
        prop_assert_eq!(with(false), with(true));
    }
}
