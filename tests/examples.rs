//! The validator against instances of other origin: official examples, which are to be accepted,
//! and mutations of them, which are to be refused.
//!
//! Where the published files are absent the tests say that they skip.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test says what it skips, and fails where it stands"
)]

mod shared;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use spondyl::definitions::Definitions;
use spondyl::fhir::{Issue, Resource, json};
use spondyl::validation::Validator;

fn validator() -> Validator {
    Validator::new(Arc::new(Definitions::embedded().unwrap()))
}

/// The issues of a file; a text that is no resource has one.
fn check(validator: &Validator, path: &Path) -> Vec<Issue> {
    let bytes = fs::read(path).unwrap();
    let refuse = |text: String| vec![Issue::error(spondyl::fhir::IssueType::Structure, text)];
    match json::parse(&bytes, json::MAX_DEPTH).map(Resource::from_value) {
        Ok(Ok(resource)) => validator.check(&resource),
        Ok(Err(error)) => refuse(error.to_string()),
        Err(error) => refuse(error.to_string()),
    }
}

fn errors(issues: &[Issue]) -> Vec<String> {
    let errors = issues.iter().filter(|issue| issue.is_error());
    errors
        .map(|i| {
            format!(
                "{} {}: {} ({})",
                i.code.as_str(),
                i.expression.as_deref().unwrap_or("-"),
                i.diagnostics,
                i.rule.as_deref().unwrap_or("-")
            )
        })
        .collect()
}

/// Every schema, profile and extension that is held can be compiled.
#[test]
fn every_definition_compiles() {
    let faults = validator().faults();
    assert!(faults.is_empty(), "{faults:#?}");
}

/// Each is meant to be valid R4; those that are not are listed with the reason.
#[test]
fn official_examples_are_accepted() {
    let Some(dir) = shared::find("standard/examples") else { return };
    let listed: BTreeMap<String, String> = {
        let text = fs::read_to_string("conformance/validation/examples-refused.json").unwrap();
        let list: Vec<Value> = serde_json::from_str(&text).unwrap();
        let text = |v: &Value, key: &str| v[key].as_str().unwrap().to_owned();
        list.iter().map(|v| (text(v, "file"), text(v, "reason"))).collect()
    };
    let validator = validator();
    let mut refused = BTreeMap::new();
    let mut count = 0;
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        count += 1;
        let errors = errors(&check(&validator, &path));
        if !errors.is_empty() {
            refused.insert(path.file_name().unwrap().to_string_lossy().into_owned(), errors);
        }
    }
    println!("{count} examples, {} refused", refused.len());
    let unlisted: Vec<_> = refused.iter().filter(|(file, _)| !listed.contains_key(*file)).collect();
    assert!(unlisted.is_empty(), "{unlisted:#?}");
    let files: BTreeSet<&String> = refused.keys().collect();
    let accepted: Vec<_> = listed.keys().filter(|file| !files.contains(file)).collect();
    assert!(accepted.is_empty(), "listed as refused, but accepted: {accepted:?}");
}

/// The kinds of mutation of which every one is refused.
const REFUSED: &[&str] = &[
    "unknown-element",
    "json-structure",
    "primitive-regex",
    "json-type",
    "choice",
    "cardinality",
    "binding",
    "reference-target",
    "xhtml",
    "invariant",
];

#[test]
fn mutated_examples_are_refused() {
    let Some(dir) = shared::find("standard/cases/validator-mutations") else { return };
    let validator = validator();
    let mut by_feature: BTreeMap<String, (u32, u32)> = BTreeMap::new();
    let mut missed = Vec::new();
    let mut elsewhere = Vec::new();
    let manifest = fs::read_to_string(dir.join("MANIFEST.tsv")).unwrap();
    for line in manifest.lines().skip(1) {
        let fields: Vec<&str> = line.split('\t').collect();
        let issues = check(&validator, &dir.join(fields[0]));
        let found = errors(&issues);
        let (caught, all) = by_feature.entry(fields[6].to_owned()).or_default();
        *all += 1;
        if found.is_empty() {
            missed.push(format!("{}: {}", fields[5], fields[2]));
        } else {
            *caught += 1;
            let place = fields[2].strip_prefix("invalid at ").unwrap_or_default();
            let place = place.split(' ').next().unwrap_or_default();
            if !issues.iter().any(|i| i.is_error() && i.expression.as_deref() == Some(place)) {
                elsewhere.push(format!("{}: {} but {found:?}", fields[5], fields[2]));
            }
        }
    }
    println!("{by_feature:#?}");
    println!("missed: {missed:#?}");
    println!("told at another place: {elsewhere:#?}");
    for feature in REFUSED {
        let (caught, all) = by_feature.get(*feature).copied().unwrap_or_default();
        assert_eq!(caught, all, "{feature}");
    }
}
