//! `$translate` on small invented maps.

use serde_json::{Value, json};

use super::{code, held, part};
use crate::fhir::IssueType;
use crate::terminology::Terminology;
use crate::terminology::coded::Coded;
use crate::terminology::translate::{ConceptMapSource, TranslateRequest, translate};

fn with_maps() -> Terminology {
    let mut held = held();
    let map = |url: &str, unmapped: Value| {
        json!({ "resourceType": "ConceptMap", "url": url, "sourceUri": "from", "targetUri": "to",
            "group": [{ "source": "s", "target": "t", "element": [
                { "code": "a", "target": [{ "code": "x", "display": "X", "equivalence": "equivalent" },
                    { "code": "y", "equivalence": "wider", "dependsOn": [{ "property": "side", "system": "s", "value": "left" }] }] },
                { "code": "b", "target": [{ "equivalence": "unmatched", "comment": "none" }] },
                { "code": "c", "target": [{ "equivalence": "unmatched" }] },
                { "code": "c", "target": [{ "code": "z", "equivalence": "narrower",
                    "product": [{ "property": "side", "system": "p", "value": "q" }] }] },
                { "code": "d", "target": [{ "code": "z", "equivalence": "disjoint" }] },
            ], "unmapped": unmapped }] })
    };
    let maps = [
        map("plain", Value::Null),
        map("fixed", json!({ "mode": "fixed", "code": "other", "display": "Other" })),
        map("provided", json!({ "mode": "provided" })),
        map("on", json!({ "mode": "other-map", "url": "fixed" })),
        map("nowhere", json!({ "mode": "other-map", "url": "not-held" })),
        map("round", json!({ "mode": "other-map", "url": "round" })),
    ];
    maps.iter().for_each(|map| held.add(map).unwrap());
    held
}

/// Equivalence and code of each match.
fn matches(answer: &Value) -> Vec<(String, Option<String>)> {
    let list = answer["parameter"].as_array().unwrap().iter();
    let matches = list.filter(|parameter| parameter["name"] == "match");
    let read = |found: &Value| {
        let value = |name: &str, key: &str| {
            let parts = found["part"].as_array().unwrap();
            parts.iter().find(|part| part["name"] == name).map(|part| part[key].clone())
        };
        let equivalence = value("equivalence", "valueCode").unwrap().as_str().unwrap().to_owned();
        let concept = value("concept", "valueCoding");
        (equivalence, concept.map(|concept| concept["code"].as_str().unwrap().to_owned()))
    };
    matches.map(read).collect()
}

fn check(map: &str, word: &str, result: bool, expected: &[(&str, Option<&str>)]) {
    let request = TranslateRequest::new(ConceptMapSource::Canonical(map), code("s", word));
    let answer = translate(&with_maps(), &request).unwrap();
    assert_eq!(part(&answer, "result"), json!(result), "{map} {word}");
    let found = matches(&answer);
    let found: Vec<_> = found.iter().map(|(e, c)| (e.as_str(), c.as_deref())).collect();
    assert_eq!(found, expected, "{map} {word}");
    assert_eq!(part(&answer, "message").is_null(), result);
}

#[test]
fn forwards() {
    check("plain", "a", true, &[("equivalent", Some("x"))]);
    check("plain", "b", false, &[("unmatched", None)]);
    check("plain", "c", true, &[("narrower", Some("z"))]);
    check("plain", "d", false, &[("disjoint", Some("z"))]);
    check("plain", "e", false, &[]);
    check("fixed", "e", true, &[("relatedto", Some("other"))]);
    check("provided", "e", true, &[("equal", Some("e"))]);
    check("on", "e", true, &[("relatedto", Some("other"))]);
    check("on", "a", true, &[("equivalent", Some("x"))]);
}

#[test]
fn maps_that_send_on_to_nothing() {
    for (map, kind) in [
        ("nowhere", IssueType::NotFound),
        ("round", IssueType::Invalid),
        ("none", IssueType::NotFound),
    ] {
        let request = TranslateRequest::new(ConceptMapSource::Canonical(map), code("s", "e"));
        assert_eq!(translate(&with_maps(), &request).unwrap_err().kind, kind, "{map}");
    }
}

#[test]
fn choices() {
    let maps = with_maps();
    let ask = |change: &dyn Fn(&mut TranslateRequest<'_>)| {
        let mut request =
            TranslateRequest::new(ConceptMapSource::Canonical("plain"), code("s", "a"));
        change(&mut request);
        matches(&translate(&maps, &request).unwrap()).len()
    };
    assert_eq!(ask(&|_| ()), 1);
    assert_eq!(ask(&|r| r.target_system = Some("t")), 1);
    assert_eq!(ask(&|r| r.target_system = Some("u")), 0);
    assert_eq!(ask(&|r| (r.source, r.target) = (Some("from"), Some("to"))), 1);
    assert_eq!(ask(&|r| r.target = Some("elsewhere")), 0);
    assert_eq!(ask(&|r| r.dependency = vec![("side", code("s", "left"))]), 2);
    assert_eq!(ask(&|r| r.dependency = vec![("side", code("s", "right"))]), 1);
    assert_eq!(ask(&|r| r.coded = code("u", "a")), 0);
    let both =
        json!({ "coding": [{ "system": "s", "code": "a" }, { "system": "s", "code": "c" }] });
    let mut request = TranslateRequest::new(ConceptMapSource::Any, Coded::CodeableConcept(&both));
    assert_eq!(matches(&translate(&maps, &request).unwrap()).len(), 12);
    request.coded = code("t", "z");
    request.map = ConceptMapSource::Canonical("plain");
    request.reverse = true;
    let answer = translate(&maps, &request).unwrap();
    let found = matches(&answer);
    assert_eq!(
        found,
        [("wider".to_owned(), Some("c".to_owned())), ("disjoint".to_owned(), Some("d".to_owned()))]
    );
}

#[test]
fn products() {
    let request = TranslateRequest::new(ConceptMapSource::Canonical("plain"), code("s", "c"));
    let answer = translate(&with_maps(), &request).unwrap();
    let product = &answer["parameter"][1]["part"][2];
    assert_eq!(
        product,
        &json!({ "name": "product", "part": [
        { "name": "element", "valueUri": "side" },
        { "name": "concept", "valueCoding": { "system": "p", "code": "q" } }] })
    );
}
