//! Parts of a resource: what `_summary` and `_elements` leave of it.
//!
//! Whatever is left out, what is left says so (the tag SUBSETTED), and mandatory and modifier
//! elements stay, so that it can neither be invalid nor be misread.
//! Source: <http://hl7.org/fhir/R4/search.html#summary>,
//! <http://hl7.org/fhir/R4/search.html#elements>.

use serde_json::{Map, Value, json};

use crate::definitions::model::{Element, Kind, Model};
use crate::fhir::Resource;
use crate::search::query::Summary;

/// The resource cut down to what is wanted; with elements named, to those, else by the summary.
pub fn subset(model: &Model, resource: &mut Resource, summary: Summary, elements: &[String]) {
    let kind = resource.kind().as_str();
    let Some(object) = resource.value_mut().as_object_mut() else { return };
    let named = |name: &str| elements.iter().any(|element| element == name);
    if elements.is_empty() {
        match summary {
            Summary::False | Summary::Count => return,
            Summary::Data => keep(model, kind, object, &|element| element.name != "text"),
            Summary::Text => keep(model, kind, object, &|element| {
                element.name == "text" || element.min > 0 || is_frame(element)
            }),
            Summary::True => summarise(model, kind, object),
        }
    } else {
        keep(model, kind, object, &|element| {
            named(&element.name) || element.min > 0 || element.modifier || is_frame(element)
        });
    }
    tag(object);
}

/// The elements that every answer carries.
fn is_frame(element: &Element) -> bool {
    ["id", "meta"].contains(&element.name.as_str())
}

/// Keeps the members whose element is wanted; members of no element stay.
fn keep(
    model: &Model,
    kind: &str,
    object: &mut Map<String, Value>,
    wanted: &dyn Fn(&Element) -> bool,
) {
    object.retain(|name, _| {
        let found = model.member(kind, name.strip_prefix('_').unwrap_or(name));
        found.is_none_or(|(element, _)| wanted(element))
    });
}

/// Keeps what is marked as summary, at every depth.
fn summarise(model: &Model, kind: &str, object: &mut Map<String, Value>) {
    keep(model, kind, object, &|element| element.summary || element.min > 0 || element.modifier);
    for (name, value) in object.iter_mut() {
        let Some((_, member)) = model.member(kind, name) else { continue };
        let items = match value {
            Value::Array(items) => items.as_mut_slice(),
            other => std::slice::from_mut(other),
        };
        for item in items.iter_mut().filter_map(Value::as_object_mut) {
            let own = item.get("resourceType").and_then(Value::as_str).map(str::to_owned);
            let inner = own.as_deref().unwrap_or(&member.code);
            if model.get(inner).is_some_and(|found| found.kind != Kind::Primitive) {
                summarise(model, inner, item);
            }
        }
    }
}

const SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue";

/// Says in `meta.tag` that the resource is incomplete.
fn tag(object: &mut Map<String, Value>) {
    let meta = object.entry("meta").or_insert_with(|| json!({}));
    let Some(meta) = meta.as_object_mut() else { return };
    let tags = meta.entry("tag").or_insert_with(|| json!([]));
    if let Some(tags) = tags.as_array_mut() {
        tags.push(json!({ "system": SYSTEM, "code": "SUBSETTED" }));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(summary: Summary, elements: &[&str], expected: &Value) {
        let mut resource = Resource::from_value(json!({
            "resourceType": "Observation", "id": "a", "meta": { "versionId": "1" },
            "text": { "status": "generated", "div": "<div/>" },
            "modifierExtension": [{ "url": "urn:m" }], "status": "final", "_status": { "id": "s" },
            "code": { "text": "c" }, "interpretation": [{ "text": "i" }],
            "valueQuantity": { "value": 1 }, "note": [{ "text": "n" }],
            "component": [{ "code": { "text": "d" }, "dataAbsentReason": { "text": "x" },
                "interpretation": [{ "text": "j" }] }],
        }))
        .unwrap();
        let elements: Vec<String> = elements.iter().map(|name| (*name).to_owned()).collect();
        subset(&Model::standard().unwrap(), &mut resource, summary, &elements);
        let mut value = resource.into_value();
        let meta = value.as_object_mut().unwrap().shift_remove("meta").unwrap();
        if summary != Summary::False || !elements.is_empty() {
            assert_eq!(meta["tag"][0]["code"], "SUBSETTED");
        }
        assert_eq!(&value, expected);
    }

    /// The flags are those of <http://hl7.org/fhir/R4/observation.html>.
    #[test]
    fn what_is_left() {
        let frame = json!({ "resourceType": "Observation", "id": "a",
            "modifierExtension": [{ "url": "urn:m" }], "status": "final", "_status": { "id": "s" },
            "code": { "text": "c" } });
        let with = |members: Value| {
            let mut value = frame.clone();
            value.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
            value
        };
        check(Summary::False, &["value"], &with(json!({ "valueQuantity": { "value": 1 } })));
        check(Summary::False, &["nonsense"], &frame);
        check(
            Summary::True,
            &[],
            &with(json!({ "valueQuantity": { "value": 1 },
                "component": [{ "code": { "text": "d" } }] })),
        );
        check(
            Summary::Text,
            &[],
            &json!({ "resourceType": "Observation", "id": "a",
                "text": { "status": "generated", "div": "<div/>" },
                "status": "final", "_status": { "id": "s" }, "code": { "text": "c" } }),
        );
    }
}
