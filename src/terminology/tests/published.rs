//! The published terminology of R4, with calls and expansions whose answers are known.
//!
//! The cases are read from beside the project and are not part of it; without them the tests say
//! that they skip. Deviations are listed with their reasons in
//! `conformance/terminology/known.json`, and a listed one that passes fails.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use serde_json::{Value, json};

use super::part;
use crate::definitions::Definitions;
use crate::fhir::IssueType;
use crate::terminology::coded::{Code, Coded};
use crate::terminology::expand::{ExpandRequest, ValueSetSource, expand};
use crate::terminology::load::resource;
use crate::terminology::lookup::{LookupRequest, lookup};
use crate::terminology::subsumes::subsumes;
use crate::terminology::translate::{ConceptMapSource, TranslateRequest, translate};
use crate::terminology::validate_code::{ValidateCodeRequest, in_code_system, in_value_set};
use crate::terminology::{Terminology, TerminologyError};

fn folder() -> Option<PathBuf> {
    let shared = std::env::var("SPONDYL_SHARED").unwrap_or_else(|_| "../shared".into());
    let folder = Path::new(&shared).join("standard/cases/terminology");
    if folder.exists() {
        return Some(folder);
    }
    println!("skipped: the published terminology is not at hand");
    None
}

fn lines(path: &Path) -> Vec<u8> {
    let output = Command::new("gzip").arg("-dc").arg(path).output().unwrap();
    assert!(output.status.success(), "gzip must read {}", path.display());
    output.stdout
}

fn published(folder: &Path) -> Terminology {
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    for file in ["codesystems", "valuesets", "conceptmaps"] {
        let bytes = lines(&folder.join(format!("{file}.ndjson.gz")));
        let added = resource::ndjson(&mut held, bytes.as_slice()).unwrap();
        println!("{file}: {} loaded", added.len());
    }
    held
}

/// Deviations and their reasons.
fn known() -> BTreeMap<String, String> {
    serde_json::from_str(include_str!("../../../conformance/terminology/known.json")).unwrap()
}

fn text<'a>(case: &'a Value, key: &str) -> &'a str {
    case[key].as_str().unwrap_or_default()
}

/// What the case expects and what came, in the words of the case.
fn run(held: &Terminology, case: &Value) -> (Value, Value) {
    let coded = Coded::Code(Code {
        system: case["system"].as_str(),
        code: text(case, "code"),
        ..Code::default()
    });
    let expect = &case["expect"];
    match text(case, "op") {
        "CodeSystem/$lookup" => {
            let request = LookupRequest { coded, display_language: None, property: Vec::new() };
            let found = match lookup(held, &request) {
                Ok(answer) => {
                    json!({ "status": 200, "name": part(&answer, "name"), "display": part(&answer, "display") })
                }
                Err(error) if error.kind == IssueType::NotFound => json!({ "status": 404 }),
                Err(error) => json!(error.message),
            };
            (expect.clone(), found)
        }
        "CodeSystem/$validate-code" => {
            let request = ValidateCodeRequest::new(coded);
            (
                expect.clone(),
                single(in_code_system(held, text(case, "url"), None, &request), "result"),
            )
        }
        "ValueSet/$validate-code" => {
            let set = ValueSetSource::Canonical(text(case, "url"));
            let request = ValidateCodeRequest::new(coded);
            (expect.clone(), single(in_value_set(held, set, &request), "result"))
        }
        "CodeSystem/$subsumes" => {
            let code = |key| Coded::Code(Code { code: text(case, key), ..Code::default() });
            let answer = subsumes(held, case["system"].as_str(), code("codeA"), code("codeB"));
            (expect.clone(), single(answer, "outcome"))
        }
        "ConceptMap/$translate" => {
            let map = ConceptMapSource::Canonical(text(case, "url"));
            let mut request = TranslateRequest::new(map, coded);
            request.target = case["target"].as_str();
            let found =
                translate(held, &request).map_or_else(|e| json!(e.message), |a| translated(&a));
            (expect.clone(), found)
        }
        other => panic!("{other} is not known"),
    }
}

fn single(answer: Result<Value, TerminologyError>, name: &str) -> Value {
    answer.map_or_else(|error| json!(error.message), |answer| json!({ name: part(&answer, name) }))
}

fn translated(answer: &Value) -> Value {
    let list = answer["parameter"].as_array().unwrap().iter();
    let matches = list.filter(|parameter| parameter["name"] == "match").map(|found| {
        let parts = found["part"].as_array().unwrap();
        let get = |name: &str| parts.iter().find(|part| part["name"] == name).cloned().unwrap_or_default();
        json!({ "equivalence": get("equivalence")["valueCode"], "code": get("concept")["valueCoding"]["code"] })
    });
    json!({ "result": part(answer, "result"), "matches": matches.collect::<Vec<_>>() })
}

