//! `x-element`: what the JSON form asks of every object.
//!
//! An element has a value or children beyond its id (ele-1); what is said beside a primitive stands
//! where the primitive is, array beside array; null only fills a place in such a pair; a primitive
//! without a value has extensions.
//! Source: <http://hl7.org/fhir/R4/json.html#primitive>.

use serde_json::{Map, Value};

use super::{Rule, Site};
use crate::fhir::{IssueType, Message};
use crate::validation::catalog::Context;
use crate::validation::finding::{Finding, element};
use crate::validation::scope::Scope;

use std::sync::Arc;

struct Element {
    /// A resource is more than its elements; every other object needs some.
    needs_content: bool,
    context: Arc<Context>,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let needs_content = match value.as_str() {
        Some("element") => true,
        Some("resource") => false,
        _ => return Err("element or resource is expected".to_owned()),
    };
    Ok(Box::new(Element { needs_content, context: Arc::clone(site.context) }))
}

impl Rule for Element {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        let Some(object) = value.as_object() else { return true };
        if self.needs_content && is_empty(object) {
            return false;
        }
        !has_long_id(object)
            && object.iter().all(|(name, value)| match name.strip_prefix('_') {
                Some(name) => is_paired(object.get(name), value),
                None => !has_loose_null(object, name, value),
            })
    }

    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let Some(object) = value.as_object() else { return Vec::new() };
        let mut found = Vec::new();
        if self.needs_content && is_empty(object) {
            let text = "An element must have a value or children.";
            let finding = Finding::error(IssueType::Invariant, text).rule("ele-1");
            found.push(finding.message(Message::ElementEmpty));
        }
        if has_long_id(object) {
            let text = format!("The id of an element must not have more than {MAX_ID} characters.");
            let finding = Finding::error(IssueType::TooLong, text).message(Message::TooLong);
            found.push(finding.below(".id"));
        }
        for (key, value) in object {
            let (message, text) = match key.strip_prefix('_') {
                Some(name) if !is_paired(object.get(name), value) => {
                    let text = "What is said beside a primitive must stand where the primitive is, and have \
                     extensions where there is no value.";
                    (Message::SiblingMisplaced, text)
                }
                None if has_loose_null(object, key, value) => {
                    let text = "A null may only hold the place of a primitive that has extensions.";
                    (Message::NullMisplaced, text)
                }
                _ => continue,
            };
            let path = format!(".{}", element(key, &self.context));
            let finding = Finding::error(IssueType::Structure, text).message(message);
            found.push(finding.below(&path));
        }
        found
    }
}

/// Characters of an element's id, which is a string
/// (<http://hl7.org/fhir/R4/datatypes.html#string>).
const MAX_ID: usize = 1024 * 1024;

fn has_long_id(object: &Map<String, Value>) -> bool {
    let id = object.get("id").and_then(Value::as_str);
    id.is_some_and(|id| id.len() > MAX_ID && id.chars().count() > MAX_ID)
}

fn is_empty(object: &Map<String, Value>) -> bool {
    object.keys().all(|name| name == "id")
}

/// Whether `sibling` fits beside `value`; what is of the wrong JSON type is told by the type.
fn is_paired(value: Option<&Value>, sibling: &Value) -> bool {
    let is_void = |value: &Value| value.as_object().is_some_and(Map::is_empty);
    let has_void = |list: &[Value]| list.iter().any(is_void);
    match (value, sibling) {
        (_, Value::Object(object)) if object.is_empty() => false,
        (_, Value::Array(list)) if has_void(list) => false,
        (None, Value::Object(_)) => has_extension(sibling),
        (None, Value::Array(list)) => {
            list.iter().all(|item| item.is_null() || has_extension(item))
                && list.iter().any(|item| !item.is_null())
        }
        (Some(Value::Array(values)), Value::Array(list)) => {
            // Beside complex values nothing can stand; that is told as an unknown element.
            values.iter().any(Value::is_object)
                || values.len() == list.len()
                    && values.iter().zip(list).all(|(value, item)| {
                        if value.is_null() { has_extension(item) } else { true }
                    })
        }
        _ => true,
    }
}

fn has_extension(value: &Value) -> bool {
    value.get("extension").is_some()
}

/// Whether an array of primitives has a null without a sibling array.
fn has_loose_null(object: &Map<String, Value>, name: &str, value: &Value) -> bool {
    let Some(list) = value.as_array() else { return false };
    list.iter().any(Value::is_null)
        && list.iter().all(|item| !item.is_object())
        && !object.contains_key(&format!("_{name}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn siblings() {
        let said = json!({ "extension": [{ "url": "u", "valueCode": "c" }] });
        let only_id = json!({ "id": "a" });
        for (value, sibling, expected) in [
            (Some(json!("x")), only_id.clone(), true),
            (None, said.clone(), true),
            (None, only_id.clone(), false),
            (Some(json!(["x", null])), json!([null, said]), true),
            (Some(json!(["x", null])), json!([null, only_id]), false),
            (Some(json!(["x", null])), json!([said, null]), false),
            (Some(json!(["x"])), json!([null, said]), false),
            (None, json!([null]), false),
            (Some(json!("x")), json!({}), false),
            (Some(json!(["x"])), json!([{}]), false),
            (None, json!([null, said]), true),
        ] {
            assert_eq!(is_paired(value.as_ref(), &sibling), expected, "{value:?} {sibling}");
        }
    }

    #[test]
    fn loose_nulls_and_emptiness() {
        let object = |value: Value| value.as_object().cloned().unwrap();
        let loose = |value: Value| {
            let object = object(value);
            object.iter().any(|(name, value)| has_loose_null(&object, name, value))
        };
        assert!(loose(json!({ "given": ["a", null] })));
        assert!(!loose(json!({ "given": ["a", null], "_given": [null, {}] })));
        assert!(is_empty(&object(json!({ "id": "a" }))));
        assert!(!is_empty(&object(json!({ "text": "a" }))));
    }
}
