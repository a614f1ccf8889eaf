//! The standard's definitions as they come from outside, brought to one form.
//!
//! Two forms are read: one object a line (files ending in `.ndjson`), and published packages (one
//! resource or one Bundle a `.json` file). Nothing is judged here beyond being JSON.
//! Source: <http://hl7.org/fhir/R4/downloads.html>.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::{Map, Value};

use crate::definitions::Fault;
use crate::fhir::json::At;

/// Everything that a compilation may draw on, each list in the order of its canonical URLs.
#[derive(Default)]
pub struct Source {
    /// Data types, primitive ones included.
    pub types: BTreeMap<String, Value>,
    /// Resource types, abstract ones included.
    pub resources: BTreeMap<String, Value>,
    /// Profiles on data types and resources.
    pub profiles: BTreeMap<String, Value>,
    /// Definitions of extensions.
    pub extensions: BTreeMap<String, Value>,
    /// Code systems.
    pub code_systems: BTreeMap<String, Value>,
    /// Value sets.
    pub value_sets: BTreeMap<String, Value>,
    /// Search parameters.
    pub search_parameters: BTreeMap<String, Value>,
    /// Definitions of operations.
    pub operations: BTreeMap<String, Value>,
    /// Definitions of compartments.
    pub compartments: BTreeMap<String, Value>,
}

impl Source {
    /// Reads the files of a directory, given by name and content.
    ///
    /// # Errors
    /// [`Fault`] with file and line for a text that is not JSON.
    pub fn read<'a>(files: impl Iterator<Item = (&'a str, &'a [u8])>) -> Result<Self, Fault> {
        let mut source = Self::default();
        for (name, bytes) in files {
            if let Some(stem) = name.strip_suffix(".ndjson") {
                let kind = line_kind(stem.rsplit('/').next().unwrap_or(stem));
                for (number, line) in bytes.split(|byte| *byte == b'\n').enumerate() {
                    if !line.trim_ascii().is_empty() {
                        let place = format!("{name}:{}", number + 1);
                        source.add(kind, parse(&place, line)?);
                    }
                }
            } else if Path::new(name).extension().is_some_and(|end| end == "json") {
                source.add_published(parse(name, bytes)?);
            }
        }
        Ok(source)
    }

    fn add_published(&mut self, value: Value) {
        let kind = value.at("resourceType").as_str().unwrap_or_default().to_owned();
        if kind == "Bundle" {
            let Value::Object(mut bundle) = value else { return };
            if let Some(Value::Array(entries)) = bundle.remove("entry") {
                for mut entry in entries {
                    self.add_published(
                        entry.pointer_mut("/resource").map(Value::take).unwrap_or_default(),
                    );
                }
            }
        } else if kind == "StructureDefinition" {
            self.add(&kind, structure(value));
        } else {
            self.add(&kind, value);
        }
    }

    fn add(&mut self, kind: &str, value: Value) {
        let text = |key: &str| value.at(key).as_str().unwrap_or_default();
        let list = match kind {
            "StructureDefinition" => {
                let constraint = text("derivation") == "constraint";
                match text("kind") {
                    "logical" => return,
                    _ if constraint && text("type") == "Extension" => &mut self.extensions,
                    _ if constraint => &mut self.profiles,
                    "resource" => &mut self.resources,
                    _ => &mut self.types,
                }
            }
            "CodeSystem" => &mut self.code_systems,
            "ValueSet" => &mut self.value_sets,
            "SearchParameter" => &mut self.search_parameters,
            "OperationDefinition" => &mut self.operations,
            "CompartmentDefinition" => &mut self.compartments,
            _ => return,
        };
        let url = text("url").to_owned();
        list.insert(url, value);
    }
}

/// What the lines of a file of that name are.
fn line_kind(stem: &str) -> &'static str {
    match stem {
        "types" | "resources" | "profiles" | "extensions" => "StructureDefinition",
        "code-systems" => "CodeSystem",
        "value-sets" => "ValueSet",
        "search-parameters" => "SearchParameter",
        "operations" => "OperationDefinition",
        "compartments" => "CompartmentDefinition",
        _ => "",
    }
}

/// A published StructureDefinition in the short form: its snapshot as `element`.
fn structure(mut value: Value) -> Value {
    let element = value.pointer_mut("/snapshot/element").map(Value::take).unwrap_or_default();
    let kept = ["url", "name", "kind", "abstract", "type", "baseDefinition", "derivation"];
    let mut short = Map::new();
    for key in kept.into_iter().chain(["context", "contextInvariant"]) {
        if let Some(found) = value.get(key) {
            short.insert(key.to_owned(), found.clone());
        }
    }
    short.insert("element".to_owned(), element);
    Value::Object(short)
}

fn parse(place: &str, bytes: &[u8]) -> Result<Value, Fault> {
    serde_json::from_slice(bytes).map_err(|error| Fault::new(place, format!("not JSON: {error}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_forms_give_the_same_lists() {
        let line = br#"{"url":"u","kind":"resource","type":"X","derivation":"specialization","element":[{"path":"X"}]}"#;
        let package = br#"{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"StructureDefinition","url":"u","description":"words","kind":"resource","type":"X","derivation":"specialization","snapshot":{"element":[{"path":"X"}]}}}]}"#;
        let one = Source::read([("a/resources.ndjson", &line[..])].into_iter()).unwrap();
        let two = Source::read([("package.json", &package[..])].into_iter()).unwrap();
        assert_eq!(one.resources, two.resources);
        assert_eq!(one.resources.len(), 1);
    }

    #[test]
    fn a_broken_line_is_named() {
        let Err(fault) = Source::read([("types.ndjson", &b"{}\n{"[..])].into_iter()) else {
            panic!("accepted");
        };
        assert_eq!(fault.place, "types.ndjson:2");
    }
}
