//! Each operation, each refusal, and the published cases.

use serde_json::{Value, json};

use super::*;

fn patched(input: &Value, operations: &Value) -> Result<Value, String> {
    let parameters = json!({ "resourceType": "Parameters", "parameter": operations });
    let resource = Resource::from_value(parameters).unwrap();
    let operations = read(&resource).map_err(|error| error.to_string())?;
    let model = Model::standard().unwrap();
    apply(&operations, &model, input.clone()).map_err(|error| error.to_string())
}

fn operation(kind: &str, path: &str, rest: Value) -> Value {
    let mut parts = vec![
        json!({ "name": "type", "valueCode": kind }),
        json!({ "name": "path", "valueString": path }),
    ];
    parts.extend(rest.as_array().unwrap().iter().cloned());
    json!([{ "name": "operation", "part": parts }])
}

/// The rules of <http://hl7.org/fhir/R4/fhirpatch.html>, one after the other.
#[test]
fn operations() {
    let given = json!({ "resourceType": "Patient", "name": [{ "given": ["a", "b"],
        "_given": [null, { "id": "g" }] }], "birthDate": "1970" });
    let value = |kind: &str, value: Value| {
        let mut part = json!({ "name": "value" });
        part[format!("value{kind}")] = value;
        part
    };
    let name = |name: &str| json!({ "name": "name", "valueString": name });
    let index = |name: &str, at: u64| json!({ "name": name, "valueInteger": at });
    for (operations, pointer, expected) in [
        // Primitives keep what is said beside them, and the two lists stay in line.
        (
            operation("delete", "Patient.name.given[0]", json!([])),
            "/name/0",
            json!({ "given": ["b"], "_given": [{ "id": "g" }] }),
        ),
        (
            operation(
                "insert",
                "Patient.name.given",
                json!([index("index", 0), value("String", json!("c"))]),
            ),
            "/name/0/given",
            json!(["c", "a", "b"]),
        ),
        (
            operation(
                "move",
                "Patient.name.given",
                json!([index("source", 1), index("destination", 0)]),
            ),
            "/name/0/_given",
            json!([{ "id": "g" }, null]),
        ),
        (
            operation(
                "replace",
                "Patient.name.given.where($this = 'a')",
                json!([value("String", json!("z"))]),
            ),
            "/name/0/given/0",
            json!("z"),
        ),
        // Choice elements take the name of their type.
        (
            operation("add", "Patient", json!([name("deceased"), value("Boolean", json!(true))])),
            "/deceasedBoolean",
            json!(true),
        ),
        // A list that has nothing yet.
        (
            operation(
                "insert",
                "Patient.photo",
                json!([index("index", 0), value("Attachment", json!({ "title": "t" }))]),
            ),
            "/photo",
            json!([{ "title": "t" }]),
        ),
        // Deleting what is not there is no fault.
        (operation("delete", "Patient.photo", json!([])), "/birthDate", json!("1970")),
        // Nested types without a name, with repeats.
        (
            operation(
                "add",
                "Patient",
                json!([name("communication"), { "name": "value", "part": [
            { "name": "language", "valueCodeableConcept": { "text": "x" } },
            { "name": "preferred", "valueBoolean": true }] }]),
            ),
            "/communication",
            json!([{ "language": { "text": "x" }, "preferred": true }]),
        ),
    ] {
        let output = patched(&given, &operations).unwrap();
        let found = output.pointer(pointer).cloned().unwrap_or_default();
        assert_eq!(found, expected, "{operations}");
    }
}

#[test]
fn what_does_not_fit_is_told() {
    let given = json!({ "resourceType": "Patient", "active": true,
        "name": [{ "family": "a" }, { "family": "b" }] });
    let code = json!({ "name": "value", "valueCode": "x" });
    let name = |name: &str| json!({ "name": "name", "valueString": name });
    for operations in [
        json!([{ "name": "operations" }]),
        json!([{ "name": "operation", "part": [] }]),
        operation("erase", "Patient.active", json!([])),
        operation("delete", "Patient.name", json!([])),
        operation("delete", "Patient", json!([])),
        operation("delete", "Patient.name.", json!([])),
        operation("replace", "Patient.gender", json!([code])),
        operation("replace", "Patient.active", json!([])),
        operation("add", "Patient", json!([name("active"), code])),
        operation("add", "Patient", json!([name("nothing"), code])),
        operation("add", "Patient", json!([name("deceased"), code])),
        operation("add", "Patient.photo", json!([name("url"), code])),
        operation("insert", "Patient.name", json!([{ "name": "index", "valueInteger": 3 }, code])),
        operation(
            "insert",
            "Patient.active",
            json!([{ "name": "index", "valueInteger": 0 }, code]),
        ),
        operation(
            "move",
            "Patient.name",
            json!([{ "name": "source", "valueInteger": 2 },
            { "name": "destination", "valueInteger": 0 }]),
        ),
    ] {
        assert!(patched(&given, &operations).is_err(), "{operations}");
    }
}

/// The published cases, where they are at hand: FHIR/fhir-test-cases, r4/patch.
#[test]
fn published_cases() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let shared = std::env::var("SPONDYL_SHARED").map_or(root.join("../shared"), Into::into);
    let Ok(text) =
        std::fs::read_to_string(shared.join("standard/cases/patch-tests/fhirpath-patch.jsonl"))
    else {
        println!("skipped: the published cases are not there");
        return;
    };
    for line in text.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        let operations = case["parameters"].get("parameter").cloned().unwrap_or(json!([]));
        let output = patched(&case["input"], &operations);
        assert_eq!(output.unwrap_or_default(), case["output"], "{}", case["id"]);
    }
}
