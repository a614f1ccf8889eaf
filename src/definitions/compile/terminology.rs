//! The code systems of the standard, and the value sets that can be told from them or are bound to.
//!
//! Of value sets, those that bindings of any strength need, with whatever they are composed of, and
//! all that are composed of the standard's own systems alone: no list of a licensed system's codes
//! that nothing binds to. Codes, displays, hierarchy and properties stay; definitions and
//! descriptions do not.
//! Source: <http://hl7.org/fhir/R4/terminologies.html>.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value};

use super::source::Source;
use super::{Files, lines};
use crate::definitions::element::binding;
use crate::fhir::json::At;

pub(super) fn files(source: &Source) -> Files {
    let needed = needed(source);
    let kept = |(url, set): &(&String, &Value)| needed.contains(*url) || is_own(source, set);
    let sets: BTreeMap<_, _> = source.value_sets.iter().filter(kept).collect();
    let sets: Vec<Value> = sets.values().map(|set| value_set(set)).collect();
    let codes: BTreeMap<_, _> = source.code_systems.iter().collect();
    let codes: Vec<Value> = codes.values().map(|system| code_system(system)).collect();
    vec![
        ("code-system/r4.ndjson".to_owned(), lines(codes.iter())),
        ("value-set/r4.ndjson".to_owned(), lines(sets.iter())),
    ]
}

/// Whether the set is composed of the standard's own code systems and sets alone.
fn is_own(source: &Source, set: &Value) -> bool {
    let own_system = |url: &str| source.code_systems.contains_key(url);
    let own_set = |canonical: &str| {
        source.value_sets.get(&plain(canonical)).is_some_and(|set| {
            parts(set).all(|part| part.at("system").as_str().is_some_and(own_system))
        })
    };
    parts(set).all(|part| {
        let mut nested = part.at("valueSet").as_array().into_iter().flatten();
        part.at("system").as_str().is_none_or(own_system)
            && nested.all(|set| set.as_str().is_some_and(own_set))
    })
}

/// The canonicals of value sets that are bound to, closed under composition.
fn needed(source: &Source) -> BTreeSet<String> {
    let definitions = [&source.types, &source.resources, &source.profiles, &source.extensions];
    let mut todo = Vec::new();
    for definition in definitions.into_iter().flat_map(BTreeMap::values) {
        let elements = definition.at("element").as_array().into_iter().flatten();
        let bindings = elements.filter_map(|element| binding(element.at("binding")));
        for binding in bindings {
            todo.push(plain(&binding.value_set));
            todo.extend(binding.max_value_set.as_deref().map(plain));
        }
    }
    let mut sets = BTreeSet::new();
    while let Some(url) = todo.pop() {
        let Some(set) = source.value_sets.get(&url) else { continue };
        if !sets.insert(url) {
            continue;
        }
        for part in parts(set) {
            let nested = part.at("valueSet").as_array().into_iter().flatten();
            todo.extend(nested.filter_map(Value::as_str).map(plain));
        }
    }
    sets
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
    shortened(set, &["url", "version", "name", "status", "compose"])
}

fn code_system(system: &Value) -> Value {
    const KEPT: [&str; 8] = [
        "url",
        "version",
        "name",
        "status",
        "caseSensitive",
        "valueSet",
        "hierarchyMeaning",
        "content",
    ];
    let mut short = shortened(system, &KEPT);
    if let Some(short) = short.as_object_mut() {
        if let Some(properties) = system.at("property").as_array() {
            let short_of = |property: &Value| shortened(property, &["code", "uri", "type"]);
            short.insert("property".into(), properties.iter().map(short_of).collect());
        }
        short.insert("concept".into(), concepts(system.at("concept")));
    }
    short
}

/// The members of those names, in that order.
fn shortened(value: &Value, names: &[&str]) -> Value {
    let kept =
        names.iter().filter_map(|name| Some(((*name).to_owned(), value.get(*name)?.clone())));
    Value::Object(kept.collect())
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
