//! Mutants: every element of every type, sound and with one fault, and what is said of it.
//!
//! The instances are made from the definitions (`schemas/model.json`), some tens of thousands, always
//! the same. `conformance/validation/mutants.json` says what must stand beside an element so that no
//! invariant is broken, and which mutants are known to be judged otherwise. A selection is written
//! for the peer checks, which ask validators of other origin.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::panic,
    reason = "a test may fail loudly"
)]

mod model;
mod mutate;
mod sample;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use rayon::prelude::*;
use serde_json::{Map, Value, json};
use spondyl::definitions::Definitions;
use spondyl::fhir::{Issue, IssueType, Resource};
use spondyl::terminology::Terminology;
use spondyl::validation::Validator;

use model::Model;
use mutate::{Case, Expected};
use sample::Maker;

fn settings() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/validation/mutants.json");
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn cases(definitions: &Arc<Definitions>) -> Vec<Case> {
    let settings = settings();
    let object = |name: &str| settings[name].as_object().unwrap().clone();
    let (model, terminology) = (Model::standard(), Terminology::new(Arc::clone(definitions)));
    mutate::cases(&Maker::new(&model, &terminology, object("least")), &object("beside"))
}

fn is_expected(expected: &Expected, issue: &Issue) -> bool {
    let place = issue.expression.as_deref().unwrap_or_default();
    issue.is_error()
        && expected.codes.contains(&issue.code.as_str())
        && expected.places.iter().any(|expected| expected == place)
}

/// Whether an element, or one around it, is listed with that invariant.
fn may_break(broken: &Map<String, Value>, element: &str, issue: &Issue) -> bool {
    let is_below = |around: &str| {
        element.strip_prefix(around).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
    };
    let mut lists = broken.iter().filter(|(around, _)| is_below(around)).map(|(_, list)| list);
    let rule = issue.rule.as_deref().unwrap_or_default();
    issue.code == IssueType::Invariant
        && lists.any(|list| list.as_array().unwrap().iter().any(|key| key == rule))
}

/// What is wrong with the verdict on a case; nothing, where it is right.
fn fault(broken: &Map<String, Value>, case: &Case, issues: &[Issue]) -> Option<String> {
    let errors = issues.iter().filter(|issue| issue.is_error());
    let errors = errors.filter(|issue| !may_break(broken, &case.element, issue));
    let told: Vec<String> = errors
        .map(|i| {
            let rule = i.rule.as_deref().unwrap_or("-");
            format!("{} {} {rule}", i.code.as_str(), i.expression.as_deref().unwrap_or("-"))
        })
        .collect();
    match &case.expected {
        None => (!told.is_empty()).then(|| format!("is refused: {told:?}")),
        Some(expected) => (!issues.iter().any(|issue| is_expected(expected, issue)))
            .then(|| format!("expected {expected:?}, found {told:?}")),
    }
}

#[test]
fn mutants_are_refused_and_what_they_are_made_of_is_accepted() {
    let definitions = Arc::new(Definitions::embedded().unwrap());
    let validator = Validator::new(Arc::clone(&definitions));
    let settings = settings();
    let known = settings["known"].as_object().unwrap();
    let broken = settings["broken"].as_object().unwrap();
    let cases = cases(&definitions);
    let judged = cases.par_iter().map(|case| {
        let fault = match Resource::from_value(case.resource.clone()) {
            Ok(resource) => fault(broken, case, &validator.check(&resource)),
            Err(error) => Some(error.to_string()),
        };
        (case, fault)
    });
    let (mut wrong, mut right) = (BTreeMap::new(), BTreeMap::<&str, u32>::new());
    for (case, fault) in judged.collect::<Vec<_>>() {
        let Some(fault) = fault else {
            *right.entry(case.change).or_default() += 1;
            continue;
        };
        let key = format!("{} {}", case.change, case.element);
        wrong.insert(key, format!("{fault}\n    {}", case.resource));
    }
    let total: u32 = right.values().sum();
    println!("{total} right: {right:#?}");
    let new: Vec<_> = wrong.iter().filter(|(key, _)| !known.contains_key(*key)).collect();
    let gone: Vec<_> = known.keys().filter(|key| !wrong.contains_key(*key)).collect();
    let list: Vec<String> = new.iter().map(|(key, fault)| format!("{key}: {fault}")).collect();
    assert!(new.is_empty(), "{} wrong\n{}", list.len(), list.join("\n"));
    assert!(gone.is_empty(), "judged rightly now, so no longer known: {gone:?}");
    assert!(total > 20_000, "only {total} mutants were made");
}

/// How many mutants of each kind of change the peers are asked about, at most.
const OF_EACH: usize = 300;

/// Writes the selection for the peer checks: `target/tmp/mutants.ndjson`.
#[test]
fn a_selection_is_written_for_the_peers() {
    let definitions = Arc::new(Definitions::embedded().unwrap());
    let cases = cases(&definitions);
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("mutants.ndjson");
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let mut all = BTreeMap::<&str, usize>::new();
    cases.iter().for_each(|case| *all.entry(case.change).or_default() += 1);
    let mut taken = BTreeMap::<&str, usize>::new();
    let mut count = 0;
    for case in &cases {
        // Of each kind of change evenly many, spread over all types.
        let turn = taken.entry(case.change).or_default();
        if turn.is_multiple_of(all[case.change].div_ceil(OF_EACH)) {
            let line = json!({ "change": case.change, "element": case.element,
                "resource": case.resource });
            writeln!(file, "{line}").unwrap();
            count += 1;
        }
        *turn += 1;
    }
    file.flush().unwrap();
    println!("{count} of {} written", cases.len());
    assert!(count > 3_000, "only {count}");
}
