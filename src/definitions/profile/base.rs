//! What the core type says about an element, read from its schema.
//!
//! The schemas under `schemas/` are the only description of the core types that the running server
//! has; a profile is laid over them.

use std::sync::Arc;

use serde_json::Value;

use crate::definitions::element::canonical_tail;
use crate::definitions::{Definitions, Fault};
use crate::fhir::json::At;

/// An object schema: of a type, or of a backbone element inside it.
#[derive(Clone)]
pub(super) struct Place {
    document: Arc<Value>,
    backbone: Option<String>,
}

/// A member of such an object.
pub(super) struct Property<'a> {
    place: &'a Place,
    /// Whether its JSON form is an array.
    pub(super) repeats: bool,
    schema: &'a Value,
}

impl Place {
    /// The root of a type; none for abstract resource types.
    pub(super) fn of_type(definitions: &Definitions, name: &str) -> Result<Option<Self>, Fault> {
        let document = definitions.type_schema(name)?;
        Ok(document.map(|document| Self { document, backbone: None }))
    }

    fn object(&self) -> &Value {
        match &self.backbone {
            None => &self.document,
            Some(name) => self.document.at("$defs").at(name),
        }
    }

    /// The member of that JSON name.
    pub(super) fn property(&self, name: &str) -> Option<Property<'_>> {
        let schema = self.object().at("properties").get(name)?;
        let repeats = schema.at("type") == "array";
        let schema = if repeats { schema.at("items") } else { schema };
        let schema = schema.pointer("/anyOf/0").unwrap_or(schema);
        Some(Property { place: self, repeats, schema })
    }

    /// The JSON names of a choice element, one for each type.
    pub(super) fn choice(&self, base: &str) -> Option<Vec<String>> {
        let names = self.object().at("x-choice").get(base)?.as_array()?;
        Some(names.iter().filter_map(|name| name.as_str().map(str::to_owned)).collect())
    }
}

impl Property<'_> {
    /// The object schema of its value; none where it may hold any resource.
    pub(super) fn value(&self, definitions: &Definitions) -> Result<Option<Place>, Fault> {
        let Some(target) = self.schema.at("$ref").as_str() else { return Ok(None) };
        match target.strip_prefix("#/$defs/") {
            Some(name) => {
                let document = Arc::clone(&self.place.document);
                Ok(Some(Place { document, backbone: Some(name.to_owned()) }))
            }
            None if target == "#" => {
                let document = Arc::clone(&self.place.document);
                Ok(Some(Place { document, backbone: None }))
            }
            None => Place::of_type(definitions, type_name(target)),
        }
    }

    /// Whether a binding says anything about its value.
    pub(super) fn is_bindable(&self) -> bool {
        let name = self.schema.at("$ref").as_str().map(type_name);
        name.is_some_and(|n| {
            ["code", "Coding", "CodeableConcept", "Quantity", "string", "uri"].contains(&n)
        })
    }
}

/// The type behind `../datatype/X.json`.
pub(crate) fn type_name(target: &str) -> &str {
    canonical_tail(target).strip_suffix(".json").unwrap_or(target)
}
