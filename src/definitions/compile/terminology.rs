//! The code systems and value sets that bindings of types and resources need.
//!
//! All strengths of binding, and whatever their value sets are composed of. Codes, displays,
//! hierarchy and properties stay; definitions and descriptions do not.
//! Source: <http://hl7.org/fhir/R4/terminologies.html>.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value, json};

use super::source::Source;
use super::{Files, lines};
use crate::fhir::json::At;

pub(super) fn files(source: &Source) -> Files {
    let (value_sets, systems) = needed(source);
    let sets: BTreeMap<_, _> =
        source.value_sets.iter().filter(|(url, _)| value_sets.contains(*url)).collect();
    let codes: BTreeMap<_, _> =
        source.code_systems.iter().filter(|(url, _)| systems.contains(*url)).collect();
    let sets: Vec<Value> = sets.values().map(|set| value_set(set)).collect();
    let codes: Vec<Value> = codes.values().map(|system| code_system(system)).collect();
    vec![
        ("code-system/r4.ndjson".to_owned(), lines(codes.iter())),
        ("value-set/r4.ndjson".to_owned(), lines(sets.iter())),
    ]
}

/// The canonicals of value sets and code systems, closed under composition.
fn needed(source: &Source) -> (BTreeSet<String>, BTreeSet<String>) {
    let definitions = [&source.types, &source.resources, &source.profiles, &source.extensions];
    let mut todo = Vec::new();
    for definition in definitions.into_iter().flat_map(BTreeMap::values) {
        let elements = definition.at("element").as_array().into_iter().flatten();
        todo.extend(elements.filter_map(|e| e.at("binding").at("valueSet").as_str()).map(plain));
    }
    let (mut sets, mut systems) = (BTreeSet::new(), BTreeSet::new());
    while let Some(url) = todo.pop() {
        let Some(set) = source.value_sets.get(&url) else { continue };
        if !sets.insert(url) {
            continue;
        }
        for part in parts(set) {
            systems.extend(part.at("system").as_str().map(str::to_owned));
            let nested = part.at("valueSet").as_array().into_iter().flatten();
            todo.extend(nested.filter_map(Value::as_str).map(plain));
        }
    }
    (sets, systems)
}

/// The includes and excludes of a value set.
fn parts(set: &Value) -> impl Iterator<Item = &Value> {
    let lists = ["include", "exclude"].map(|key| set.at("compose").at(key).as_array());
    lists.into_iter().flatten().flatten()
}

fn plain(canonical: &str) -> String {
    canonical.split('|').next().unwrap_or(canonical).to_owned()
}

fn value_set(set: &Value) -> Value {
    json!({ "url": set.at("url"), "version": set.at("version"), "compose": set.at("compose") })
}

fn code_system(system: &Value) -> Value {
    let mut short = Map::new();
    for key in ["url", "version", "caseSensitive", "hierarchyMeaning", "content"] {
        if let Some(value) = system.get(key) {
            short.insert(key.to_owned(), value.clone());
        }
    }
    short.insert("concept".to_owned(), concepts(system.at("concept")));
    Value::Object(short)
}

fn concepts(list: &Value) -> Value {
    let kept = ["code", "display", "property", "concept"];
    let one = |concept: &Value| {
        let mut short = Map::new();
        for key in kept {
            match concept.get(key) {
                Some(nested) if key == "concept" => short.insert(key.into(), concepts(nested)),
                Some(value) => short.insert(key.into(), value.clone()),
                None => None,
            };
        }
        Value::Object(short)
    };
    Value::Array(list.as_array().into_iter().flatten().map(one).collect())
}
