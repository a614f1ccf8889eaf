//! References, by what they point to, however they are written.
//!
//! Key: `[id][type]` for a resource of this server; `[id][base/type]` for one elsewhere;
//! `[url][version]` for a canonical, a urn or any other URL. Item: the version that a versioned
//! reference names. A logical reference's identifier is a token under the parameter's name with
//! `:identifier`. A reference that only displays something has an empty key, so that it is not
//! missing.
//! Source: <http://hl7.org/fhir/R4/search.html#reference>.

use serde_json::Value;

use super::form::Form;
use super::key::Key;
use super::{token, uri};
use crate::fhir::Reference;

/// The other side of a reference, under which its identifier is found.
pub const IDENTIFIER: &str = ":identifier";

/// The keys of a value. `own_base` is the server's own base URL, which absolute references may
/// carry.
pub fn keys(form: Form, value: &Value, own_base: Option<&str>, keys: &mut Vec<Key>) {
    let text = |name: &str| value.get(name).and_then(Value::as_str);
    match form {
        Form::Canonical | Form::Uri => keys.extend(value.as_str().map(|url| key(url, own_base))),
        Form::Resource => {
            if let (Some(kind), Some(id)) = (text("resourceType"), text("id")) {
                keys.push(Key::new([id.as_bytes(), kind.as_bytes()]));
            }
        }
        _ => {
            let before = keys.len();
            keys.extend(text("reference").map(|literal| key(literal, own_base)));
            identifier(value, keys);
            let found = keys.iter().skip(before).any(|key| key.suffix.is_empty());
            if !found && (text("display").is_some() || value.get("identifier").is_some()) {
                keys.push(Key::new([b"", b""]));
            }
        }
    }
}

/// The keys of the identifier of a reference that is logical only.
pub fn logical(value: &Value, keys: &mut Vec<Key>) {
    if value.get("reference").is_none() {
        identifier(value, keys);
    }
}

fn identifier(value: &Value, keys: &mut Vec<Key>) {
    if let Some(identifier) = value.get("identifier") {
        let from = keys.len();
        token::keys(Form::Identifier, identifier, keys);
        keys.iter_mut().skip(from).for_each(|key| key.suffix = IDENTIFIER);
    }
}

/// The key of a literal reference, as it also stands in a query.
pub fn key(literal: &str, own_base: Option<&str>) -> Key {
    match Reference::parse(literal) {
        Reference::Resource { base, kind, id, version } => {
            let own = own_base.map(without_scheme);
            let base = base.as_deref().map(without_scheme).filter(|base| Some(*base) != own);
            let place =
                base.map_or_else(|| kind.to_string(), |base| format!("http://{base}/{kind}"));
            let key = Key::new([id.as_str().as_bytes(), place.as_bytes()]);
            match version {
                Some(version) => key.with([version.to_string()]),
                None => key,
            }
        }
        Reference::Contained(_) | Reference::Malformed(_) => Key::new([b"", b""]),
        _ => {
            let (url, version) = uri::split(literal);
            Key::new([url.as_bytes(), version.as_bytes()])
        }
    }
}

/// http and https never tell two resources apart (<http://hl7.org/fhir/R4/http.html#root>).
pub(super) fn without_scheme(base: &str) -> &str {
    base.split_once("://").map_or(base, |(_, rest)| rest)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn check(value: &Value, expected: &[&str]) {
        let mut found = Vec::new();
        keys(Form::Reference, value, Some("https://me.example/fhir"), &mut found);
        let show = |key: &Key| {
            let parts: Vec<_> = key.parts.iter().map(|p| String::from_utf8_lossy(p)).collect();
            format!("{}{} {}", key.suffix, parts.join(" "), String::from_utf8_lossy(&key.value))
        };
        assert_eq!(found.iter().map(show).collect::<Vec<_>>(), expected, "{value}");
    }

    #[test]
    fn all_spellings_of_one_target_have_one_key() {
        check(&json!({ "reference": "Patient/p" }), &["p Patient "]);
        check(&json!({ "reference": "https://me.example/fhir/Patient/p" }), &["p Patient "]);
        check(&json!({ "reference": "http://me.example/fhir/Patient/p" }), &["p Patient "]);
        check(&json!({ "reference": "Patient/p/_history/2" }), &["p Patient 2"]);
        let elsewhere = json!({ "reference": "http://b.example/Patient/p" });
        check(&elsewhere, &["p http://b.example/Patient "]);
        let elsewhere = json!({ "reference": "https://b.example/Patient/p" });
        check(&elsewhere, &["p http://b.example/Patient "]);
        check(&json!({ "reference": "urn:uuid:x" }), &["urn:uuid:x  "]);
        let logical = json!({ "identifier": { "system": "s", "value": "V" } });
        check(&logical, &[":identifierv s cV", "  "]);
        check(&json!({ "display": "d" }), &["  "]);
        check(&json!({ "extension": [] }), &[]);
    }
}
