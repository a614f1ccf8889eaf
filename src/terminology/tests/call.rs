//! Operations called with Parameters resources and queries.

use serde_json::{Value, json};

use super::{held, part, system};
use crate::fhir::IssueType;
use crate::terminology::TerminologyError;
use crate::terminology::call::{Call, Operation, call, parameters};
use crate::terminology::validate_code::DisplayPolicy;

fn run(
    (kind, name): (&str, &str),
    parameters: &Value,
    instance: Option<&Value>,
) -> Result<Value, TerminologyError> {
    let operation = Operation::of(kind, name).unwrap();
    let (timestamp, display_policy) = ("2026-01-01T00:00:00Z", DisplayPolicy::Refuse);
    call(&held(), Call { operation, parameters, instance, timestamp, display_policy })
}

fn query(text: &str) -> Value {
    let pairs = text.split('&').filter(|pair| !pair.is_empty());
    parameters(pairs.map(|pair| pair.split_once('=').unwrap_or((pair, ""))))
}

#[test]
fn queries() {
    let check = |operation: (&str, &str), text: &str, name: &str, expected: Value| {
        let answer = run(operation, &query(text), None).unwrap();
        let found = if answer["resourceType"] == "ValueSet" {
            answer["expansion"][name].clone()
        } else {
            part(&answer, name)
        };
        assert_eq!(found, expected, "{text}");
    };
    check(("ValueSet", "expand"), "url=v&count=1&offset=1&_format=json", "total", json!(4));
    check(("ValueSet", "expand"), "url=v&activeOnly=true", "total", json!(3));
    check(("ValueSet", "validate-code"), "url=v&system=s&code=a", "result", json!(true));
    check(
        ("ValueSet", "validate-code"),
        "url=v&system=s&code=group&abstract=false",
        "result",
        json!(false),
    );
    check(("ValueSet", "validate-code"), "url=v&system=s&code=a&display=B", "result", json!(false));
    check(("CodeSystem", "validate-code"), "url=s&code=a", "result", json!(true));
    check(("CodeSystem", "validate-code"), "url=s&version=1&code=none", "result", json!(false));
    check(
        ("CodeSystem", "lookup"),
        "system=s&code=a&property=parent&displayLanguage=de",
        "display",
        json!("Buchstabe A"),
    );
    check(("CodeSystem", "subsumes"), "system=s&codeA=a&codeB=a1", "outcome", json!("subsumes"));
    check(("ConceptMap", "translate"), "system=s&code=a&reverse=true", "result", json!(false));
}

#[test]
fn resources_and_codings() {
    let coding = json!({ "system": "s", "code": "a1" });
    let set = json!({ "resourceType": "ValueSet", "compose": { "include": [{ "system": "s" }] } });
    let of = |list: Value| json!({ "resourceType": "Parameters", "parameter": list });
    let inline = of(
        json!([{ "name": "valueSet", "resource": set }, { "name": "coding", "valueCoding": coding }]),
    );
    let answer = run(("ValueSet", "validate-code"), &inline, None).unwrap();
    assert_eq!(part(&answer, "result"), true);
    let concept =
        of(json!([{ "name": "codeableConcept", "valueCodeableConcept": { "coding": [coding] } }]));
    assert_eq!(
        part(&run(("ValueSet", "validate-code"), &concept, Some(&set)).unwrap(), "result"),
        true
    );
    assert_eq!(
        part(&run(("CodeSystem", "validate-code"), &concept, Some(&system())).unwrap(), "result"),
        true
    );
    let pair = of(
        json!([{ "name": "codingA", "valueCoding": coding }, { "name": "codingB", "valueCoding": { "system": "s", "code": "a" } }]),
    );
    assert_eq!(
        part(&run(("CodeSystem", "subsumes"), &pair, None).unwrap(), "outcome"),
        "subsumed-by"
    );
    let on_instance = query("codeA=a&codeB=a2");
    assert_eq!(
        part(&run(("CodeSystem", "subsumes"), &on_instance, Some(&system())).unwrap(), "outcome"),
        "subsumes"
    );
    let count = of(
        json!([{ "name": "count", "valueInteger": 2 }, { "name": "includeDefinition", "valueBoolean": true }]),
    );
    let expanded = run(("ValueSet", "expand"), &count, Some(&set)).unwrap();
    assert_eq!(expanded["expansion"]["contains"].as_array().unwrap().len(), 2);
    assert!(expanded["compose"].is_object());
    let map = json!({ "resourceType": "ConceptMap", "group": [{ "source": "s", "target": "t", "element": [{ "code": "a1",
        "target": [{ "code": "x", "equivalence": "equal", "dependsOn": [{ "property": "p", "value": "q" }] }] }] }] });
    let translate = of(
        json!([{ "name": "conceptMap", "resource": map }, { "name": "coding", "valueCoding": coding },
        { "name": "dependency", "part": [{ "name": "element", "valueUri": "p" }, { "name": "concept", "valueCodeableConcept": { "coding": [{ "code": "q" }] } }] }]),
    );
    assert_eq!(part(&run(("ConceptMap", "translate"), &translate, None).unwrap(), "result"), true);
}

#[test]
fn what_does_not_fit_is_refused() {
    let cases = [
        (("ValueSet", "expand"), "", IssueType::Required, "url"),
        (("ValueSet", "expand"), "url=v&url=w", IssueType::Invalid, "twice"),
        (("ValueSet", "expand"), "url=v&count=-1", IssueType::Invalid, "count"),
        (("ValueSet", "expand"), "url=v&count=many", IssueType::Invalid, "count"),
        (("ValueSet", "expand"), "url=v&activeOnly=yes", IssueType::Invalid, "activeOnly"),
        (("ValueSet", "expand"), "url=v&context=x", IssueType::NotSupported, "context"),
        (("ValueSet", "expand"), "url=far&valueSetVersion=9", IssueType::NotFound, "version"),
        (("ValueSet", "expand"), "url=nowhere", IssueType::NotFound, "nowhere"),
        (("ValueSet", "validate-code"), "url=v&system=s", IssueType::Required, "code"),
        (("ValueSet", "validate-code"), "url=v&code=a", IssueType::Required, "system"),
        (("ValueSet", "validate-code"), "url=v&coding=a", IssueType::Invalid, "coding"),
        (("CodeSystem", "validate-code"), "system=s&code=a", IssueType::NotSupported, "system"),
        (("CodeSystem", "validate-code"), "code=a", IssueType::Required, "url"),
        (("CodeSystem", "lookup"), "code=a", IssueType::Required, "system"),
        (("CodeSystem", "lookup"), "system=s&code=a&date=2020", IssueType::NotSupported, "date"),
        (("CodeSystem", "lookup"), "system=s&code=none", IssueType::NotFound, "no such code"),
        (("CodeSystem", "subsumes"), "system=s&codeA=a", IssueType::Required, "codeB"),
        (("ConceptMap", "translate"), "url=none&system=s&code=a", IssueType::NotFound, "none"),
    ];
    for (operation, text, kind, message) in cases {
        let error = run(operation, &query(text), None).unwrap_err();
        assert_eq!(error.kind, kind, "{text}: {error}");
        assert!(error.message.contains(message), "{text}: {error}");
    }
    let other = json!({ "resourceType": "Patient" });
    assert_eq!(run(("ValueSet", "expand"), &other, None).unwrap_err().kind, IssueType::Invalid);
    assert_eq!(Operation::of("CodeSystem", "closure"), None);
}
