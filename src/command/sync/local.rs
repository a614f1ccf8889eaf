//! A resource of the other server as it is here: its id, its references, where it came from.
//!
//! References to what is here too are turned to what it is here; others name the other server, so
//! that they never mean another resource of the same id. `meta.source` names the origin.
//! Source: <http://hl7.org/fhir/R4/references.html#literal>,
//! <http://hl7.org/fhir/R4/resource-definitions.html#Meta.source>.

use serde_json::{Map, Value, json};

use crate::fhir::Reference;

/// How references are turned.
pub(super) struct Turning<'a> {
    /// The base URL of the other server.
    pub(super) from: &'a str,
    /// That of this one, by which the other may name what is here.
    pub(super) to: &'a str,
    /// What a resource there, such as `Patient/1`, is here; with a version, what that version is.
    pub(super) here: &'a dyn Fn(&str, Option<&str>) -> Option<String>,
}

/// Where a resource there came from, as `meta.source` has it.
pub(super) fn origin(from: &str, of: &str) -> String {
    format!("{from}/{of}")
}

impl Turning<'_> {
    /// The resource as it is to be stored here under that id.
    pub(super) fn turn(&self, of: &str, id: &str, resource: &Value) -> Value {
        let mut value = resource.clone();
        // Entries of a Bundle name each other by their own URLs; a document is kept as it was signed.
        if value.get("resourceType").and_then(Value::as_str) != Some("Bundle") {
            self.references(&mut value);
        }
        if let Some(object) = value.as_object_mut() {
            object.insert("id".to_owned(), json!(id));
            let meta = object.entry("meta").or_insert_with(|| Value::Object(Map::new()));
            if let Some(meta) = meta.as_object_mut() {
                meta.shift_remove("versionId");
                meta.shift_remove("lastUpdated");
                meta.insert("source".to_owned(), json!(origin(self.from, of)));
            }
        }
        value
    }

    fn references(&self, value: &mut Value) {
        match value {
            Value::Array(items) => items.iter_mut().for_each(|item| self.references(item)),
            Value::Object(members) => {
                // An Attachment may name a Binary by its URL.
                let is_attachment = members.contains_key("contentType");
                for (name, member) in members.iter_mut() {
                    let refers = name == "reference" || (name == "url" && is_attachment);
                    match member {
                        Value::String(text) if refers => {
                            if let Some(turned) = self.reference(text) {
                                *text = turned;
                            }
                        }
                        other => self.references(other),
                    }
                }
            }
            _ => {}
        }
    }

    /// What a reference becomes; none where it stays.
    fn reference(&self, text: &str) -> Option<String> {
        let (path, fragment) = match text.split_once('#') {
            Some((path, fragment)) => (path, Some(fragment)),
            None => (text, None),
        };
        let Reference::Resource { base, kind, id, version, .. } = Reference::parse(path) else {
            return None;
        };
        match base.as_deref().map(|base| base.trim_end_matches('/')) {
            Some(base) if base == self.to => {
                return text.get(self.to.len() + 1..).map(str::to_owned);
            }
            Some(base) if base != self.from => return None,
            _ => {}
        }
        let version = version.map(|version| version.to_string());
        let of = format!("{kind}/{id}");
        let turned = (self.here)(&of, version.as_deref()).unwrap_or_else(|| {
            let version = version.map(|version| format!("/_history/{version}"));
            format!("{}{}", origin(self.from, &of), version.unwrap_or_default())
        });
        Some(match fragment {
            Some(fragment) => format!("{turned}#{fragment}"),
            None => turned,
        })
    }
}

/// Whether two contents are the same but for what each server says of its own copy.
pub(super) fn is_same(one: &Value, other: &Value) -> bool {
    let plain = |value: &Value| {
        let mut value = value.clone();
        if let Some(object) = value.as_object_mut() {
            object.shift_remove("meta");
        }
        value
    };
    plain(one) == plain(other)
}

