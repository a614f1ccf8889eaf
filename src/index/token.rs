//! Tokens: codes with their systems, identifiers, flags.
//!
//! Key: `[code in lower case][system or nothing]`. Items: `c` and the code where it is not in lower
//! case (an empty item: it is), `t` and a text to find with `:text`, `i` and the type of an
//! identifier as `system|code`.
//! Source: <http://hl7.org/fhir/R4/search.html#token>.

use serde_json::Value;

use super::form::Form;
use super::key::Key;
use super::route::plain_text;

/// A code as it stands in keys. The standard wants case ignored unless the code system says that
/// it matters; the code as it was sent stands in the row, for those.
pub fn fold(code: &str) -> String {
    code.to_lowercase()
}

/// The keys of a value.
pub fn keys(form: Form, value: &Value, keys: &mut Vec<Key>) {
    let text = |name: &str| value.get(name).and_then(Value::as_str);
    match form {
        Form::Coding => keys.push(coding(value, None)),
        Form::CodeableConcept => {
            let codings = value.get("coding").and_then(Value::as_array);
            let codings = codings.map(Vec::as_slice).unwrap_or_default();
            let mut concept_text = text("text");
            for item in codings {
                keys.push(coding(item, concept_text.take()));
            }
            if codings.is_empty() && concept_text.is_some() {
                keys.push(key(None, None, [concept_text], None));
            }
        }
        Form::Identifier => {
            let kind = value.get("type");
            let texts = [kind.and_then(|kind| kind.get("text")).and_then(Value::as_str)];
            let kinds = kind.and_then(|kind| kind.get("coding")).and_then(Value::as_array);
            if text("value").is_some() || text("system").is_some() {
                keys.push(key(text("value"), text("system"), texts, kinds));
            }
        }
        Form::ContactPoint => {
            if let Some(number) = text("value") {
                keys.push(key(Some(number), None, [], None));
            }
        }
        _ => {
            if let Some(text) = plain_text(value) {
                keys.push(key(Some(&text), None, [], None));
            }
        }
    }
}

fn coding(value: &Value, concept_text: Option<&str>) -> Key {
    let text = |name: &str| value.get(name).and_then(Value::as_str);
    key(text("code"), text("system"), [text("display"), concept_text], None)
}

fn key<const N: usize>(
    code: Option<&str>,
    system: Option<&str>,
    texts: [Option<&str>; N],
    types: Option<&Vec<Value>>,
) -> Key {
    let code = code.unwrap_or_default();
    let folded = fold(code);
    let mut items = Vec::new();
    if folded != code {
        items.push(format!("c{code}"));
    }
    for text in texts.into_iter().flatten() {
        let item = format!("t{text}");
        if !items.contains(&item) {
            items.push(item);
        }
    }
    for kind in types.into_iter().flatten() {
        let text = |name: &str| kind.get(name).and_then(Value::as_str).unwrap_or_default();
        items.push(format!("i{}|{}", text("system"), text("code")));
    }
    let lower = folded == code && !items.is_empty();
    let head = lower.then(String::new);
    Key::new([folded.as_bytes(), system.unwrap_or_default().as_bytes()])
        .with(head.into_iter().chain(items))
}
