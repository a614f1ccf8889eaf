//! ValueSet and CodeSystem: what can be looked up without going round in circles.
//!
//! Source: <http://hl7.org/fhir/R4/valueset.html#compositions>.

use std::collections::BTreeSet;

use serde_json::Value;

use super::fault;
use crate::definitions::canonical::Canonical;
use crate::fhir::Issue;
use crate::fhir::json::At;
use crate::terminology::{CodeSystem, Terminology};

/// How many value sets are looked into for one that includes the new one.
const MOST: usize = 20_000;

pub(super) fn value_set(terminology: &Terminology, new: &Canonical) -> Vec<Issue> {
    let mut issues = Vec::new();
    for (side, at, part) in parts(&new.value) {
        let place = format!("ValueSet.compose.{side}[{at}]");
        for (nth, included) in sets(part).enumerate() {
            if reaches(terminology, included, &new.url) {
                let text = format!("{included} includes this value set itself.");
                issues.push(fault(format!("{place}.valueSet[{nth}]"), text));
            }
        }
        for (nth, filter) in part.at("filter").as_array().into_iter().flatten().enumerate() {
            let Some(value) = filter.at("value").as_str() else { continue };
            if filter.at("op") == "regex"
                && let Err(error) = regex::Regex::new(&format!("^(?:{value})$"))
            {
                let text = format!("This is no regular expression that can be used: {error}.");
                issues.push(fault(format!("{place}.filter[{nth}].value"), text));
            }
        }
    }
    issues
}

pub(super) fn code_system(new: &Canonical) -> Vec<Issue> {
    match CodeSystem::read(&new.value) {
        Ok(_) => Vec::new(),
        Err(error) => vec![fault("CodeSystem", format!("The codes cannot be read: {error}."))],
    }
}

/// The parts that a set is composed of.
fn parts(set: &Value) -> impl Iterator<Item = (&'static str, usize, &Value)> {
    ["include", "exclude"].into_iter().flat_map(|side| {
        let list = set.at("compose").at(side).as_array().into_iter().flatten();
        list.enumerate().map(move |(at, part)| (side, at, part))
    })
}

fn sets(part: &Value) -> impl Iterator<Item = &str> {
    part.at("valueSet").as_array().into_iter().flatten().filter_map(Value::as_str)
}

/// Whether the set of that canonical is, or includes at any depth, the one of `url`.
fn reaches(terminology: &Terminology, canonical: &str, url: &str) -> bool {
    let mut seen = BTreeSet::new();
    let mut todo = vec![canonical.to_owned()];
    while let Some(next) = todo.pop() {
        if next.split('|').next() == Some(url) {
            return true;
        }
        if seen.len() < MOST
            && seen.insert(next.clone())
            && let Ok(set) = terminology.find_value_set(&next)
        {
            todo.extend(parts(&set).flat_map(|(_, _, part)| sets(part)).map(str::to_owned));
        }
    }
    false
}
