//! What is asked of codes, of other resources and of words.

use serde_json::json;

use super::*;

const SEGMENTS: &str = "https://spondyl.example/fhir/CodeSystem/motion-segment";

fn at(system: &str, code: &str) -> Value {
    json!({ "bodySite": { "coding": [{ "system": system, "code": code }] } })
}

/// <http://hl7.org/fhir/R4/search.html#subsumption>, over our own hierarchy of motion segments, and
/// the value sets of the standard.
#[test]
fn codes_by_hierarchy_and_value_set() {
    let clinic = observations(&[
        ("c1", at(SEGMENTS, "C1-C2")),
        ("c4", at(SEGMENTS, "C4-C5")),
        ("l5", at(SEGMENTS, "L5-S1")),
        ("region", at(SEGMENTS, "cervical")),
        ("other", at("urn:other", "C4-C5")),
        ("none", json!({})),
    ]);
    for (query, expected) in [
        (format!("body-site:below={SEGMENTS}|cervical"), "c4 region"),
        (format!("body-site:below={SEGMENTS}|C4-C5"), "c4"),
        (format!("body-site:above={SEGMENTS}|C4-C5"), "c4 region"),
        (format!("body-site:below={SEGMENTS}|nonsense"), ""),
        (
            "body-site:in=https://spondyl.example/fhir/ValueSet/motion-segment".to_owned(),
            "c1 c4 l5",
        ),
        (
            "body-site:not-in=https://spondyl.example/fhir/ValueSet/motion-segment".to_owned(),
            "none other region",
        ),
        (
            "status:in=http://hl7.org/fhir/ValueSet/observation-status".to_owned(),
            "c1 c4 l5 none other region",
        ),
        ("status:below=final&body-site:missing=true".to_owned(), "none"),
    ] {
        clinic.check(&format!("Observation?{query}"), expected);
    }
    clinic.put(json!({ "resourceType": "ValueSet", "id": "mine", "status": "active", "compose":
        { "include": [{ "system": SEGMENTS, "concept": [{ "code": "L5-S1" }] }] } }));
    clinic.check("Observation?body-site:in=ValueSet/mine", "l5");
    clinic.check(&format!("Observation?body-site:in={BASE}/ValueSet/mine"), "l5");
    clinic.check(
        "Observation?body-site:not-in=ValueSet/mine&status:not=amended",
        "c1 c4 none other region",
    );
    let error = clinic.page("Observation?body-site:in=ValueSet/absent", None).unwrap_err();
    assert!(error.to_string().contains("no such value set"), "{error}");
}

