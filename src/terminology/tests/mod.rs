//! The operations on small invented systems; `published` holds the published cases.

use std::sync::Arc;

use serde_json::{Value, json};

use super::coded::{Code, Coded};
use super::expand::ValueSetSource;
use super::lookup::{LookupRequest, lookup};
use super::subsumes::subsumes;
use super::validate_code::{
    DisplayPolicy, ValidateCodeRequest, in_code_system, in_given_code_system, in_value_set,
};
use super::*;
use crate::definitions::Definitions;
use crate::fhir::IssueType;

mod call;
mod published;
mod translate;

pub(super) fn system() -> Value {
    json!({ "resourceType": "CodeSystem", "url": "s", "version": "1", "name": "Small", "content": "complete",
        "concept": [
            { "code": "a", "display": "Letter  A", "definition": "The first",
              "designation": [{ "language": "de", "use": { "code": "u" }, "value": "Buchstabe A" }],
              "property": [{ "code": "order", "valueInteger": 1 }, { "code": "kind", "valueCoding": { "system": "k", "code": "v" } }],
              "concept": [{ "code": "a1", "display": "A one" }, { "code": "a2", "display": "A two" }] },
            { "code": "group", "display": "Group", "property": [{ "code": "notSelectable", "valueBoolean": true }] },
            { "code": "old", "display": "Old", "property": [{ "code": "status", "valueCode": "retired" }] },
            { "code": "bare" },
        ] })
}

pub(super) fn held() -> Terminology {
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    held.add(&system()).unwrap();
    let others = [
        json!({ "resourceType": "CodeSystem", "url": "f", "content": "fragment", "concept": [{ "code": "k", "concept": [{ "code": "k1" }] }, { "code": "l" }] }),
        json!({ "resourceType": "CodeSystem", "url": "parts", "content": "complete", "hierarchyMeaning": "part-of", "concept": [{ "code": "a", "concept": [{ "code": "b" }] }] }),
        json!({ "resourceType": "CodeSystem", "url": "any-case", "content": "complete", "caseSensitive": false, "concept": [{ "code": "Abc" }, { "code": "xyz" }] }),
        json!({ "resourceType": "ValueSet", "url": "v", "compose": { "include": [{ "system": "s", "concept": [{ "code": "a" }, { "code": "old" }, { "code": "group" }, { "code": "bare" }] }] } }),
        json!({ "resourceType": "ValueSet", "url": "active", "compose": { "inactive": false, "include": [{ "system": "s" }] } }),
        json!({ "resourceType": "ValueSet", "url": "far", "version": "3", "compose": { "include": [{ "system": "s" }, { "system": "far" }] } }),
    ];
    for resource in &others {
        held.add(resource).unwrap();
    }
    held
}

fn code<'a>(system: &'a str, code: &'a str) -> Coded<'a> {
    Coded::Code(Code { system: Some(system), code, ..Code::default() })
}

pub(super) fn part(parameters: &Value, name: &str) -> Value {
    let list = parameters["parameter"].as_array().unwrap();
    let found = list.iter().find(|parameter| parameter["name"] == name);
    let found = found.and_then(|p| p.as_object()?.iter().find(|(key, _)| key.starts_with("value")));
    found.map_or(Value::Null, |(_, value)| value.clone())
}

fn check_set(set: &str, coded: Coded<'_>, result: bool, message: &str) {
    let answer =
        in_value_set(&held(), ValueSetSource::Canonical(set), &ValidateCodeRequest::new(coded))
            .unwrap();
    assert_eq!(part(&answer, "result"), json!(result), "{answer}");
    let told = part(&answer, "message");
    assert_eq!(told.as_str().unwrap_or_default(), message, "{answer}");
}

#[test]
fn codes_in_value_sets() {
    check_set("v", code("s", "a"), true, "");
    check_set("v", code("s", "a1"), false, "The code is not in the value set v.");
    check_set("v", code("s", "none"), false, "The code system s has no such code.");
    check_set("v", code("t", "a"), false, "The code is not in the value set v.");
    check_set("v", code("s", "old"), true, "The code is inactive.");
    check_set("active", code("s", "old"), false, "The code is not in the value set active.");
    check_set("far", code("s", "a1"), true, "");
    let wrong = json!({ "system": "s", "code": "a", "display": "B" });
    check_set(
        "v",
        Coded::Coding(&wrong),
        false,
        "The display is not that of the code, which is \"Letter  A\".",
    );
    for display in ["Letter  A", "letter a", "Buchstabe A"] {
        check_set(
            "v",
            Coded::Coding(&json!({ "system": "s", "code": "a", "display": display })),
            true,
            "",
        );
    }
    check_set(
        "v",
        Coded::Coding(&json!({ "system": "s", "code": "bare", "display": "any" })),
        true,
        "",
    );
    let concept =
        json!({ "coding": [{ "system": "s", "code": "a1" }, { "system": "s", "code": "a" }] });
    check_set("v", Coded::CodeableConcept(&concept), true, "");
}

