//! The published test cases of validators for R4: each resource with its verdict.
//!
//! A case is right when a resource that is to be accepted has no error, and one that is to be
//! refused has one. Where the published errors are matters of policy or of terminologies that are
//! not held (verdict `soft`), or where two published verdicts disagree (`disputed`), either answer
//! is right. The definitions beside a case are loaded with the built-in ones. What differs is listed
//! with its reason in `conformance/validation/known-published.json`; what is listed must differ.
//! Where the published files are absent the test says that it skips. `CASE=<part of an id>` shows
//! what is found in the cases of that name.
//! Source: <https://github.com/FHIR/fhir-test-cases> (validator), which are not part of the project.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test says what it skips, and fails where it stands"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::Value;
use spondyl::definitions::{Definitions, embedded};
use spondyl::fhir::{Issue, IssueType, Resource, json};
use spondyl::validation::Validator;

fn folder() -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shared = std::env::var("SPONDYL_SHARED").map_or(root.join("../shared"), PathBuf::from);
    let dir = shared.join("standard/cases/validator-r4-json");
    if !dir.is_dir() {
        println!("skipped: no {}", dir.display());
        return None;
    }
    Some(dir)
}

fn text<'v>(case: &'v Value, key: &str) -> &'v str {
    case[key].as_str().unwrap_or_default()
}

/// The files beside a case, and a validator that holds them.
fn validator(dir: &Path, case: &Value) -> Result<Validator, String> {
    let names = case["support"].as_array().unwrap().iter().map(|name| name.as_str().unwrap());
    let support: BTreeMap<String, Vec<u8>> = names
        .map(|name| (format!("profile/published-{name}"), fs::read(dir.join(name)).unwrap()))
        .collect();
    let support = support.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice()));
    let embedded: Vec<(&str, &[u8])> = embedded::files().collect();
    let files = embedded.into_iter().chain(support);
    let definitions = Definitions::load(files).map_err(|fault| fault.to_string())?;
    Ok(Validator::new(Arc::new(definitions)))
}

fn issues(dir: &Path, case: &Value, validator: &Validator) -> Vec<Issue> {
    let refuse = |text: String| vec![Issue::error(IssueType::Structure, text)];
    let bytes = fs::read(dir.join(text(case, "file"))).unwrap();
    let resource = match json::parse(&bytes, json::MAX_DEPTH).map(Resource::from_value) {
        Ok(Ok(resource)) => resource,
        Ok(Err(error)) => return refuse(error.to_string()),
        Err(error) => return refuse(error.to_string()),
    };
    let Some(profile) = case["profile"].as_str() else { return validator.check(&resource) };
    let profile: Value = serde_json::from_slice(&fs::read(dir.join(profile)).unwrap()).unwrap();
    match validator.check_profile(&resource, text(&profile, "url")) {
        Ok(issues) => issues,
        Err(unknown) => refuse(unknown.to_string()),
    }
}

fn line(issue: &Issue) -> String {
    format!(
        "{} {} {}: {} ({})",
        issue.severity.as_str(),
        issue.code.as_str(),
        issue.expression.as_deref().unwrap_or("-"),
        issue.diagnostics,
        issue.rule.as_deref().unwrap_or("-")
    )
}

/// What is found in one case, beside what is published.
struct Outcome {
    refused: bool,
    told: String,
}

impl Outcome {
    fn of(dir: &Path, case: &Value, validator: &Result<Validator, String>) -> Self {
        let (refused, found) = match validator {
            Ok(validator) => {
                let issues = issues(dir, case, validator);
                (issues.iter().any(Issue::is_error), issues.iter().map(line).collect())
            }
            Err(fault) => (true, vec![format!("definitions: {fault}")]),
        };
        let published = case["errors"].as_array().unwrap().iter().map(|error| {
            let place = error["path"][0].as_str().unwrap_or("-");
            format!("{} {place}: {}", text(error, "feature"), text(error, "text"))
        });
        let published: Vec<String> = published.collect();
        let [found, published] = [found, published].map(|list: Vec<String>| {
            list.iter().flat_map(|line| ["\n      ", line.as_str()]).collect::<String>()
        });
        Self { refused, told: format!("found{found}\n    published{published}") }
    }

    fn is_right(&self, verdict: &str) -> bool {
        match verdict {
            "valid" => !self.refused,
            "invalid" => self.refused,
            "soft" | "disputed" => true,
            other => panic!("the verdict {other} is not known"),
        }
    }
}

fn known() -> BTreeMap<String, String> {
    let text = fs::read_to_string("conformance/validation/known-published.json").unwrap();
    let list: Vec<Value> = serde_json::from_str(&text).unwrap();
    let text = |v: &Value, key: &str| v[key].as_str().unwrap().to_owned();
    let pairs: Vec<_> = list.iter().map(|v| (text(v, "case"), text(v, "reason"))).collect();
    let known: BTreeMap<_, _> = pairs.iter().cloned().collect();
    assert_eq!(known.len(), pairs.len(), "a case is listed twice");
    assert!(known.values().all(|reason| !reason.is_empty()), "a case is listed without a reason");
    known
}

#[test]
fn published_cases_have_their_verdict() {
    let Some(dir) = folder() else { return };
    let wanted = std::env::var("CASE").ok();
    let known = known();
    let lines = fs::read_to_string(dir.join("cases.jsonl")).unwrap();
    let mut by_module: BTreeMap<String, (u32, u32)> = BTreeMap::new();
    let mut validators: BTreeMap<String, Result<Validator, String>> = BTreeMap::new();
    let (mut ids, mut unlisted, mut settled) = (BTreeSet::new(), Vec::new(), Vec::new());
    let (mut missed, mut alarms) = (0, 0);
    for case in lines.lines().map(|line| serde_json::from_str::<Value>(line).unwrap()) {
        let (id, verdict) = (text(&case, "id"), text(&case, "verdict"));
        assert!(ids.insert(id.to_owned()), "{id} is there twice");
        if wanted.as_deref().is_some_and(|wanted| !id.contains(wanted)) {
            continue;
        }
        let support = case["support"].to_string();
        let validator = validators.entry(support).or_insert_with(|| validator(&dir, &case));
        let outcome = Outcome::of(&dir, &case, validator);
        let right = outcome.is_right(verdict);
        let counts = by_module.entry(text(&case, "module").to_owned()).or_default();
        counts.0 += u32::from(right);
        counts.1 += 1;
        missed += u32::from(!right && verdict == "invalid");
        alarms += u32::from(!right && verdict == "valid");
        let told = format!("{id} ({verdict})\n    {}", outcome.told);
        if wanted.is_some() {
            println!("{told}");
        }
        match (right, known.contains_key(id)) {
            (false, false) => unlisted.push(told),
            (true, true) => settled.push(id.to_owned()),
            _ => {}
        }
    }
    for (module, (right, all)) in &by_module {
        println!("{right:4} of {all:3} {module}");
    }
    let unknown: Vec<_> = known.keys().filter(|id| !ids.contains(*id)).collect();
    println!("{} cases, {missed} missed, {alarms} false alarms", ids.len());
    assert!(
        unlisted.is_empty(),
        "{} differ and are not listed\n{}",
        unlisted.len(),
        unlisted.join("\n")
    );
    assert!(settled.is_empty(), "listed, but right: {settled:?}");
    assert!(unknown.is_empty(), "listed, but no such case: {unknown:?}");
}
