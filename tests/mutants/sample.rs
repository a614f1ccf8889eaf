//! Sound values of every type: invented, as small as the type lets them be.

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde_json::{Map, Value, json};
use spondyl::terminology::Terminology;
use spondyl::terminology::call::{Call, Operation, call};
use spondyl::terminology::validate_code::DisplayPolicy;

use super::model::{Binding, Element, Kind, Model};

/// Makes values.
pub(crate) struct Maker<'a> {
    pub(crate) model: &'a Model,
    terminology: &'a Terminology,
    /// What a type needs beside its required elements so that no invariant is broken.
    least: Map<String, Value>,
    codes: RefCell<BTreeMap<String, Option<(String, String)>>>,
}

/// Values of types that have invariants, or that an element of no other content would not do for.
fn known(name: &str) -> Option<Value> {
    let ucum = "http://unitsofmeasure.org";
    Some(match name {
        "boolean" => json!(true),
        "integer" | "positiveInt" | "unsignedInt" => json!(1),
        "decimal" => json!(1.5),
        "string" | "markdown" => json!("Invented text"),
        "code" => json!("a-code"),
        "id" => json!("x1"),
        "uri" | "url" => json!("https://spondyl.example/x1"),
        "oid" => json!("urn:oid:2.999.1"),
        "uuid" => json!("urn:uuid:0f5c1c7a-8d1e-4a57-9d3b-3f1f6a0c2b11"),
        "date" => json!("2026-03-02"),
        "dateTime" | "instant" => json!("2026-03-02T10:15:00+01:00"),
        "time" => json!("10:15:00"),
        "base64Binary" => json!("QUJD"),
        "xhtml" => json!("<div xmlns=\"http://www.w3.org/1999/xhtml\">Invented</div>"),
        "Quantity" | "Duration" => {
            json!({ "value": 1.5, "unit": "d", "system": ucum, "code": "d" })
        }
        "Age" => json!({ "value": 40, "unit": "a", "system": ucum, "code": "a" }),
        "Count" => json!({ "value": 2, "system": ucum, "code": "1" }),
        "Distance" => json!({ "value": 2, "unit": "m", "system": ucum, "code": "m" }),
        "Money" => json!({ "value": 12.5, "currency": "EUR" }),
        "Range" => json!({ "low": { "value": 1 }, "high": { "value": 2 } }),
        "Ratio" => json!({ "numerator": { "value": 1 }, "denominator": { "value": 2 } }),
        "Period" => json!({ "start": "2026-03-02", "end": "2026-03" }),
        "Attachment" => {
            json!({ "contentType": "text/plain", "url": "https://spondyl.example/x1" })
        }
        "ContactPoint" => json!({ "system": "phone", "value": "1" }),
        "Timing" => {
            json!({ "repeat": { "frequency": 1, "period": 2, "periodUnit": "d" } })
        }
        "Narrative" => json!({ "status": "generated", "div": known("xhtml") }),
        "Expression" => json!({ "language": "text/fhirpath", "expression": "true" }),
        "Meta" => json!({ "source": "https://spondyl.example/x1" }),
        "Extension" => {
            json!({ "url": "https://spondyl.example/unheard-of", "valueString": "a" })
        }
        "Resource" => json!({ "resourceType": "Basic", "code": { "text": "Invented" } }),
        _ => return None,
    })
}

impl<'a> Maker<'a> {
    pub(crate) fn new(
        model: &'a Model,
        terminology: &'a Terminology,
        least: Map<String, Value>,
    ) -> Self {
        Self { model, terminology, least, codes: RefCell::default() }
    }

