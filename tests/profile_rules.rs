//! The cases under `conformance/validation/profile-rule`: each kind of rule that a profile or an
//! extension can state, on an instance that keeps it and on one that breaks it.
//!
//! The README there tells the form. All issues of an instance are to be as the case says, and every
//! file has cases of both kinds. Definitions that cannot be met, or allow what their base does not,
//! are told with the element.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test says what it skips, and fails where it stands"
)]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value, json};
use spondyl::definitions::{Definitions, embedded, profile};
use spondyl::fhir::{Issue, Resource};
use spondyl::validation::Validator;

fn files() -> Vec<(String, Value)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/validation/profile-rule");
    let paths = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let is_json = |path: &PathBuf| path.extension().is_some_and(|extension| extension == "json");
    let mut files: Vec<_> = paths
        .filter(is_json)
        .map(|path| {
            let name = path.file_stem().unwrap().to_string_lossy().into_owned();
            let text = fs::read(&path).unwrap();
            (name.clone(), serde_json::from_slice(&text).unwrap_or_else(|e| panic!("{name}: {e}")))
        })
        .collect();
    files.sort_by(|a, b| a.0.cmp(&b.0));
    files
}

fn list<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    value[key].as_array().map(Vec::as_slice).unwrap_or_default()
}

/// The built-in definitions and those of a file.
fn definitions(file: &Value) -> Arc<Definitions> {
    let own: Vec<(String, Vec<u8>)> = list(file, "definitions")
        .iter()
        .map(|definition| {
            (format!("profile/own-{}.json", definition["id"]), definition.to_string())
        })
        .map(|(path, text)| (path, text.into_bytes()))
        .collect();
    let own = own.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice()));
    let embedded: Vec<(&str, &[u8])> = embedded::files().collect();
    Arc::new(Definitions::load(embedded.into_iter().chain(own)).unwrap())
}

/// The instance of a case: its own, or another's with a JSON Patch on it.
fn instance(cases: &[Value], case: &Value) -> Value {
    if case["base"].is_null() {
        return case["resource"].clone();
    }
    let base = cases.iter().find(|other| other["id"] == case["base"]);
    let mut value = instance(cases, base.unwrap_or_else(|| panic!("{}: no base", case["id"])));
    let patch: json_patch::Patch = serde_json::from_value(case["patch"].clone()).unwrap();
    json_patch::patch(&mut value, &patch).unwrap_or_else(|e| panic!("{}: {e}", case["id"]));
    value
}

fn line(issue: &Issue) -> String {
    let place = issue.expression.as_deref().unwrap_or("-");
    format!("{} {} {place}", issue.severity.as_str(), issue.code.as_str())
}

#[test]
fn rules_accept_and_refuse_what_their_cases_say() {
    let mut ids = BTreeSet::new();
    let mut failures = Vec::new();
    for (name, file) in files() {
        let validator = Validator::new(definitions(&file));
        let cases = list(&file, "cases");
        let mut kinds = BTreeSet::new();
        for case in cases {
            let id = case["id"].as_str().unwrap();
            assert!(ids.insert(id.to_owned()), "{id} is there twice");
            let spec = case["spec"].as_str().or(file["spec"].as_str()).unwrap();
            assert!(spec.starts_with("http://hl7.org/fhir/R4/"), "{id}: spec");
            let resource = Resource::from_value(instance(cases, case)).unwrap();
            let profile = case["profile"].as_str().or(file["profile"].as_str());
            let issues = match profile {
                Some(profile) => validator.check_profile(&resource, profile).unwrap(),
                None => validator.check(&resource),
            };
            kinds.insert(issues.iter().any(Issue::is_error));
            let found: Vec<String> = issues.iter().map(line).collect();
            let expected: Vec<&str> =
                list(case, "issues").iter().map(|issue| issue.as_str().unwrap()).collect();
            if found != expected {
                let told: Vec<&str> = issues.iter().map(|i| i.diagnostics.as_str()).collect();
                failures.push(format!(
                    "{name} {id}\n  expected {expected:?}\n  found {found:?}\n  {told:?}"
                ));
            }
        }
        assert!(cases.is_empty() || kinds.len() == 2, "{name} has cases of one kind");
    }
    println!("{} cases", ids.len());
    assert!(failures.is_empty(), "{} of {}\n{}", failures.len(), ids.len(), failures.join("\n"));
}

/// A definition that is wrong is told with the element; those of the other files have no fault.
#[test]
fn broken_definitions_are_told() {
    let mut failures = Vec::new();
    let mut count = 0;
    for (name, file) in files() {
        let definitions = definitions(&file);
        let profiles = list(&file, "definitions").iter();
        for profile in profiles.filter(|d| d["resourceType"] == "StructureDefinition") {
            let faults = profile::faults(&definitions, &Arc::new(profile.clone()));
            if !faults.is_empty() {
                failures.push(format!("{name}: {faults:?}"));
            }
        }
        for broken in list(&file, "broken") {
            count += 1;
            let mut definition = list(&file, "template")[0].clone();
            let patch: json_patch::Patch = serde_json::from_value(broken["patch"].clone()).unwrap();
            json_patch::patch(&mut definition, &patch).unwrap();
            let faults = profile::faults(&definitions, &Arc::new(definition));
            let found: Vec<&str> = faults.iter().map(|fault| fault.message.as_str()).collect();
            let expected: Vec<&str> =
                list(broken, "faults").iter().map(|fault| fault.as_str().unwrap()).collect();
            if found != expected {
                failures
                    .push(format!("{}\n  expected {expected:?}\n  found {found:?}", broken["id"]));
            }
        }
    }
    assert!(count > 10, "only {count} broken definitions were found");
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// What is built in allows nothing beyond its base.
#[test]
fn built_in_profiles_have_no_fault() {
    let definitions = Definitions::load(embedded::files()).unwrap();
    let mut faults = Vec::new();
    for url in definitions.structure_urls() {
        let definition = definitions.structure(url).unwrap().unwrap();
        faults.extend(profile::faults(&definitions, &definition));
    }
    assert!(faults.is_empty(), "{faults:?}");
}

/// The core profiles as a package would bring them: with a snapshot, over a base that is not held.
#[test]
fn profiles_are_read_from_their_snapshots() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shared = std::env::var("SPONDYL_SHARED").map_or(root.join("../shared"), PathBuf::from);
    let Ok(text) = fs::read_to_string(shared.join("standard/r4/profiles.ndjson")) else {
        println!("skipped: the definitions of the standard are not at hand");
        return;
    };
    let definitions = Definitions::load(embedded::files()).unwrap();
    let mut failures = Vec::new();
    for line in text.lines() {
        let mut definition: Value = serde_json::from_str(line).unwrap();
        let elements = definition["element"].take();
        definition["snapshot"] = json!({ "element": elements });
        definition["baseDefinition"] = json!("https://elsewhere.example/StructureDefinition/base");
        let faults = profile::faults(&definitions, &Arc::new(definition));
        failures.extend(faults.iter().map(ToString::to_string));
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}