/// The identifiers by which a resource is known beyond its server: those with a system and a value.
pub(super) fn identifiers(resource: &Value) -> Vec<(String, String)> {
    let found = resource.get("identifier");
    let several = found.and_then(Value::as_array).map(Vec::as_slice);
    let all = several.unwrap_or_else(|| found.map(std::slice::from_ref).unwrap_or_default());
    let part = |identifier: &Value, name: &str| {
        identifier.get(name).and_then(Value::as_str).map(str::to_owned)
    };
    let is_lasting = |identifier: &&Value| {
        // What is old or was only for a while may be another's by now.
        !["old", "temp"].contains(&part(identifier, "use").unwrap_or_default().as_str())
    };
    let pairs = all.iter().filter(is_lasting);
    pairs.filter_map(|one| Some((part(one, "system")?, part(one, "value")?))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn references_become_what_they_are_here_or_name_their_server() {
        let here = |of: &str, version: Option<&str>| match (of, version) {
            ("Patient/1", None) => Some("Patient/x".to_owned()),
            ("Patient/1", Some("2")) => Some("Patient/x/_history/5".to_owned()),
            ("Binary/b", None) => Some("Binary/y".to_owned()),
            _ => None,
        };
        let turning = Turning { from: "http://there/fhir", to: "http://here/fhir", here: &here };
        let resource = json!({
            "resourceType": "Basic", "id": "1",
            "meta": { "versionId": "7", "lastUpdated": "2026-01-01T00:00:00Z", "tag": [{ "code": "t" }] },
            "subject": { "reference": "Patient/1" },
            "author": { "reference": "http://there/fhir/Patient/1/_history/2" },
            "list": [
                { "reference": "Patient/2" }, { "reference": "#inside" },
                { "reference": "http://elsewhere/Patient/1" }, { "reference": "urn:uuid:x" },
                { "reference": "Patient/1/_history/1" },
                { "reference": "http://here/fhir/Patient/1#a" },
            ],
            "file": { "contentType": "text/plain", "url": "Binary/b" },
            "code": { "coding": [{ "system": "Patient/1" }] },
            "url": "Binary/b",
        });
        let turned = turning.turn("Basic/1", "z", &resource);
        assert_eq!(
            turned,
            json!({
                "resourceType": "Basic", "id": "z",
                "meta": { "tag": [{ "code": "t" }], "source": "http://there/fhir/Basic/1" },
                "subject": { "reference": "Patient/x" },
                "author": { "reference": "Patient/x/_history/5" },
                "list": [
                    { "reference": "http://there/fhir/Patient/2" }, { "reference": "#inside" },
                    { "reference": "http://elsewhere/Patient/1" }, { "reference": "urn:uuid:x" },
                    { "reference": "http://there/fhir/Patient/1/_history/1" },
                    { "reference": "Patient/1#a" },
                ],
                "file": { "contentType": "text/plain", "url": "Binary/y" },
                "code": { "coding": [{ "system": "Patient/1" }] },
                "url": "Binary/b",
            })
        );
        assert!(is_same(
            &resource,
            &json!({ "resourceType": "Basic", "id": "1",
            "subject": resource["subject"], "author": resource["author"], "list": resource["list"],
            "file": resource["file"], "code": resource["code"], "url": "Binary/b" })
        ));
        assert!(!is_same(&json!({ "value": 1 }), &json!({ "value": 2 })));
    }

    #[test]
    fn a_business_identifier_has_a_system_and_a_value() {
        let resource = json!({ "identifier": [
            { "system": "urn:s", "value": "1" }, { "value": "2" }, { "system": "urn:s" },
            { "use": "old", "system": "urn:s", "value": "3" },
        ] });
        assert_eq!(identifiers(&resource), [("urn:s".to_owned(), "1".to_owned())]);
        let one = json!({ "identifier": { "system": "urn:s", "value": "1" } });
        assert_eq!(identifiers(&one).len(), 1);
        assert!(identifiers(&json!({})).is_empty());
    }
}
