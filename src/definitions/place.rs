//! What the core type says about an element, read from its schema.
//!
//! The schemas under `schemas/` are the only description of the core types that the running server
//! has; a profile is laid over them. The abstract resource types have no schema of their own and
//! are read from that of a type which has their elements.
//! Source: <http://hl7.org/fhir/R4/resourcelist.html>.

use std::sync::Arc;

use serde_json::Value;

use super::element::canonical_tail;
use super::{Definitions, Fault};
use crate::fhir::json::At;

/// The elements of every resource, and of those that may have a narrative.
const OF_RESOURCE: [&str; 5] = ["resourceType", "id", "meta", "implicitRules", "language"];
const OF_DOMAIN_RESOURCE: [&str; 4] = ["text", "contained", "extension", "modifierExtension"];

/// An object schema: of a type, or of a backbone element inside it.
#[derive(Clone)]
pub(super) struct Place {
    document: Arc<Value>,
    backbone: Option<String>,
    name: String,
}

/// A member of such an object.
pub(super) struct Property<'a> {
    place: &'a Place,
    /// Whether its JSON form is an array.
    pub(super) repeats: bool,
    schema: &'a Value,
}

impl Place {
    /// The root of a type; none where there is no such type.
    pub(super) fn of_type(definitions: &Definitions, name: &str) -> Result<Option<Self>, Fault> {
        let read_from = match name {
            "DomainResource" => "Basic",
            "Resource" => "Parameters",
            _ => name,
        };
        let document = definitions.type_schema(read_from)?;
        Ok(document.map(|document| Self { document, backbone: None, name: name.to_owned() }))
    }

    fn object(&self) -> &Value {
        match &self.backbone {
            None => &self.document,
            Some(name) => self.document.at("$defs").at(name),
        }
    }

    /// The path of the element whose members these are: a type's name, or that of a backbone
    /// element (`Patient.contact`).
    pub(super) fn path(&self) -> &str {
        self.backbone.as_deref().unwrap_or(&self.name)
    }

    /// Whether it is a primitive type, which has no members but what is said beside it.
    pub(super) fn is_primitive(&self) -> bool {
        self.object().get("properties").is_none()
    }

    /// The member of that JSON name.
    pub(super) fn property(&self, name: &str) -> Option<Property<'_>> {
        let is_in = match self.name.as_str() {
            "Resource" => OF_RESOURCE.contains(&name),
            "DomainResource" => OF_RESOURCE.contains(&name) || OF_DOMAIN_RESOURCE.contains(&name),
            _ => true,
        };
        let schema = self.object().at("properties").get(name).filter(|_| is_in)?;
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

    /// The choice element that has that JSON name: `value` for `valueQuantity`.
    pub(super) fn choice_of(&self, name: &str) -> Option<&str> {
        let choices = self.object().at("x-choice").as_object()?;
        let is_of =
            |names: &Value| names.as_array().is_some_and(|list| list.iter().any(|n| n == name));
        choices.iter().find(|(_, names)| is_of(names)).map(|(base, _)| base.as_str())
    }

    /// Whether the core type asks for the element (`value[x]` for a choice).
    pub(super) fn requires(&self, element: &str) -> bool {
        let object = self.object();
        let mut required = object.at("required").as_array().into_iter().flatten();
        required.any(|name| name == element) || object.at("x-required").get(element).is_some()
    }
}

impl Property<'_> {
    /// The object schema of its value; none where it may hold any resource.
    pub(super) fn value(&self, definitions: &Definitions) -> Result<Option<Place>, Fault> {
        let Some(target) = self.schema.at("$ref").as_str() else { return Ok(None) };
        let document = Arc::clone(&self.place.document);
        match target.strip_prefix("#/$defs/") {
            Some(name) => {
                let backbone = Some(name.to_owned());
                Ok(Some(Place { document, backbone, name: self.place.name.clone() }))
            }
            None if target == "#" => {
                Ok(Some(Place { document, backbone: None, name: self.place.name.clone() }))
            }
            None => Place::of_type(definitions, type_name(target)),
        }
    }

    /// The name of its type: `BackboneElement` for what the type defines itself, `Resource` where
    /// it may hold any.
    pub(super) fn type_name(&self) -> &str {
        match self.schema.at("$ref").as_str() {
            Some(target) if target.starts_with('#') => "BackboneElement",
            Some(target) => type_name(target),
            None if self.schema.get("x-resource").is_some() => "Resource",
            None => "string",
        }
    }

    /// Whether a binding says anything about its value.
    pub(super) fn is_bindable(&self) -> bool {
        let bindable = ["code", "Coding", "CodeableConcept", "Quantity", "string", "uri"];
        bindable.contains(&self.type_name())
    }
}

/// The type behind `../datatype/X.json`.
pub(crate) fn type_name(target: &str) -> &str {
    canonical_tail(target).strip_suffix(".json").unwrap_or(target)
}

/// Whether an element of type `base` may be narrowed to `code`: the type itself, or one that
/// specialises it.
pub(super) fn is_kind_of(code: &str, base: &str) -> bool {
    code == base
        || match base {
            "Element" | "BackboneElement" => true,
            "Resource" | "DomainResource" => code.starts_with(|c: char| c.is_ascii_uppercase()),
            "Quantity" => {
                let kinds =
                    ["Age", "Count", "Distance", "Duration", "MoneyQuantity", "SimpleQuantity"];
                kinds.contains(&code)
            }
            "string" => ["code", "id", "markdown"].contains(&code),
            "uri" => ["canonical", "oid", "url", "uuid"].contains(&code),
            "integer" => ["positiveInt", "unsignedInt"].contains(&code),
            _ => false,
        }
}