#[test]
fn policies_and_switches() {
    let wrong = json!({ "system": "s", "code": "a", "display": "B" });
    let mut request = ValidateCodeRequest::new(Coded::Coding(&wrong));
    (request.display_policy, request.display_language) = (DisplayPolicy::Warn, Some("de"));
    let answer = in_value_set(&held(), ValueSetSource::Canonical("v"), &request).unwrap();
    assert_eq!(part(&answer, "result"), true);
    assert_eq!(part(&answer, "display"), "Buchstabe A");
    assert!(part(&answer, "message").as_str().unwrap().contains("Buchstabe A"));
    for (is_abstract, expected) in [(None, true), (Some(true), true), (Some(false), false)] {
        let mut request = ValidateCodeRequest::new(code("s", "group"));
        request.is_abstract = is_abstract;
        let answer = in_value_set(&held(), ValueSetSource::Canonical("v"), &request).unwrap();
        assert_eq!(part(&answer, "result"), expected);
    }
}

#[test]
fn what_cannot_be_told_of_a_code() {
    let kind = |set: &str, coded: Coded<'_>| {
        in_value_set(&held(), ValueSetSource::Canonical(set), &ValidateCodeRequest::new(coded))
            .unwrap_err()
    };
    let far = kind("far", code("far", "x"));
    assert_eq!(far.kind, IssueType::NotFound);
    assert!(far.message.contains("far"), "{far}");
    assert_eq!(kind("nowhere", code("s", "a")).kind, IssueType::NotFound);
    let no_system = Coded::Code(Code { code: "a", ..Code::default() });
    assert_eq!(kind("v", no_system).kind, IssueType::Required);
    assert_eq!(
        kind("v", Coded::CodeableConcept(&json!({ "text": "x" }))).kind,
        IssueType::Required
    );
    let known = in_value_set(&held(), ValueSetSource::Canonical("far"), &ValidateCodeRequest::new(Coded::CodeableConcept(
        &json!({ "coding": [{ "system": "far", "code": "x" }, { "system": "s", "code": "a" }] })))).unwrap();
    assert_eq!(part(&known, "result"), true);
}

/// What is in the binary can be read, all of it.
#[test]
fn embedded_definitions() {
    let definitions = Arc::new(Definitions::embedded().unwrap());
    let held = Terminology::new(Arc::clone(&definitions));
    for url in definitions.code_system_urls() {
        held.find_system(url, None).unwrap();
    }
    for url in definitions.value_set_urls() {
        held.find_value_set(url).unwrap();
    }
    let gender = "http://hl7.org/fhir/ValueSet/administrative-gender";
    let request =
        expand::ExpandRequest::new(ValueSetSource::Canonical(gender), "2026-01-01T00:00:00Z");
    let set = expand::expand(&held, &request).unwrap();
    assert_eq!(set["expansion"]["total"], 4);
    assert_eq!(set["status"], "active");
}

/// A set that names a version of a system means that version.
#[test]
fn versions_of_systems() {
    let mut held = held();
    for (version, code) in [("1", "first"), ("2", "second")] {
        held.add(&json!({ "resourceType": "CodeSystem", "url": "w", "version": version, "content": "complete",
            "concept": [{ "code": code }] })).unwrap();
        held.add(&json!({ "resourceType": "ValueSet", "url": format!("w{version}"),
            "compose": { "include": [{ "system": "w", "version": version }] } }))
            .unwrap();
    }
    for (set, code, expected) in [
        ("w1", "first", Membership::In),
        ("w1", "second", Membership::Out),
        ("w2", "second", Membership::In),
        ("w2", "first", Membership::Out),
    ] {
        assert_eq!(held.membership(set, Some("w"), code), expected, "{set} {code}");
    }
}

/// Sets that include one another many times over are given up, not walked for hours.
#[test]
fn tangled_sets() {
    let mut held = held();
    for n in 0..40 {
        let next = format!("tangle-{}", (n + 1) % 40);
        let include: Vec<Value> = (0..5).map(|_| json!({ "valueSet": [next] })).collect();
        let set = json!({ "resourceType": "ValueSet", "url": format!("tangle-{n}"), "compose": { "include": include } });
        held.add(&set).unwrap();
    }
    assert_eq!(held.membership("tangle-0", Some("s"), "a"), Membership::Unknown);
    let leaf =
        json!({ "resourceType": "ValueSet", "url": "tangle-20", "compose": { "include": [] } });
    held.add(&leaf).unwrap();
    let source = ValueSetSource::Canonical("tangle-0");
    let error = expand::expand(&held, &expand::ExpandRequest::new(source, "2026-01-01T00:00:00Z"));
    assert_eq!(error.unwrap_err().kind, IssueType::TooCostly);
}

