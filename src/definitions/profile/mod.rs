//! JSON Schema of a profile: what it asks beyond the core type.
//!
//! The schema says only what the profile adds; a resource is held to its type's schema as well. So
//! no fault is found twice, and a profile of a profile is one schema. What cannot be understood, or
//! contradicts the type, is a fault that names the element.
//! Source: <http://hl7.org/fhir/R4/profiling.html>.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::{Map, Value, json};

mod choice;
mod discriminator;
mod member;
mod rules;
mod slicing;
mod usage;

use super::place::Place;
pub(crate) use super::place::type_name;
use super::snapshot::{Node, Snapshot};
use super::{Definitions, Fault};
use crate::fhir::json::At;

/// The schema of the profile or extension of that canonical.
///
/// # Errors
/// [`Fault`] for a definition that is missing, that speaks of an element which its type lacks, or
/// that can never be met.
pub fn schema(definitions: &Definitions, canonical: &str) -> Result<Value, Fault> {
    let definition = definitions.structure(canonical)?;
    let definition =
        definition.ok_or_else(|| Fault::new(canonical, "is no profile that is held"))?;
    write(definitions, canonical, &definition).map(|(schema, _)| schema)
}

/// Everything that is wrong with a profile or extension, whether it is held itself or not, so that
/// a definition can be judged before it is taken in: why it cannot be used, or else what it allows
/// beyond its base (there the base stands).
pub fn faults(definitions: &Definitions, definition: &Arc<Value>) -> Vec<Fault> {
    let canonical = definition.at("url").as_str().unwrap_or("a StructureDefinition without url");
    match write(definitions, canonical, definition) {
        Ok((_, faults)) => faults,
        Err(fault) => vec![fault],
    }
}

fn write(
    definitions: &Definitions,
    canonical: &str,
    definition: &Arc<Value>,
) -> Result<(Value, Vec<Fault>), Fault> {
    let snapshot = Snapshot::of_definition(definitions, canonical, Arc::clone(definition))?;
    let writer =
        Writer { definitions, canonical, choices: RefCell::default(), widened: RefCell::default() };
    let place = Place::of_type(definitions, &snapshot.kind)?;
    let mut schema = Map::new();
    schema.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("x-constrains".into(), json!(snapshot.kind));
    if snapshot.kind == "Extension" {
        let usage = usage::usage(definitions, &snapshot, definition)?;
        schema.insert("x-usage".into(), usage);
    }
    schema.extend(writer.value(&snapshot.root, None, place.as_ref())?);
    schema.insert("x-choices".into(), json!(writer.choices.into_inner()));
    let widened = snapshot.widened.iter().map(|message| Fault::new(canonical, message));
    let faults = widened.chain(writer.widened.into_inner()).collect();
    Ok((Value::Object(schema), faults))
}

struct Writer<'a> {
    definitions: &'a Definitions,
    canonical: &'a str,
    /// The JSON names of choice elements that are spoken of, with the element's name.
    choices: RefCell<BTreeMap<String, String>>,
    /// What is allowed beyond the core type.
    widened: RefCell<Vec<Fault>>,
}

/// What a schema says about the members of an object.
#[derive(Default)]
struct Members {
    properties: Map<String, Value>,
    present: Map<String, Value>,
    choice_types: Map<String, Value>,
    /// What is asked of the objects beside primitives.
    beside: Map<String, Value>,
}

impl Members {
    fn add(&mut self, name: &str, schema: Value) {
        add(&mut self.properties, name, schema);
    }

    fn require(&mut self, element: &str, properties: &[String]) {
        self.present.insert(element.to_owned(), json!(properties));
    }
}

/// Adds to what is said of a member already.
fn add(map: &mut Map<String, Value>, name: &str, schema: Value) {
    match map.get_mut(name) {
        Some(held) => *held = json!({ "allOf": [held.take(), schema] }),
        None => {
            map.insert(name.to_owned(), schema);
        }
    }
}

impl Writer<'_> {
    fn fault(&self, node: &Node, message: &str) -> Fault {
        let id = if node.rules.id.is_empty() { &node.name } else { &node.rules.id };
        Fault::new(self.canonical, format!("{id} {message}"))
    }

    /// Notes what the profile allows beyond its type, which stands all the same.
    fn widens(&self, node: &Node, message: &str) {
        self.widened.borrow_mut().push(self.fault(node, message));
    }
}
