//! The operations of patches themselves, on documents that need not be resources: the corpus of JSON
//! Patch that registries carry, from `SPONDYL_PATCH_SUITE`, the directory of the package (npm:
//! json-patch-test-suite, from github.com/json-patch/json-patch-tests); the published cases where
//! they are at hand; and what must hold of all patches, on random ones.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stderr,
    reason = "a test may fail loudly, and says what it skips"
)]

#[path = "shared/mod.rs"]
mod shared;

use std::path::PathBuf;

use proptest::prelude::{Just, Strategy, any, prop_assert, prop_assert_eq, prop_oneof, proptest};
use proptest::test_runner::Config;
use serde_json::{Value, json};
use spondyl::fhir::Resource;
use spondyl::fhir::json::compare::equal;
use spondyl::interaction::patch::Patch;

/// What the patch makes of the document; the sentence if it is refused.
fn patched(document: &Value, patch: &str) -> Result<Value, String> {
    let patch = Patch::json(patch.as_bytes()).map_err(|error| error.to_string())?;
    patch.edit(document.clone()).map_err(|error| error.to_string())
}

/// Checks a case whose patch is that text; says what is wrong.
fn check(document: &Value, patch: &str, expected: Option<&Value>) -> Result<(), String> {
    match (patched(document, patch), expected) {
        (Ok(found), Some(expected)) if equal(&found, expected) => Ok(()),
        (Err(_), None) => Ok(()),
        (found, expected) => Err(format!("{patch}: {found:?}, expected {expected:?}")),
    }
}

fn assert_all(faults: &[String], cases: usize, least: usize) {
    assert!(faults.is_empty(), "{} of {cases}:\n{}", faults.len(), faults.join("\n"));
    assert!(cases >= least, "only {cases} cases");
}

/// Where a case twice names a member, only its text says so; JSON readers keep the last.
fn repeats_a_member(case: &Value) -> bool {
    case["comment"].as_str().is_some_and(|text| text.contains("duplicate"))
}

#[test]
fn the_package() {
    let Some(folder) = std::env::var_os("SPONDYL_PATCH_SUITE").map(PathBuf::from) else {
        eprintln!("skipped: SPONDYL_PATCH_SUITE names no package");
        return;
    };
    let (mut count, mut faults) = (0, Vec::new());
    for file in ["tests.json", "spec_tests.json"] {
        let text = std::fs::read_to_string(folder.join(file)).unwrap();
        let cases: Vec<Value> = serde_json::from_str(&text).unwrap();
        for case in cases {
            if case["disabled"] == true || repeats_a_member(&case) {
                continue;
            }
            count += 1;
            // Without an outcome the case only says that there is one.
            let expected = match (case.get("error"), case.get("expected")) {
                (Some(_), _) => None,
                (None, Some(expected)) => Some(expected.clone()),
                (None, None) => patched(&case["doc"], &case["patch"].to_string()).ok(),
            };
            let wants_error = case.get("error").is_some();
            if expected.is_none() != wants_error {
                faults.push(format!("{} is refused", case["comment"]));
                continue;
            }
            let told = check(&case["doc"], &case["patch"].to_string(), expected.as_ref());
            faults.extend(told.err().map(|fault| format!("{}: {fault}", case["comment"])));
        }
    }
    assert_all(&faults, count, 85);
}

/// The document of a case: as it stands there, or the example that it names.
fn document(told: &Value) -> Value {
    let named = told.as_str().filter(|text| text.contains('/'));
    let file = named.and_then(|name| shared::find(&format!("standard/cases/{name}")));
    let read = |file| serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    file.map_or_else(|| told.clone(), read)
}

#[test]
fn published_cases() {
    let Some(file) = shared::find("standard/cases/patch-tests/json-patch.jsonl") else { return };
    let text = std::fs::read_to_string(file).unwrap();
    let (mut count, mut faults) = (0, Vec::new());
    for line in text.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        // What only a server of resources refuses is asked of it through HTTP.
        let id = case["id"].as_str().unwrap();
        if case["disabled"] == true || repeats_a_member(&case) || id.starts_with("refuse") {
            continue;
        }
        count += 1;
        let document = document(&case["doc"]);
        let expected = (case["has_expected"] == true).then_some(&case["expected"]);
        if expected.is_none() && case["error"].is_null() {
            let told = patched(&document, &case["patch"].to_string());
            faults.extend(told.err().map(|fault| format!("{id}: {fault}")));
            continue;
        }
        let told = check(&document, &case["patch"].to_string(), expected);
        faults.extend(told.err().map(|fault| format!("{id}: {fault}")));
    }
    assert_all(&faults, count, 60);
}

/// Any document, small.
fn document_of_any_kind() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-3..4i64).prop_map(Value::from),
        "[a-c~/]{0,2}".prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 24, 4, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            proptest::collection::btree_map("[a-c~/]{0,2}", inner, 0..4)
                .prop_map(|members| members.into_iter().collect()),
        ]
    })
}

/// What is done to a list by a FHIRPath Patch.
#[derive(Clone, Debug)]
enum Change {
    Insert(usize),
    Delete(usize),
    Replace(usize),
    Move(usize, usize),
    Add,
}