#[test]
fn codes_in_code_systems() {
    let check = |url: &str, coded: Coded<'_>, expected: Option<bool>| {
        let answer = in_code_system(&held(), url, None, &ValidateCodeRequest::new(coded));
        let result = answer.ok().map(|answer| part(&answer, "result") == true);
        assert_eq!(result, expected, "{url}");
    };
    let plain = |code: &'static str| Coded::Code(Code { code, ..Code::default() });
    check("s", plain("a1"), Some(true));
    check("s", plain("none"), Some(false));
    check("s", plain("A1"), Some(false));
    check("any-case", plain("aBC"), Some(true));
    check("s", code("t", "a"), Some(false));
    check("f", plain("k1"), Some(true));
    check("f", plain("none"), None);
    check("nowhere", plain("a"), None);
    check("http://unitsofmeasure.org", plain("deg"), Some(true));
    check("http://unitsofmeasure.org", plain("degree"), Some(false));
    let other = in_code_system(&held(), "s", Some("2"), &ValidateCodeRequest::new(plain("a")));
    assert_eq!(other.unwrap_err().kind, IssueType::NotFound);
    let given = in_given_code_system(&system(), &ValidateCodeRequest::new(plain("a2"))).unwrap();
    assert_eq!(part(&given, "result"), true);
}

#[test]
fn look_up() {
    let request = |coded, property| LookupRequest { coded, display_language: None, property };
    let answer = lookup(&held(), &request(code("s", "a"), vec![])).unwrap();
    let expected = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "name", "valueString": "Small" },
        { "name": "version", "valueString": "1" },
        { "name": "display", "valueString": "Letter  A" },
        { "name": "designation", "part": [
            { "name": "language", "valueCode": "de" }, { "name": "use", "valueCoding": { "code": "u" } },
            { "name": "value", "valueString": "Buchstabe A" }] },
        { "name": "property", "part": [{ "name": "code", "valueCode": "definition" }, { "name": "value", "valueString": "The first" }] },
        { "name": "property", "part": [{ "name": "code", "valueCode": "order" }, { "name": "value", "valueInteger": 1 }] },
        { "name": "property", "part": [{ "name": "code", "valueCode": "kind" }, { "name": "value", "valueCoding": { "system": "k", "code": "v" } }] },
        { "name": "property", "part": [{ "name": "code", "valueCode": "child" }, { "name": "value", "valueCode": "a1" }, { "name": "description", "valueString": "A one" }] },
        { "name": "property", "part": [{ "name": "code", "valueCode": "child" }, { "name": "value", "valueCode": "a2" }, { "name": "description", "valueString": "A two" }] },
    ] });
    assert_eq!(answer, expected);
    let few = lookup(&held(), &request(code("s", "a1"), vec!["parent"])).unwrap();
    assert_eq!(few["parameter"].as_array().unwrap().len(), 4);
    assert_eq!(few["parameter"][3]["part"][1]["valueCode"], "a");
    let mut german = request(code("s", "a"), vec![]);
    german.display_language = Some("de-AT");
    assert_eq!(part(&lookup(&held(), &german).unwrap(), "display"), "Buchstabe A");
    let unit = lookup(&held(), &request(code("http://unitsofmeasure.org", "mm"), vec![])).unwrap();
    assert_eq!(part(&unit, "display"), "millimeter");
    for coded in [code("s", "none"), code("nowhere", "a"), code("http://unitsofmeasure.org", "nn")]
    {
        assert_eq!(lookup(&held(), &request(coded, vec![])).unwrap_err().kind, IssueType::NotFound);
    }
}

#[test]
fn subsumption() {
    let check = |system: &str, a: &str, b: &str, expected: Result<&str, IssueType>| {
        let plain = |code| Coded::Code(Code { code, ..Code::default() });
        let answer = subsumes(&held(), Some(system), plain(a), plain(b));
        let outcome = answer.map(|answer| part(&answer, "outcome")).map_err(|error| error.kind);
        assert_eq!(outcome, expected.map(|code| json!(code)), "{system} {a} {b}");
    };
    check("s", "a", "a", Ok("equivalent"));
    check("s", "a", "a1", Ok("subsumes"));
    check("s", "a1", "a", Ok("subsumed-by"));
    check("s", "a1", "a2", Ok("not-subsumed"));
    check("s", "a", "none", Err(IssueType::NotFound));
    check("nowhere", "a", "b", Err(IssueType::NotFound));
    check("f", "k", "k1", Ok("subsumes"));
    check("f", "k", "l", Err(IssueType::Incomplete));
    check("parts", "a", "b", Err(IssueType::NotSupported));
    check("any-case", "abc", "ABC", Ok("equivalent"));
    let mixed = subsumes(&held(), None, code("s", "a"), code("f", "k"));
    assert_eq!(mixed.unwrap_err().kind, IssueType::Invalid);
}