/// <http://hl7.org/fhir/R4/search.html#recursive>; a circle ends.
#[test]
fn hierarchies_of_resources() {
    let clinic = Clinic::new();
    for (id, above) in [("house", "ring"), ("floor", "house"), ("room", "floor"), ("ring", "room")]
    {
        clinic.put(json!({ "resourceType": "Location", "id": id,
            "partOf": { "reference": format!("Location/{above}") } }));
    }
    clinic.put(json!({ "resourceType": "Location", "id": "yard" }));
    clinic.put(json!({ "resourceType": "Location", "id": "shed",
        "partOf": { "reference": "Location/yard" } }));
    for place in ["house", "room", "yard", "shed"] {
        clinic.put(json!({ "resourceType": "Encounter", "id": format!("in-{place}"),
            "status": "finished", "class": { "code": "AMB" },
            "location": [{ "location": { "reference": format!("Location/{place}") } }] }));
    }
    for (query, expected) in [
        ("location:below=Location/yard", "in-shed in-yard"),
        ("location:below=shed", "in-shed"),
        ("location:above=shed", "in-shed in-yard"),
        ("location:below=floor", "in-house in-room"),
        ("location:below=nowhere", ""),
        ("location:below=shed,house", "in-house in-room in-shed"),
    ] {
        clinic.check(&format!("Encounter?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#versions>: the version of a canonical, and parts of it.
#[test]
fn canonicals_by_version() {
    let clinic = Clinic::new();
    for (id, version) in [("a", "|1.0"), ("b", "|1.1.2"), ("c", "|10"), ("d", "|1"), ("e", "")] {
        clinic
            .put(json!({ "resourceType": "QuestionnaireResponse", "id": id, "status": "completed",
            "questionnaire": format!("http://x.example/q{version}") }));
    }
    for (query, expected) in [
        ("questionnaire=http://x.example/q", "a b c d e"),
        ("questionnaire=http://x.example/q|1.0", "a"),
        ("questionnaire:below=http://x.example/q|1", "a b d"),
        ("questionnaire:below=http://x.example/q|1.1", "b"),
        ("questionnaire:above=http://x.example/q|1.0.3", "a d"),
    ] {
        clinic.check(&format!("QuestionnaireResponse?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#list>, <http://hl7.org/fhir/R4/search.html#text>
#[test]
fn lists_and_words() {
    let note = |text: &str| json!({ "note": [{ "text": text }] });
    let clinic = observations(&[
        ("a", note("stiff in the morning")),
        ("b", note("no stiffness")),
        (
            "c",
            json!({ "text": { "status": "additional", "div":
            "<div xmlns=\"http://www.w3.org/1999/xhtml\">stiff <b>neck</b></div>" } }),
        ),
    ]);
    let item = |id: &str| json!({ "item": { "reference": format!("Observation/{id}") } });
    let mut gone = item("c");
    gone["deleted"] = json!(true);
    clinic.put(json!({ "resourceType": "List", "id": "l", "status": "current", "mode": "changes",
        "entry": [item("a"), item("b"), gone, { "item": { "reference": "Patient/c" } }] }));
    for (query, expected) in [
        ("_list=l", "a b"),
        ("_list=l,none&_content=morning", "a"),
        ("_list=none", ""),
        ("_text=stiff", "c"),
        ("_text=morning", ""),
        ("_content=stiff", "a c"),
        ("_content=stiff NOT neck", "a"),
        ("_content=morning,neck", "a c"),
    ] {
        clinic.check(&format!("Observation?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/location.html#search>: 0.1 degrees of latitude are 11.1 km.
#[test]
fn places_near_by() {
    let clinic = Clinic::new();
    for (id, north, east) in
        [("here", "50.0", "8.0"), ("near", "50.1", "8.0"), ("far", "50.0", "9.5")]
    {
        let text = format!(
            r#"{{"resourceType":"Location","id":"{id}","position":{{"longitude":{east},"latitude":{north}}}}}"#
        );
        clinic.put(serde_json::from_str(&text).unwrap());
    }
    clinic.put(json!({ "resourceType": "Location", "id": "nowhere" }));
    for (query, expected) in [
        ("near=50|8|5|km", "here"),
        ("near=50|8|12|km", "here near"),
        ("near=50|8|12000|m", "here near"),
        ("near=50|8|12", "here near"),
        ("near=50|8", "here near"),
        ("near=50|8|200|km", "far here near"),
        ("near:missing=true", "nowhere"),
    ] {
        clinic.check(&format!("Location?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#include>: the wildcard backward, from every type.
#[test]
fn all_that_point_to_a_match() {
    let clinic = Clinic::new();
    clinic.put(json!({ "resourceType": "Patient", "id": "p" }));
    clinic.put(json!({ "resourceType": "Basic", "id": "b", "code": { "text": "x" },
        "subject": { "reference": "Patient/p" } }));
    clinic.put(json!({ "resourceType": "Observation", "id": "o", "status": "final",
        "focus": [{ "reference": "Patient/p" }] }));
    let page = clinic.page("Patient?_revinclude=*", None).unwrap();
    let mut names: Vec<_> = page.included.iter().map(|found| found.id.to_string()).collect();
    names.sort();
    assert_eq!(names, ["b", "o"]);
}
