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

/// The schema of the profile or extension of that canonical.
///
/// # Errors
/// [`Fault`] for a definition that is missing, or that speaks of an element which its type lacks,
/// allows what its base does not, or can never be met.
pub fn schema(definitions: &Definitions, canonical: &str) -> Result<Value, Fault> {
    let definition = definitions.structure(canonical)?;
    let definition =
        definition.ok_or_else(|| Fault::new(canonical, "is no profile that is held"))?;
    schema_of(definitions, canonical, &definition)
}

/// The schema of a profile or extension, whether it is held itself or not: so a definition can be
/// judged before it is taken in.
///
/// # Errors
/// As [`schema`].
pub fn schema_of(
    definitions: &Definitions,
    canonical: &str,
    definition: &Arc<Value>,
) -> Result<Value, Fault> {
    let snapshot = Snapshot::of_definition(definitions, canonical, Arc::clone(definition))?;
    let writer = Writer { definitions, canonical, choices: RefCell::default() };
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
    Ok(Value::Object(schema))
}

struct Writer<'a> {
    definitions: &'a Definitions,
    canonical: &'a str,
    /// The JSON names of choice elements that are spoken of, with the element's name.
    choices: RefCell<BTreeMap<String, String>>,
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
}
