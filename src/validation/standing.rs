//! Where an element stands: its path in the definition of its type, told once when a schema is made.
//!
//! Data types are compiled once and know nothing of the elements that have them, so the way to an
//! extension is the row of the elements on it: `Patient.name` (a `HumanName`), then `HumanName.family`
//! (a string). Nothing is built while a resource is checked.
//! Source: <http://hl7.org/fhir/R4/defining-extensions.html#context>.

use std::collections::HashMap;
use std::sync::{Mutex, OnceLock, PoisonError};

use serde_json::{Map, Value, json};

use crate::definitions::profile::type_name;
use crate::fhir::json::At;

/// An element of a type that has a type of its own.
#[derive(PartialEq, Eq, Debug)]
pub(super) struct Standing {
    /// The path from the type that defines it: `Patient.name`.
    pub(super) path: String,
    /// The name of its type; for what stands beside a primitive, that of the primitive.
    pub(super) kind: String,
}

/// The one standing of that path and type. There are as many as the definitions have elements, and
/// they are kept while the program runs.
pub(super) fn standing(value: &Value) -> Option<&'static Standing> {
    static ALL: OnceLock<Mutex<HashMap<String, &'static Standing>>> = OnceLock::new();
    let (path, kind) = (value.at("path").as_str()?, value.at("kind").as_str()?);
    let mut all = ALL.get_or_init(Mutex::default).lock().unwrap_or_else(PoisonError::into_inner);
    let new = || {
        let standing = Standing { path: path.to_owned(), kind: kind.to_owned() };
        let kept: &'static Standing = Box::leak(Box::new(standing));
        kept
    };
    Some(*all.entry(format!("{path} {kind}")).or_insert_with(new))
}

/// Writes into the schema of a core type where its elements stand (`x-at`), and that lists of
/// extensions are such (`x-extension-list`).
pub(super) fn mark(schema: &mut Value, name: &str) {
    members(schema, name);
    let backbones = schema.pointer_mut("/$defs").and_then(Value::as_object_mut);
    for (path, backbone) in backbones.into_iter().flat_map(Map::iter_mut) {
        members(backbone, path);
    }
}

fn members(schema: &mut Value, path: &str) {
    let mut names = HashMap::new();
    for (base, list) in schema.at("x-choice").as_object().into_iter().flatten() {
        let list = list.as_array().into_iter().flatten().filter_map(Value::as_str);
        names.extend(list.map(|name| (name.to_owned(), base.clone())));
    }
    let Some(properties) = schema.pointer_mut("/properties").and_then(Value::as_object_mut) else {
        return;
    };
    let kinds: HashMap<String, String> = properties
        .iter_mut()
        .filter_map(|(name, schema)| Some((name.clone(), kind(reference(schema)?)?)))
        .collect();
    for (key, schema) in properties.iter_mut() {
        let name = key.strip_prefix('_').unwrap_or(key);
        let Some(kind) = kinds.get(name) else { continue };
        let is_object = key.starts_with('_') || kind.starts_with(|c: char| c.is_ascii_uppercase());
        let element = names.get(name).map_or(name, String::as_str);
        if let Some(reference) = reference(schema).filter(|_| is_object) {
            let at = json!({ "path": format!("{path}.{element}"), "kind": kind });
            reference.insert("x-at".into(), at);
        }
        if kind == "Extension"
            && schema.at("type") == "array"
            && let Some(list) = schema.as_object_mut()
        {
            list.insert("x-extension-list".into(), json!(true));
        }
    }
}

/// The schema of the value, or of one of the values, that refers to another document.
fn reference(schema: &mut Value) -> Option<&mut Map<String, Value>> {
    let schema = if schema.at("type") == "array" { schema.get_mut("items")? } else { schema };
    let schema =
        if schema.get("anyOf").is_some() { schema.pointer_mut("/anyOf/0")? } else { schema };
    schema.as_object_mut().filter(|object| object.contains_key("$ref"))
}

fn kind(reference: &mut Map<String, Value>) -> Option<String> {
    let target = reference.get("$ref")?.as_str()?;
    (!target.starts_with('#')).then(|| type_name(target).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn elements_know_their_paths() {
        let mut schema = json!({
            "x-choice": { "value": ["valueAge", "valueString"] },
            "properties": {
                "name": { "type": "array", "items": { "$ref": "../datatype/HumanName.json" } },
                "valueAge": { "$ref": "../datatype/Age.json" },
                "valueString": { "$ref": "../datatype/string.json" },
                "_valueString": { "$ref": "../datatype/Element.json" },
                "extension": { "type": "array", "items": { "$ref": "../datatype/Extension.json" } },
                "part": { "$ref": "#/$defs/X.part" } },
            "$defs": { "X.part": { "properties": {
                "_given": { "type": "array", "items": { "anyOf": [
                    { "$ref": "../datatype/Element.json" }, { "type": "null" }] } },
                "given": { "type": "array", "items": { "anyOf": [
                    { "$ref": "../datatype/string.json" }, { "type": "null" }] } } } } } });
        mark(&mut schema, "X");
        for (pointer, path, kind) in [
            ("/properties/name/items", "X.name", "HumanName"),
            ("/properties/valueAge", "X.value", "Age"),
            ("/properties/_valueString", "X.value", "string"),
            ("/properties/extension/items", "X.extension", "Extension"),
            ("/$defs/X.part/properties/_given/items/anyOf/0", "X.part.given", "string"),
        ] {
            let held = standing(schema.pointer(pointer).unwrap().at("x-at")).unwrap();
            assert_eq!((held.path.as_str(), held.kind.as_str()), (path, kind), "{pointer}");
            assert!(std::ptr::eq(held, standing(&json!({ "path": path, "kind": kind })).unwrap()));
        }
        for pointer in ["/properties/part/x-at", "/properties/valueString/x-at"] {
            assert!(schema.pointer(pointer).is_none());
        }
        assert!(schema["properties"]["extension"]["x-extension-list"] == true);
    }
}
