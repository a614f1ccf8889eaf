//! URIs and canonicals, compared byte by byte.
//!
//! Key: `[uri][version]`; the version is what stands behind `|` in a canonical.
//! Source: <http://hl7.org/fhir/R4/search.html#uri>.

use serde_json::Value;

use super::form::Form;
use super::key::Key;

/// The keys of a value.
pub fn keys(form: Form, value: &Value, keys: &mut Vec<Key>) {
    let Some(text) = value.as_str() else { return };
    let (uri, version) = match form {
        Form::Canonical => split(text),
        _ => (text, ""),
    };
    keys.push(Key::new([uri.as_bytes(), version.as_bytes()]));
}

/// A canonical without and with its version.
pub fn split(canonical: &str) -> (&str, &str) {
    canonical.split_once('|').unwrap_or((canonical, ""))
}
