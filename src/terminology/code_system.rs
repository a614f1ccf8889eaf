//! One code system: its codes, their parents and properties.
//!
//! Source: <http://hl7.org/fhir/R4/codesystem.html>.

use std::collections::HashMap;

use crate::fhir::json::At;
use serde_json::Value;

/// A code system that is held, wholly or in part.
pub struct CodeSystem {
    complete: bool,
    concepts: HashMap<String, Concept>,
}

/// One code.
#[derive(Default)]
pub struct Concept {
    /// The display, if the system gives one.
    pub display: Option<String>,
    parents: Vec<String>,
    /// Pairs of property code and value as text.
    properties: Vec<(String, String)>,
}

impl CodeSystem {
    /// Reads a CodeSystem resource, whole or shortened to its codes.
    pub fn read(value: &Value) -> Self {
        // A fragment or an example says nothing of the codes that it lacks.
        let complete = value.at("content").as_str().is_none_or(|content| content == "complete");
        let mut system = Self { complete, concepts: HashMap::new() };
        system.add(value.at("concept"), None);
        system
    }

    fn add(&mut self, list: &Value, parent: Option<&str>) {
        for value in list.as_array().into_iter().flatten() {
            let Some(code) = value.at("code").as_str() else { continue };
            let concept = self.concepts.entry(code.to_owned()).or_default();
            concept.display = value.at("display").as_str().map(str::to_owned);
            concept.parents.extend(parent.map(str::to_owned));
            for property in value.at("property").as_array().into_iter().flatten() {
                let (Some(name), Some(value)) =
                    (property.at("code").as_str(), property_value(property))
                else {
                    continue;
                };
                if ["parent", "subsumedBy"].contains(&name) {
                    concept.parents.push(value);
                } else {
                    concept.properties.push((name.to_owned(), value));
                }
            }
            self.add(value.at("concept"), Some(code));
        }
    }

    /// Whether the system has the code (compared letter by letter).
    pub fn contains(&self, code: &str) -> bool {
        self.concepts.contains_key(code)
    }

    /// The concept of that code.
    pub fn concept(&self, code: &str) -> Option<&Concept> {
        self.concepts.get(code)
    }

    /// Whether all codes of the system are held.
    pub fn is_complete(&self) -> bool {
        self.complete
    }

    /// Whether `code` is `ancestor` or below it.
    pub fn is_a(&self, code: &str, ancestor: &str) -> bool {
        let mut todo = vec![code];
        let mut seen = Vec::new();
        while let Some(next) = todo.pop() {
            if next == ancestor {
                return true;
            }
            if !seen.contains(&next) {
                seen.push(next);
                let parents = self.concepts.get(next).into_iter().flat_map(|c| &c.parents);
                todo.extend(parents.map(String::as_str));
            }
        }
        false
    }

    /// Whether the code has the property with that value.
    pub fn has_property(&self, code: &str, name: &str, value: &str) -> bool {
        let Some(concept) = self.concepts.get(code) else { return false };
        match name {
            "code" | "concept" => code == value,
            "parent" => concept.parents.iter().any(|parent| parent == value),
            "display" => concept.display.as_deref() == Some(value),
            _ => concept.properties.iter().any(|(n, v)| n == name && v == value),
        }
    }
}

fn property_value(property: &Value) -> Option<String> {
    let (_, value) = property.as_object()?.iter().find(|(name, _)| name.starts_with("value"))?;
    match value {
        Value::String(text) => Some(text.clone()),
        Value::Object(coding) => coding.get("code")?.as_str().map(str::to_owned),
        other => Some(other.to_string()),
    }
}
