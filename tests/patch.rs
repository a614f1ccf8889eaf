//! The corpus of JSON Patch that registries carry, on the operations themselves: its documents are
//! not resources. From `SPONDYL_PATCH_SUITE`, the directory of the package (npm:
//! json-patch-test-suite, from github.com/json-patch/json-patch-tests), and from the published cases
//! where they are at hand.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stderr,
    reason = "a test may fail loudly, and says what it skips"
)]

#[path = "shared/mod.rs"]
mod shared;

use std::path::PathBuf;

use serde_json::Value;
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