    /// A sound value of a type that an element may have.
    pub(crate) fn value(&self, kind: &Kind) -> Value {
        let code = kind.binding.as_ref().and_then(|binding| self.code(binding));
        match (kind.name.as_str(), code) {
            ("canonical", _) => {
                let target = kind.targets.first().map_or("StructureDefinition", String::as_str);
                json!(format!("https://spondyl.example/fhir/{target}/x1"))
            }
            ("Reference", _) => {
                let target = kind.targets.first().map_or("Patient", String::as_str);
                let target = if target == "Resource" { "Patient" } else { target };
                json!({ "reference": format!("{target}/x1") })
            }
            ("code", Some((_, code))) => json!(code),
            ("Coding", Some((system, code))) => json!({ "system": system, "code": code }),
            ("CodeableConcept", Some((system, code))) => {
                json!({ "coding": [{ "system": system, "code": code }] })
            }
            ("CodeableConcept", None) => json!({ "text": "Invented" }),
            (name, _) => known(name).unwrap_or_else(|| self.least(name)),
        }
    }

    /// A sound value of a complex type: its required elements, or one other where there is none.
    pub(crate) fn least(&self, name: &str) -> Value {
        let elements = self.model.elements(name);
        let mut object = Map::new();
        for element in elements.iter().filter(|element| element.is_required) {
            self.put(&mut object, element, &element.kinds[0]);
        }
        if let Some(Value::Object(more)) = self.least.get(name) {
            object.extend(more.clone());
        }
        if object.is_empty() {
            // A type's first element would do, but for those whose values are of the type itself.
            let simple = |element: &&Element| {
                let kind = &element.kinds[0].name;
                kind != "Extension" && element.name != "id" && known(kind).is_some()
            };
            let first = elements.iter().find(simple).unwrap_or(&elements[0]);
            self.put(&mut object, first, &first.kinds[0]);
        }
        Value::Object(object)
    }

    /// A sound resource with nothing but what its type asks for.
    pub(crate) fn resource(&self, name: &str) -> Value {
        let mut object = Map::new();
        object.insert("resourceType".into(), json!(name));
        for element in self.model.elements(name).iter().filter(|element| element.is_required) {
            self.put(&mut object, element, &element.kinds[0]);
        }
        if let Some(Value::Object(more)) = self.least.get(name) {
            object.extend(more.clone());
        }
        Value::Object(object)
    }

    /// Sets an element to a sound value.
    pub(crate) fn put(&self, object: &mut Map<String, Value>, element: &Element, kind: &Kind) {
        let value = if element.name == "id" { json!("x1") } else { self.value(kind) };
        let value = if element.is_list { json!([value]) } else { value };
        object.insert(element.json_name(kind), value);
    }

    /// System and code of some member of a value set; none where its members cannot be listed.
    fn code(&self, binding: &Binding) -> Option<(String, String)> {
        let canonical = &binding.value_set;
        if let Some(held) = self.codes.borrow().get(canonical) {
            return held.clone();
        }
        let found = match canonical.split('|').next().unwrap() {
            "http://hl7.org/fhir/ValueSet/mimetypes" => {
                Some(("urn:ietf:bcp:13".into(), "text/plain".into()))
            }
            "http://hl7.org/fhir/ValueSet/currencies" => {
                Some(("urn:iso:std:iso:4217".into(), "EUR".into()))
            }
            "http://hl7.org/fhir/ValueSet/ucum-units" => {
                Some(("http://unitsofmeasure.org".into(), "d".into()))
            }
            _ => self.first_member(canonical),
        };
        self.codes.borrow_mut().insert(canonical.clone(), found.clone());
        found
    }

    fn first_member(&self, canonical: &str) -> Option<(String, String)> {
        let parameters = json!({ "resourceType": "Parameters", "parameter": [
            { "name": "url", "valueUri": canonical.split('|').next() },
            { "name": "count", "valueInteger": 5 },
        ] });
        let request = Call {
            operation: Operation::ValueSetExpand,
            parameters: &parameters,
            instance: None,
            timestamp: "2026-03-02T10:15:00Z",
            display_policy: DisplayPolicy::default(),
        };
        let answer = call(self.terminology, request).ok()?;
        let list = answer["expansion"]["contains"].as_array()?;
        let concrete = list.iter().find(|item| item["abstract"] != true)?;
        Some((concrete["system"].as_str()?.into(), concrete["code"].as_str()?.into()))
    }
}
