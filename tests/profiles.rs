//! The cases under `conformance/validation/profile`: what each of our profiles accepts and refuses.
//!
//! The README there tells the form. Every error that is found must be expected, and every issue that
//! is expected must be found.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use spondyl::definitions::{Definitions, embedded};
use spondyl::fhir::{Issue, IssueType, Resource};
use spondyl::validation::Validator;

type Told = BTreeSet<(String, String, String)>;

fn files() -> BTreeMap<String, Value> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/validation/profile");
    let paths = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let json = paths.filter(|path| path.extension().is_some_and(|extension| extension == "json"));
    json.map(|path| {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        (name, serde_json::from_slice(&fs::read(path).unwrap()).unwrap())
    })
    .collect()
}

/// The instance of a case: its own, or another's with a JSON Patch on it.
fn instance(cases: &[Value], case: &Value) -> Value {
    let Some(base) = case["base"].as_str() else { return case["resource"].clone() };
    let base = cases.iter().find(|other| other["id"] == base).unwrap();
    let mut value = instance(cases, base);
    let patch: json_patch::Patch = serde_json::from_value(case["patch"].clone()).unwrap();
    json_patch::patch(&mut value, &patch).unwrap();
    value
}

fn expected(case: &Value) -> Told {
    let text = |issue: &Value, key: &str| issue[key].as_str().unwrap().to_owned();
    let issues = case["expect"].as_array().unwrap().iter();
    issues.map(|i| (text(i, "severity"), text(i, "code"), text(i, "expression"))).collect()
}

/// What the profile says; the core type's own invariants are not ours to list.
fn found(issues: &[Issue]) -> Told {
    let core = |issue: &&Issue| {
        let ours = issue.rule.as_deref().is_some_and(|rule| rule.starts_with("spo-"));
        issue.code == IssueType::Invariant && !ours
    };
    let told = |issue: &Issue| {
        let expression = issue.expression.clone().unwrap_or_default();
        (issue.severity.as_str().to_owned(), issue.code.as_str().to_owned(), expression)
    };
    issues.iter().filter(|issue| !core(issue)).map(told).collect()
}

#[test]
fn profiles_accept_and_refuse_what_their_cases_say() {
    let definitions = Definitions::load(embedded::files()).unwrap();
    let validator = Validator::new(Arc::new(definitions));
    let mut failures = Vec::new();
    let mut count = 0;
    for (file, content) in files() {
        let profile = content["profile"].as_str().unwrap();
        let cases = content["cases"].as_array().unwrap();
        for case in cases {
            count += 1;
            let id = case["id"].as_str().unwrap();
            let resource = Resource::from_value(instance(cases, case)).unwrap();
            let found = found(&validator.check_profile(&resource, profile).unwrap());
            let expected = expected(case);
            let missed: Vec<_> = expected.difference(&found).collect();
            let errors = found.difference(&expected).filter(|(severity, ..)| severity == "error");
            let invented: Vec<_> = errors.collect();
            if !missed.is_empty() || !invented.is_empty() {
                failures.push(format!("{file} {id}: missed {missed:?}, invented {invented:?}"));
            }
        }
    }
    assert!(count > 250, "only {count} cases were found");
    assert!(failures.is_empty(), "{} of {count}\n{}", failures.len(), failures.join("\n"));
}

/// Each profile on a resource has cases of both kinds, and each constraint of ours is shown refusing.
#[test]
fn every_profile_and_every_constraint_has_a_case() {
    let files = files();
    let rules: BTreeSet<String> = files
        .values()
        .flat_map(|file| file["cases"].as_array().unwrap())
        .filter_map(|case| case["rule"].as_str().map(str::to_owned))
        .collect();
    for (path, bytes) in embedded::files() {
        if !path.starts_with("profile/structure-definition-") {
            continue;
        }
        let profile: Value = serde_json::from_slice(bytes).unwrap();
        if profile["type"] != "Extension" {
            let file = files.get(profile["id"].as_str().unwrap());
            let cases = file.unwrap_or_else(|| panic!("{path} has no cases"))["cases"].as_array();
            let refuses = |case: &&Value| !case["expect"].as_array().unwrap().is_empty();
            let refused = cases.unwrap().iter().filter(refuses).count();
            assert!(refused > 0 && refused < cases.unwrap().len(), "{path} has cases of one kind");
        }
        for element in profile["differential"]["element"].as_array().unwrap() {
            for constraint in element["constraint"].as_array().into_iter().flatten() {
                let key = constraint["key"].as_str().unwrap();
                let shown = rules.iter().any(|rule| {
                    rule.split(|c: char| !c.is_alphanumeric() && c != '-').any(|word| word == key)
                });
                assert!(shown, "{path}: {key} is shown in no case");
            }
        }
    }
}
