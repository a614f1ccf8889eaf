//! Resources cut down for a reader: `_summary` and `_elements`.
//!
//! What is mandatory stays, so that what is left is still valid, and so does what may change the
//! meaning of the rest; a tag says that it is not the whole.
//! Source: <http://hl7.org/fhir/R4/search.html#summary>,
//! <http://hl7.org/fhir/R4/search.html#elements>.

use serde_json::{Map, Value, json};

use crate::definitions::model::{Element, Kind, Model};
use crate::error::Error;
use crate::interaction::search::type_of;
use crate::search::{Query, Summary};

/// How a resource is cut down.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Cut {
    /// Not at all.
    Whole,
    /// To the elements marked as summary.
    Summary,
    /// To the narrative.
    Text,
    /// To all but the narrative.
    Data,
    /// To these elements.
    Elements(Vec<String>),
}

impl Cut {
    /// As a query asks.
    pub(super) fn of_query(query: &Query) -> Self {
        match query.summary {
            Summary::True => Self::Summary,
            Summary::Text => Self::Text,
            Summary::Data => Self::Data,
            Summary::Count | Summary::False if query.elements.is_empty() => Self::Whole,
            Summary::Count | Summary::False => Self::Elements(query.elements.clone()),
        }
    }

    /// As the parameters of a read ask.
    ///
    /// # Errors
    /// [`Error::Request`] for an unknown kind of summary.
    pub fn of_parameters(parameters: &[(String, String)]) -> Result<Self, Error> {
        let value = |name: &str| parameters.iter().find(|(key, _)| key == name);
        match value("_summary").map(|(_, value)| value.as_str()) {
            Some("true") => return Ok(Self::Summary),
            Some("text") => return Ok(Self::Text),
            Some("data") => return Ok(Self::Data),
            Some("false") | None => {}
            Some(_) => {
                let text = "_summary of a read is true, text, data or false.";
                return Err(Error::request("http._summary", text));
            }
        }
        let elements = value("_elements").map(|(_, value)| value.split(','));
        let elements: Vec<_> = elements.into_iter().flatten().filter(|e| !e.is_empty()).collect();
        if elements.is_empty() {
            return Ok(Self::Whole);
        }
        Ok(Self::Elements(elements.into_iter().map(str::to_owned).collect()))
    }

    /// The resource of that JSON, cut down; as it is if it is no resource.
    pub fn apply(&self, model: &Model, body: Vec<u8>) -> Vec<u8> {
        if *self == Self::Whole {
            return body;
        }
        let Ok(mut value) = serde_json::from_slice::<Value>(&body) else { return body };
        let Some(kind) = type_of(&value) else { return body };
        let Some(object) = value.as_object_mut() else { return body };
        self.members(model, object, kind.as_str());
        tag(object);
        value.to_string().into_bytes()
    }

    fn members(&self, model: &Model, object: &mut Map<String, Value>, kind: &str) {
        object.retain(|name, value| {
            let bare = name.trim_start_matches('_');
            if ["resourceType", "id", "meta"].contains(&bare) {
                return true;
            }
            let Some((element, code)) = model.member(kind, bare) else { return true };
            let keep = self.keeps(element);
            let code = &code.code;
            let is_backbone = model.get(code).is_some_and(|found| found.kind == Kind::Backbone);
            if keep && is_backbone && *self == Self::Summary {
                self.nested(model, value, code);
            }
            keep
        });
    }

    fn nested(&self, model: &Model, value: &mut Value, kind: &str) {
        match value {
            Value::Array(items) => items.iter_mut().for_each(|item| self.nested(model, item, kind)),
            Value::Object(object) => self.members(model, object, kind),
            _ => {}
        }
    }

    fn keeps(&self, element: &Element) -> bool {
        let needed = element.min > 0 || element.modifier;
        match self {
            Self::Whole => true,
            Self::Summary => needed || element.summary,
            Self::Text => needed || element.name == "text",
            Self::Data => element.name != "text",
            Self::Elements(names) => needed || names.contains(&element.name),
        }
    }
}

/// Marks the resource as incomplete.
fn tag(object: &mut Map<String, Value>) {
    let system = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue";
    let subsetted = json!({ "system": system, "code": "SUBSETTED" });
    let meta = object.entry("meta").or_insert_with(|| json!({}));
    if let Some(meta) = meta.as_object_mut()
        && let Some(tags) = meta.entry("tag").or_insert_with(|| json!([])).as_array_mut()
    {
        tags.push(subsetted);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left() {
        let model = Model::standard().unwrap();
        let whole = json!({
            "resourceType": "Observation", "id": "o", "meta": { "versionId": "1" },
            "text": { "status": "generated", "div": "<div/>" },
            "status": "final", "_status": { "id": "s" }, "code": { "text": "x" },
            "note": [{ "text": "n" }], "valueInteger": 1,
            "component": [{ "code": { "text": "c" }, "valueInteger": 2 }],
        });
        let elements =
            |names: &[&str]| Cut::Elements(names.iter().map(|name| (*name).to_owned()).collect());
        for (cut, expected) in [
            (Cut::Summary, "resourceType id meta status _status code valueInteger component"),
            (Cut::Text, "resourceType id meta text status _status code"),
            (Cut::Data, "resourceType id meta status _status code note valueInteger component"),
            (elements(&["value"]), "resourceType id meta status _status code valueInteger"),
        ] {
            let bytes = cut.apply(&model, whole.to_string().into_bytes());
            let value: Value = serde_json::from_slice(&bytes).unwrap();
            let names: Vec<&str> = value.as_object().unwrap().keys().map(String::as_str).collect();
            assert_eq!(names.join(" "), expected, "{cut:?}");
            assert_eq!(value["meta"]["tag"][0]["code"], "SUBSETTED");
        }
        let bytes = whole.to_string().into_bytes();
        assert_eq!(Cut::Whole.apply(&model, bytes.clone()), bytes);
    }
}