fn change() -> impl Strategy<Value = Change> {
    let place = 0..5usize;
    prop_oneof![
        place.clone().prop_map(Change::Insert),
        place.clone().prop_map(Change::Delete),
        place.clone().prop_map(Change::Replace),
        (place.clone(), place).prop_map(|(from, to)| Change::Move(from, to)),
        Just(Change::Add),
    ]
}

/// A value with the id beside it, if it has one.
type Given = (String, Option<String>);

/// The same change to a list in memory; none where it does not fit.
fn changed(list: &[Given], change: &Change, new: &Given) -> Option<Vec<Given>> {
    let mut list = list.to_vec();
    match *change {
        Change::Insert(at) if at <= list.len() => list.insert(at, new.clone()),
        Change::Delete(at) if at < list.len() => drop(list.remove(at)),
        // What is not there is deleted already.
        Change::Delete(_) => {}
        Change::Replace(at) => *list.get_mut(at)? = new.clone(),
        Change::Move(from, to) if from < list.len() && to < list.len() => {
            let moved = list.remove(from);
            list.insert(to, moved);
        }
        Change::Add => list.push(new.clone()),
        Change::Insert(_) | Change::Move(..) => return None,
    }
    Some(list)
}

/// The name with that list, as JSON has it.
fn patient(list: &[Given]) -> Value {
    let mut name = json!({ "family": "x" });
    if !list.is_empty() {
        name["given"] = list.iter().map(|(text, _)| json!(text)).collect();
        if list.iter().any(|(_, id)| id.is_some()) {
            let beside =
                |(_, id): &Given| id.as_ref().map_or(Value::Null, |id| json!({ "id": id }));
            name["_given"] = list.iter().map(beside).collect();
        }
    }
    json!({ "resourceType": "Patient", "name": [name] })
}

fn as_operation(change: &Change, (text, id): &Given) -> Value {
    let path = match change {
        Change::Delete(at) | Change::Replace(at) => format!("Patient.name[0].given[{at}]"),
        Change::Add => "Patient.name[0]".to_owned(),
        _ => "Patient.name[0].given".to_owned(),
    };
    let number = |name: &str, number: &usize| json!({ "name": name, "valueInteger": number });
    let (kind, mut part) = match change {
        Change::Insert(at) => ("insert", vec![number("index", at)]),
        Change::Delete(_) => ("delete", vec![]),
        Change::Replace(_) => ("replace", vec![]),
        Change::Move(from, to) => ("move", vec![number("source", from), number("destination", to)]),
        Change::Add => ("add", vec![json!({ "name": "name", "valueString": "given" })]),
    };
    if !matches!(change, Change::Delete(_) | Change::Move(..)) {
        let mut value = json!({ "name": "value", "valueString": text });
        if let Some(id) = id {
            value["_valueString"] = json!({ "id": id });
        }
        part.push(value);
    }
    part.push(json!({ "name": "type", "valueCode": kind }));
    part.push(json!({ "name": "path", "valueString": path }));
    let parameter = json!([{ "name": "operation", "part": part }]);
    json!({ "resourceType": "Parameters", "parameter": parameter })
}

proptest! {
    #![proptest_config(Config { failure_persistence: None, ..Config::default() })]

    /// The difference of two documents, as a patch, makes the one of the other; each of its tests
    /// holds where the document is as it was, and afterwards nothing is left to be done.
    #[test]
    fn differences_lead_there(one in document_of_any_kind(), other in document_of_any_kind()) {
        let patch = json_patch::diff(&one, &other);
        let done = patched(&one, &serde_json::to_string(&patch).unwrap());
        prop_assert_eq!(done.as_ref(), Ok(&other));
        let test = json!([{ "op": "test", "path": "", "value": other }]).to_string();
        prop_assert_eq!(patched(&other, &test), Ok(other.clone()));
        prop_assert_eq!(patched(&one, &test).is_ok(), equal(&one, &other));
    }

    /// The operations of a FHIRPath Patch on the repeats of a primitive do what they do to a list,
    /// with what is said beside each.
    #[test]
    fn lists_and_what_is_said_beside_them(
        begin in proptest::collection::vec(("[a-z]", proptest::option::of("[a-z]")), 0..4),
        changes in proptest::collection::vec((change(), ("[A-Z]", proptest::option::of("[A-Z]"))), 1..8),
    ) {
        let mut list = begin;
        let mut resource = patient(&list);
        for (change, new) in changes {
            // A list that has nothing is no element that could be found, but for an insert.
            let expected = match change {
                Change::Move(..) if list.is_empty() => None,
                _ => changed(&list, &change, &new),
            };
            let parameters = Resource::from_value(as_operation(&change, &new)).unwrap();
            let done = Patch::parameters(&parameters).unwrap().edit(resource.clone());
            prop_assert_eq!(done.is_ok(), expected.is_some(), "{:?} {:?}", change, list);
            if let (Ok(done), Some(expected)) = (done, expected) {
                prop_assert!(equal(&done, &patient(&expected)), "{:?} {}", change, done);
                (resource, list) = (done, expected);
            }
        }
    }
}
