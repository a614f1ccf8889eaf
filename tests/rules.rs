//! The cases under `conformance/validation/rule`: each rule of the standard shown at least once
//! holding and once broken, on instances of our own.
//!
//! `conformance/validation/README.md` tells the form. Every error that is found must be expected,
//! and every issue that is expected must be found.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "a test may fail loudly"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::Value;
use spondyl::definitions::Definitions;
use spondyl::fhir::{Issue, Resource};
use spondyl::validation::Validator;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

fn files() -> Vec<(String, Value)> {
    let entries = fs::read_dir(root().join("conformance/validation/rule")).unwrap();
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let name = |path: &Path| path.file_stem().unwrap().to_string_lossy().into_owned();
    paths.iter().map(|path| (name(path), read(path))).collect()
}

/// Rules without a case here: where their case is, or why there is none.
fn elsewhere() -> BTreeMap<String, Value> {
    let list = read(&root().join("conformance/validation/elsewhere.json"));
    list.as_object().unwrap().clone().into_iter().collect()
}

fn instance(file: &Value, case: &Value) -> Value {
    let mut value = file["bases"][case["base"].as_str().unwrap()].clone();
    assert!(value.is_object(), "{}: no such base", case["id"]);
    let patch: json_patch::Patch = serde_json::from_value(case["patch"].clone()).unwrap();
    json_patch::patch(&mut value, &patch).unwrap();
    value
}

fn line(issue: &Issue) -> String {
    let rule = issue.rule.as_deref().unwrap_or("-");
    let place = issue.expression.as_deref().unwrap_or("-");
    [issue.severity.as_str(), issue.code.as_str(), place, rule].join(" ")
}

fn expected(case: &Value) -> BTreeSet<String> {
    let list = case["issues"].as_array().unwrap().iter();
    list.map(|line| line.as_str().unwrap().to_owned()).collect()
}

/// A case whose verdict is not yet right stands in `known` of its file, with the reason.
#[test]
fn rules_hold_and_are_broken_where_their_cases_say() {
    let validator = Validator::new(Arc::new(Definitions::embedded().unwrap()));
    let (mut failures, mut count) = (Vec::new(), 0);
    for (name, file) in files() {
        let mut ids = BTreeSet::new();
        for case in file["cases"].as_array().unwrap() {
            let id = case["id"].as_str().unwrap();
            assert!(ids.insert(id), "{name}: {id} is there twice");
            let resource = Resource::from_value(instance(&file, case)).unwrap();
            let found: BTreeSet<String> = validator.check(&resource).iter().map(line).collect();
            let expected = expected(case);
            let missed: Vec<_> = expected.difference(&found).collect();
            let more = found.difference(&expected).filter(|line| line.starts_with("error"));
            let more: Vec<_> = more.collect();
            let is_known = file["known"][id].is_string();
            match (missed.is_empty() && more.is_empty(), is_known) {
                (false, false) => failures.push(format!("{name} {id}: {missed:?} but {more:?}")),
                (true, true) => failures.push(format!("{name} {id}: is right now, so not known")),
                _ => {}
            }
            count += 1;
        }
    }
    println!("{count} cases");
    assert!(failures.is_empty(), "{} of {count}\n{}", failures.len(), failures.join("\n"));
}

/// Each constraint of the types that a clinic uses, and of the data types, has a case of both kinds.
#[test]
fn every_constraint_has_a_case() {
    let shown = shown();
    let elsewhere = elsewhere();
    let mut keys = BTreeSet::new();
    for name in RESOURCES {
        constraints(&read(&root().join(format!("schemas/resource/{name}.json"))), &mut keys);
    }
    for entry in fs::read_dir(root().join("schemas/datatype")).unwrap() {
        constraints(&read(&entry.unwrap().path()), &mut keys);
    }
    println!("{} constraints", keys.len());
    for key in keys {
        let (accepts, refuses) = shown.get(key.as_str()).copied().unwrap_or_default();
        assert!(
            accepts && refuses || elsewhere.contains_key(&key),
            "{key}: accepts {accepts}, refuses {refuses}"
        );
    }
}

/// Each keyword of our own has a case that breaks it: here, or the one that `elsewhere.json` names.
#[test]
fn every_keyword_has_a_case() {
    let source = fs::read_to_string(root().join("src/validation/keyword/mod.rs")).unwrap();
    let keywords: BTreeSet<&str> =
        source.split("(\"").filter_map(|rest| rest.split('"').next()).collect();
    let keywords: Vec<_> = keywords.into_iter().filter(|word| word.starts_with("x-")).collect();
    assert!(keywords.len() > 15, "{keywords:?}");
    let (shown, elsewhere) = (shown(), elsewhere());
    let has_case = |keyword: &&str| {
        let here = shown.get(*keyword).is_some_and(|(_, refuses)| *refuses);
        here || elsewhere.contains_key(*keyword)
    };
    let missing: Vec<_> = keywords.into_iter().filter(|keyword| !has_case(keyword)).collect();
    assert!(missing.is_empty(), "no case breaks {missing:?}: name one in elsewhere.json");
}

/// Where `elsewhere.json` names a case, it is there and it refuses.
#[test]
fn cases_elsewhere_are_there() {
    for (rule, place) in elsewhere() {
        let Some(file) = place["file"].as_str() else {
            assert!(place["reason"].is_string(), "{rule}");
            continue;
        };
        let content = read(&root().join("conformance/validation").join(file));
        let cases = content.as_array().or_else(|| content["cases"].as_array()).unwrap();
        let case = cases.iter().find(|case| case["id"] == place["case"]);
        let case = case.unwrap_or_else(|| panic!("{rule}: {file} has no {}", place["case"]));
        let issues = case["issues"].as_array().or_else(|| case["expect"].as_array()).unwrap();
        assert!(!issues.is_empty(), "{rule}: {} refuses nothing", place["case"]);
    }
}

const RESOURCES: [&str; 16] = [
    "AdverseEvent",
    "Bundle",
    "CarePlan",
    "Composition",
    "Condition",
    "Consent",
    "DocumentReference",
    "Encounter",
    "EpisodeOfCare",
    "Flag",
    "Goal",
    "Observation",
    "Patient",
    "Procedure",
    "Provenance",
    "ServiceRequest",
];

/// By rule, whether some case shows it holding and some shows it broken.
fn shown() -> BTreeMap<String, (bool, bool)> {
    let mut shown = BTreeMap::<String, (bool, bool)>::new();
    for (_, file) in files() {
        for case in file["cases"].as_array().unwrap() {
            let (accepts, refuses) =
                shown.entry(case["rule"].as_str().unwrap().to_owned()).or_default();
            let is_sound = case["issues"].as_array().unwrap().is_empty();
            *(if is_sound { accepts } else { refuses }) = true;
        }
    }
    shown
}

fn constraints(schema: &Value, keys: &mut BTreeSet<String>) {
    match schema {
        Value::Object(object) => {
            for constraint in schema["x-invariant"].as_array().into_iter().flatten() {
                keys.insert(constraint["key"].as_str().unwrap().to_owned());
            }
            object.values().for_each(|value| constraints(value, keys));
        }
        Value::Array(list) => list.iter().for_each(|value| constraints(value, keys)),
        _ => {}
    }
}
