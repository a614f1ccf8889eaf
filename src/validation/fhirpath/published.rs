//! The published test suite of FHIRPath for R4, where it is at hand.
//!
//! Source: <https://github.com/FHIR/fhir-test-cases> (r4/fhirpath/tests-fhir-r4.xml), which is no
//! part of the project. Known differences are listed with their reasons.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::{Element, Env, Expression, Fault, Host, Item};
use crate::fhir::Instant;
use crate::fhir::json::At;

/// A world without anything in it but the time.
pub(super) struct Nowhere;

impl Host for Nowhere {
    fn is_narrative(&self, text: &str) -> bool {
        crate::fhir::narrative::check(text).is_empty()
    }

    fn now(&self) -> Option<Instant> {
        Instant::parse("2026-03-02T09:10:00Z")
    }
}

/// What the expression gives on the resource, as texts.
pub(super) fn evaluate(expression: &str, value: &Value) -> Result<Vec<String>, Fault> {
    let parsed = Expression::parse(expression)?;
    let focus = Item::Element(Element::resource(value));
    let resource = Some(focus.clone());
    let mut env = Env::new(focus, &Nowhere);
    (env.root_resource, env.resource) = (resource.clone(), resource);
    let items = parsed.evaluate(&env)?;
    Ok(items.iter().map(told).collect())
}

fn told(item: &Item<'_>) -> String {
    match item {
        Item::Element(Element { value: Some(Value::String(text)), .. }) => text.clone(),
        Item::Element(Element { value: Some(value), .. }) => value.to_string(),
        Item::Element(_) => "no value".to_owned(),
        Item::Bool(value) => value.to_string(),
        Item::Integer(value) => value.to_string(),
        Item::Decimal(value) => value.to_string(),
        Item::Text(text) => text.to_string(),
        Item::Temporal(moment) => format!("@{moment}"),
        Item::Quantity(quantity) => quantity.to_string(),
        Item::Type { space, name } => format!("{space}.{name}"),
    }
}

/// Where we differ, and why.
const KNOWN: &[(&str, &str)] = &[
    ("HighBoundary/HighBoundaryDecimal15", "the published 0.0 is less than the number itself"),
    ("testBasics/testSimpleFail", "an element that the type lacks is empty (not strict mode)"),
    ("polymorphics/testPolymorphicsB", "an element that the type lacks is empty (not strict mode)"),
    ("testInheritance/testFHIRPathAsFunction16", "ofType takes special cases of a type too (N1)"),
];

fn folder() -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shared = std::env::var("SPONDYL_SHARED").map_or(root.join("../shared"), PathBuf::from);
    let dir = shared.join("standard/cases/fhirpath-tests");
    if !dir.is_dir() {
        println!("skipped: no {}", dir.display());
        return None;
    }
    Some(dir)
}

#[test]
fn published_cases_give_what_is_published() {
    let Some(dir) = folder() else { return };
    let mut inputs: BTreeMap<String, Value> = BTreeMap::new();
    let mut failures = Vec::new();
    let mut differ = BTreeSet::new();
    let lines = fs::read_to_string(dir.join("cases.jsonl")).unwrap();
    let mut count = 0;
    for line in lines.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        let text = |key: &str| case.at(key).as_str().unwrap_or_default().to_owned();
        let input = inputs.entry(text("input")).or_insert_with(|| {
            if text("input").is_empty() {
                return Value::Null;
            }
            serde_json::from_slice(&fs::read(dir.join(text("input"))).unwrap()).unwrap()
        });
        count += 1;
        let outputs = case.at("outputs").as_array().unwrap().iter();
        let expected: Vec<String> =
            outputs.map(|output| output.at("value").as_str().unwrap().to_owned()).collect();
        let mut found = evaluate(&text("expression"), input);
        if case.at("predicate") == true {
            found = found.map(|items| vec![(!items.is_empty()).to_string()]);
        }
        let is_right = match &found {
            Ok(found) => case.at("invalid").is_null() && *found == expected,
            Err(_) => !case.at("invalid").is_null(),
        };
        if !is_right && KNOWN.iter().any(|(id, _)| *id == text("id")) {
            differ.insert(text("id"));
        } else if !is_right {
            let (id, expression) = (text("id"), text("expression"));
            failures.push(format!("{id}: {expression}\n  {expected:?}\n  {found:?}"));
        }
    }
    println!("{count} cases, {} known differences", differ.len());
    assert!(failures.is_empty(), "{} differ:\n{}", failures.len(), failures.join("\n"));
    assert_eq!(differ.len(), KNOWN.len(), "a listed difference is none: {differ:?}");
}