/// The calls of `operation-cases.jsonl` (computed from the R4 4.0.1 definitions, CC0).
#[test]
fn operations() {
    let Some(folder) = folder() else { return };
    let held = published(&folder);
    let cases = std::fs::read_to_string(folder.join("operation-cases.jsonl")).unwrap();
    let known = known();
    let mut counts: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    let mut surprises = Vec::new();
    for line in cases.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        let (expected, found) = run(&held, &case);
        let count = counts.entry(text(&case, "op").to_owned()).or_default();
        let passed = expected == found;
        count.0 += usize::from(passed);
        count.1 += 1;
        if passed == known.contains_key(text(&case, "id")) {
            surprises.push(format!("{case}\n  {found}"));
        }
    }
    for (operation, (passed, all)) in &counts {
        println!("{operation}: {passed} of {all}");
        assert!(passed * 100 >= all * 95, "{operation} passes {passed} of {all}");
    }
    assert!(surprises.is_empty(), "{} surprises:\n{}", surprises.len(), surprises.join("\n"));
}

/// The same calls, but for translations, answered by what is built into the program: the code
/// systems and value sets of R4 need not be loaded.
#[test]
fn operations_on_what_is_built_in() {
    let Some(folder) = folder() else { return };
    let held = Terminology::new(Arc::new(Definitions::embedded().unwrap()));
    let cases = std::fs::read_to_string(folder.join("operation-cases.jsonl")).unwrap();
    let known = known();
    let (mut passed, mut failed) = (0, Vec::new());
    for line in cases.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        if text(&case, "op") == "ConceptMap/$translate" || known.contains_key(text(&case, "id")) {
            continue;
        }
        let (expected, found) = run(&held, &case);
        if expected == found { passed += 1 } else { failed.push(format!("{case}\n  {found}")) }
    }
    println!("{passed} of {} calls", passed + failed.len());
    assert!(failed.is_empty(), "{}:\n{}", failed.len(), failed.join("\n"));
}

fn codes(set: &Value) -> Vec<String> {
    let list = set["expansion"]["contains"].as_array().cloned().unwrap_or_default();
    list.iter().map(|item| item["code"].as_str().unwrap().to_owned()).collect()
}

/// The value set expansion tests of R4 4.0.1 (test-cases.zip, vs-expansion-tests.xml, CC0).
#[test]
fn expansions() {
    let Some(folder) = folder() else { return };
    let mut held = published(&folder);
    let bundle = std::fs::read(folder.join("r4-vs-expansion-tests.bundle.json")).unwrap();
    resource::json(&mut held, bundle.as_slice()).unwrap();
    let expected = std::fs::read(folder.join("r4-vs-expansion-tests.expected.json")).unwrap();
    let expected: Vec<Value> = serde_json::from_slice(&expected).unwrap();
    assert!(expected.len() >= 8);
    for case in &expected {
        let url = text(case, "url");
        let request = ExpandRequest::new(ValueSetSource::Canonical(url), "2026-01-01T00:00:00Z");
        let set = expand(&held, &request).unwrap();
        assert_eq!(json!(codes(&set)), case["expected"], "{url}");
    }
}

/// Every value set of R4: an expansion, or an error that says what is missing; and every code of an
/// expansion is a member, so that the two ways to read a composition agree.
#[test]
fn all_value_sets() {
    let Some(folder) = folder() else { return };
    let held = published(&folder);
    let sets = lines(&folder.join("valuesets.ndjson.gz"));
    let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
    let (mut expanded, mut members) = (0, 0);
    let known = known();
    for line in sets.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        let set: Value = serde_json::from_slice(line).unwrap();
        let url = text(&set, "url");
        let request = ExpandRequest::new(ValueSetSource::Canonical(url), "2026-01-01T00:00:00Z");
        match expand(&held, &request) {
            Ok(set) => {
                expanded += 1;
                for item in set["expansion"]["contains"].as_array().into_iter().flatten() {
                    let (system, code) = (item["system"].as_str(), text(item, "code"));
                    let found = held.membership(url, system, code);
                    assert_eq!(found, crate::terminology::Membership::In, "{url} {code}");
                    members += 1;
                }
            }
            Err(error) => {
                let absent =
                    error.kind == IssueType::NotFound && !error.message.contains("version");
                let explained = known.contains_key(&format!("expand {url}"));
                assert!(absent != explained, "{url}: {error}");
                *reasons.entry(error.kind.as_str()).or_default() += 1;
            }
        }
    }
    println!("{expanded} value sets expanded to {members} codes; not: {reasons:?}");
    assert!(expanded >= 1_150, "{expanded} expanded");
}
