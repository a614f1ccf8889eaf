//! JSON Schema of the primitive types: the published regular expressions, anchored, and the ranges.
//!
//! Source: <http://hl7.org/fhir/R4/datatypes.html#primitive>.

use serde_json::{Map, Value, json};

use super::schema::elements;
use super::source::Source;
use crate::definitions::Fault;
use crate::definitions::element::Element;
use crate::fhir::json::At;

/// The largest value of a FHIR integer (32 bits, signed).
const LARGEST: u64 = 2_147_483_647;

/// The expression of string and markdown. Whether `\S` takes in a no-break space depends on who
/// reads it; the text of the standard forbids only characters below 32 other than tab, line feed
/// and carriage return, so that is how it is read.
const ANY_TEXT: &str = "[ \\r\\n\\t\\S]+";
const ANY_TEXT_READ: &str = "[^\\u0000-\\u0008\\u000b\\u000c\\u000e-\\u001f]+";

/// The expression of code, and the same with the white space of XML Schema spelled out: R4 itself has
/// codes with a no-break space (v2-0550).
const CODE: &str = "[^\\s]+(\\s[^\\s]+)*";
const CODE_READ: &str = "[^ \\t\\n\\r]+([ \\t\\n\\r][^ \\t\\n\\r]+)*";

pub(super) fn schema(source: &Source, definition: &Value) -> Result<Value, Fault> {
    let name = definition.at("type").as_str().unwrap_or_default();
    let value = value_element(definition)?;
    let mut schema = Map::new();
    schema.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("$id".into(), definition.at("url").clone());
    match name {
        "boolean" => schema.extend(members(&json!({ "type": "boolean" }))),
        "decimal" => schema.extend(members(&json!({ "type": "number" }))),
        "integer" | "unsignedInt" | "positiveInt" => {
            let smallest = match name {
                "integer" => -2_147_483_648_i64,
                "unsignedInt" => 0,
                _ => 1,
            };
            schema.extend(members(&json!({
                "type": "integer", "minimum": smallest, "maximum": LARGEST, "x-integer": true })));
        }
        _ => {
            schema.extend(members(&json!({ "type": "string" })));
            if let Some(length) = max_length(source, definition)? {
                schema.insert("maxLength".into(), json!(length));
            }
            let regex = value.types.first().and_then(|t| t.regex.as_deref());
            if regex.is_none_or(|regex| regex == "\\S*") {
                // No text is empty, whatever the expression lets through.
                schema.insert("minLength".into(), json!(1));
            }
            if let Some(regex) = regex {
                let regex = match regex {
                    ANY_TEXT => ANY_TEXT_READ,
                    CODE => CODE_READ,
                    other => other,
                };
                schema.insert("pattern".into(), json!(format!("^({regex})$")));
            }
            if ["date", "dateTime", "instant"].contains(&name) {
                schema.insert("format".into(), json!("x-calendar"));
            }
            match name {
                "base64Binary" => schema.insert("format".into(), json!("x-base64")),
                "uri" | "url" | "canonical" => schema.insert("x-urn".into(), json!(true)),
                "string" | "markdown" => schema.insert("x-text".into(), json!(true)),
                _ => None,
            };
            if name == "xhtml" {
                schema.insert("x-narrative".into(), json!(true));
            }
        }
    }
    Ok(Value::Object(schema))
}

fn members(value: &Value) -> Map<String, Value> {
    value.as_object().cloned().unwrap_or_default()
}

fn value_element(definition: &Value) -> Result<Element, Fault> {
    let url = definition.at("url").as_str().unwrap_or("a definition without url");
    let found = elements(definition)?.into_iter().find(|e| e.name() == "value");
    found.ok_or(Fault::new(url, "a primitive type has a value"))
}

/// The limit of the type or of the type that it specialises (markdown has that of string).
fn max_length(source: &Source, definition: &Value) -> Result<Option<u64>, Fault> {
    if definition.at("kind") != "primitive-type" {
        return Ok(None);
    }
    if let Some(length) = value_element(definition)?.max_length {
        return Ok(Some(length));
    }
    match definition.at("baseDefinition").as_str().and_then(|base| source.types.get(base)) {
        Some(base) => max_length(source, base),
        None => Ok(None),
    }
}
