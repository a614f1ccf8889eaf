//! The confidentiality of a document: the highest of what it was made from.
//!
//! Source: <http://hl7.org/fhir/R4/security-labels.html#core>: "a high water mark"; the order is that
//! of <http://terminology.hl7.org/CodeSystem/v3-Confidentiality>.

use serde_json::{Value, json};

use crate::fhir::json::At;

const SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality";

/// From the lowest to the highest.
const ORDER: [&str; 6] = ["U", "L", "M", "N", "R", "V"];

/// Puts the highest label of the resources on a Bundle; none where none has one.
pub(super) fn mark<'a>(bundle: &mut Value, resources: impl Iterator<Item = &'a Value>) {
    let Some(code) = highest(resources) else { return };
    let Some(object) = bundle.as_object_mut() else { return };
    let meta = object.entry("meta").or_insert_with(|| json!({}));
    let Some(meta) = meta.as_object_mut() else { return };
    let labels = meta.entry("security").or_insert_with(|| json!([]));
    let Some(labels) = labels.as_array_mut() else { return };
    labels.retain(|label| label.at("system") != SYSTEM);
    labels.push(json!({ "system": SYSTEM, "code": code }));
}

fn highest<'a>(resources: impl Iterator<Item = &'a Value>) -> Option<&'static str> {
    let labels = |resource: &'a Value| resource.at("meta").at("security").as_array();
    let own = resources.filter_map(labels).flatten();
    let own = own.filter(|label| label.at("system") == SYSTEM);
    let places = own.filter_map(|label| {
        let code = label.at("code").as_str()?;
        ORDER.iter().position(|known| *known == code)
    });
    places.max().and_then(|place| ORDER.get(place).copied())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bundle_is_as_confidential_as_the_most_that_is_in_it() {
        let label = |code: &str| {
            json!({ "meta": { "security": [{ "system": SYSTEM, "code": code },
            { "system": "http://example.org", "code": "V" }] } })
        };
        let marked = |codes: &[&str]| {
            let resources: Vec<Value> = codes.iter().map(|code| label(code)).collect();
            let mut bundle = json!({ "resourceType": "Bundle", "meta": { "lastUpdated": "x" } });
            mark(&mut bundle, resources.iter().chain([&json!({})]));
            bundle["meta"]["security"].clone()
        };
        for (codes, expected) in
            [(&["N", "R", "L"][..], "R"), (&["V", "R"], "V"), (&["U"], "U"), (&["N", "x"], "N")]
        {
            assert_eq!(marked(codes), json!([{ "system": SYSTEM, "code": expected }]));
        }
        assert_eq!(marked(&[]), Value::Null);
    }
}
