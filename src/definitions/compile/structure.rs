//! The core profiles and extensions, as what they add to the type that they constrain.
//!
//! A published snapshot repeats all of the base; here each element keeps only what differs from the
//! same element of the base type, and elements without a difference are left out. So the server's
//! own differentials and these have one form.
//! Source: <http://hl7.org/fhir/R4/profiling.html#snapshot>.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

use super::source::Source;
use super::{Files, lines};
use crate::fhir::json::At;

pub(super) fn structures(source: &Source) -> Files {
    let file = |name: &str, list: &BTreeMap<String, Value>| {
        let differentials: Vec<Value> = list.values().map(|d| differential(source, d)).collect();
        (format!("structure-definition/{name}.ndjson"), lines(differentials.iter()))
    };
    vec![file("extension", &source.extensions), file("profile", &source.profiles)]
}

const KEPT: [&str; 8] =
    ["url", "name", "kind", "type", "baseDefinition", "derivation", "context", "contextInvariant"];

/// Where the definitions of R4 themselves have an extension that its own context does not allow:
/// types and elements of types, value sets, code systems and their concepts.
const USED: [(&str, &[&str]); 4] = [
    ("regex", &["ElementDefinition.type"]),
    ("structuredefinition-fhir-type", &["ElementDefinition.type"]),
    ("structuredefinition-normative-version", &["ElementDefinition", "ValueSet", "CodeSystem"]),
    ("valueset-concept-comments", &["CodeSystem.concept"]),
];

fn differential(source: &Source, definition: &Value) -> Value {
    let mut short = Map::new();
    for key in KEPT {
        if let Some(value) = definition.get(key) {
            short.insert(key.to_owned(), value.clone());
        }
    }
    let elements = || definition.at("element").as_array().into_iter().flatten();
    let url = definition.at("url").as_str().unwrap_or_default();
    let tail = url.strip_prefix("http://hl7.org/fhir/StructureDefinition/");
    if let Some((_, places)) = USED.iter().find(|(used, _)| tail == Some(used))
        && let Some(contexts) = short.get_mut("context").and_then(Value::as_array_mut)
    {
        let place = |place: &&str| json!({ "expression": place, "type": "element" });
        contexts.extend(places.iter().map(place));
    }
    let sliced = elements().filter(|element| element.get("slicing").is_some());
    let sliced: Vec<&str> = sliced.filter_map(|element| element.at("id").as_str()).collect();
    let kept = elements().filter(|element| is_in_slicing(element, &sliced));
    let kept = kept.map(|element| possible(element, definition));
    let kept = kept.filter_map(|element| difference(source, &element)).collect();
    short.insert("element".to_owned(), Value::Array(kept));
    Value::Object(short)
}

/// Whether every slice on the way to the element is of an element that is sliced. The core
/// specification has a few that are not, and so cannot be told apart from other items.
fn is_in_slicing(element: &Value, sliced: &[&str]) -> bool {
    let id = element.at("id").as_str().unwrap_or_default();
    id.match_indices(':').all(|(at, _)| {
        let whole = id.get(..at).unwrap_or(id);
        whole.ends_with("xtension") || whole.ends_with("[x]") || sliced.contains(&whole)
    })
}

/// The element without a maximum of 0 where it has slices that are asked for. The core specification
/// has one such (codesystem-history), of which nothing could ever be right.
fn possible(element: &Value, definition: &Value) -> Value {
    let mut element = element.clone();
    let slices = format!("{}:", element.at("id").as_str().unwrap_or_default());
    let list = definition.at("element").as_array().into_iter().flatten();
    let mut asked = list.filter(|other| other.at("min").as_u64().is_some_and(|min| min > 0));
    let is_slice =
        |other: &Value| other.at("id").as_str().is_some_and(|id| id.starts_with(&slices));
    if element.at("max") == "0"
        && asked.any(is_slice)
        && let Some(object) = element.as_object_mut()
    {
        object.remove("max");
    }
    element
}

const RULES: [&str; 10] = [
    "min",
    "max",
    "type",
    "binding",
    "constraint",
    "contentReference",
    "slicing",
    "maxLength",
    "sliceName",
    "isModifier",
];

/// What the element says beyond the base type; none where it says nothing more.
fn difference(source: &Source, element: &Value) -> Option<Value> {
    let path = element.at("path").as_str()?;
    let base = find(source, path);
    let absent = Value::Null;
    let mut short = Map::new();
    for (key, value) in element.as_object()? {
        let is_value =
            ["fixed", "pattern", "minValue", "maxValue"].iter().any(|k| key.starts_with(k));
        if !is_value && !RULES.contains(&key.as_str()) {
            continue;
        }
        let same = base.map_or(&absent, |base| base.at(key));
        match key.as_str() {
            // Only an extension can be a modifier that its type is not.
            "isModifier" if path != "Extension" => {}
            "constraint" => {
                let new = new_constraints(value, same);
                if !new.is_empty() {
                    short.insert(key.clone(), Value::Array(new));
                }
            }
            _ if value == same => {}
            _ => {
                short.insert(key.clone(), value.clone());
            }
        }
    }

    if short.is_empty() {
        return None;
    }
    let mut whole = Map::new();
    whole.insert("id".to_owned(), element.at("id").clone());
    whole.insert("path".to_owned(), element.at("path").clone());
    whole.extend(short);
    Some(Value::Object(whole))
}

fn new_constraints(list: &Value, base: &Value) -> Vec<Value> {
    let known = |key: &Value| {
        let inherited = base.as_array().into_iter().flatten().any(|c| c.at("key") == key);
        inherited || key == "ele-1" || key == "ext-1"
    };
    let list = list.as_array().into_iter().flatten();
    list.filter(|constraint| !known(constraint.at("key"))).cloned().collect()
}

/// The element of the base types that `path` leads to, data types walked into.
fn find<'a>(source: &'a Source, path: &str) -> Option<&'a Value> {
    let kind = path.split('.').next()?;
    let mut elements = elements(source, kind)?;
    let mut prefix = kind.to_owned();
    let mut found = elements.first()?;
    for step in path.split('.').skip(1) {
        let wanted = format!("{prefix}.{step}");
        if let Some(next) = elements.iter().find(|e| e.at("path") == wanted.as_str()) {
            (prefix, found) = (wanted, next);
            continue;
        }
        let code = found.pointer("/type/0/code")?.as_str()?;
        elements = self::elements(source, code)?;
        prefix = format!("{code}.{step}");
        found = elements.iter().find(|e| e.at("path") == prefix.as_str())?;
    }
    Some(found)
}

fn elements<'a>(source: &'a Source, kind: &str) -> Option<&'a Vec<Value>> {
    let url = format!("http://hl7.org/fhir/StructureDefinition/{kind}");
    let definition = source.resources.get(&url).or_else(|| source.types.get(&url))?;
    definition.at("element").as_array()
}
