//! Elements of resources, read without assumptions.
//!
//! Each function answers `None` where the element is absent or of another shape; nothing here
//! guesses a default, and nothing here knows the trade.
//! Source: <http://hl7.org/fhir/R4/datatypes.html>, <http://hl7.org/fhir/R4/extensibility.html>.

use std::str::FromStr;

use rust_decimal::Decimal;
use serde_json::Value;

use crate::fhir::{Reference, ResourceType};

/// The canonical base of our own definitions.
pub const OWN: &str = "https://spondyl.example/fhir";
/// LOINC's system URI.
pub const LOINC: &str = "http://loinc.org";
/// SNOMED CT's system URI.
pub const SNOMED: &str = "http://snomed.info/sct";
/// UCUM's system URI.
pub const UCUM: &str = "http://unitsofmeasure.org";
/// The core extension that names the episode of care of a resource.
pub const EPISODE_LINK: &str = "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare";

/// The element at a JSON pointer; JSON null where there is none.
pub fn at<'a>(value: &'a Value, pointer: &str) -> &'a Value {
    let step = |value: &'a Value, name: &str| match value {
        Value::Object(object) => object.get(name),
        Value::Array(items) => items.get(name.parse::<usize>().ok()?),
        _ => None,
    };
    pointer.split('/').skip(1).try_fold(value, step).unwrap_or(&Value::Null)
}

/// The text at a JSON pointer.
pub fn text<'a>(value: &'a Value, pointer: &str) -> Option<&'a str> {
    at(value, pointer).as_str().filter(|text| !text.trim().is_empty())
}

/// The items of the array at a JSON pointer; none where there is no array.
pub fn items<'a>(value: &'a Value, pointer: &str) -> impl Iterator<Item = &'a Value> {
    at(value, pointer).as_array().into_iter().flatten()
}

/// The code of a `CodeableConcept` in a given system.
pub fn code_in<'a>(concept: &'a Value, system: &str) -> Option<&'a str> {
    items(concept, "/coding")
        .find(|coding| text(coding, "/system") == Some(system))
        .and_then(|coding| text(coding, "/code"))
}

/// The code of a `CodeableConcept` in one of our own code systems, named by its id.
pub fn own_code<'a>(concept: &'a Value, code_system: &str) -> Option<&'a str> {
    items(concept, "/coding")
        .find(|coding| {
            let system = text(coding, "/system").and_then(|system| system.strip_prefix(OWN));
            system.and_then(|rest| rest.strip_prefix("/CodeSystem/")) == Some(code_system)
        })
        .and_then(|coding| text(coding, "/code"))
}

/// The words of a `CodeableConcept`: its text, else a display, else a code.
pub fn words(concept: &Value) -> Option<&str> {
    let coding = |name| items(concept, "/coding").find_map(move |coding| text(coding, name));
    text(concept, "/text").or_else(|| coding("/display")).or_else(|| coding("/code"))
}

/// The extension of a URL on an element.
pub fn extension<'a>(element: &'a Value, url: &str) -> Option<&'a Value> {
    items(element, "/extension").find(|extension| text(extension, "/url") == Some(url))
}

/// One of our own extensions on an element, named by its id.
pub fn own_extension<'a>(element: &'a Value, id: &str) -> Option<&'a Value> {
    items(element, "/extension").find(|extension| {
        let url = text(extension, "/url").and_then(|url| url.strip_prefix(OWN));
        url.and_then(|rest| rest.strip_prefix("/StructureDefinition/")) == Some(id)
    })
}

/// The exact decimal of a JSON number, whatever its notation.
pub fn decimal(value: &Value) -> Option<Decimal> {
    let digits = value.as_number()?.to_string();
    Decimal::from_str(&digits).or_else(|_| Decimal::from_scientific(&digits)).ok()
}

/// A whole number that is not negative.
pub fn whole(value: &Value) -> Option<u32> {
    value.as_u64().and_then(|number| u32::try_from(number).ok())
}

/// Value and UCUM code of a `Quantity`; none unless it has a value, the UCUM system and a code, and
/// no comparator.
pub fn ucum(quantity: &Value) -> Option<(Decimal, &str)> {
    let exact = at(quantity, "/comparator").is_null() && text(quantity, "/system") == Some(UCUM);
    let code = text(quantity, "/code").filter(|_| exact)?;
    Some((decimal(at(quantity, "/value"))?, code))
}

/// Type and id of the target of the reference at a JSON pointer.
pub fn target(value: &Value, pointer: &str) -> Option<Target> {
    Target::of(text(at(value, pointer), "/reference")?)
}

/// Hands over the text of every `Reference.reference` below a value, in the order of the value.
pub fn references<'a>(value: &'a Value, take: &mut impl FnMut(&'a str)) {
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                match value {
                    Value::String(text) if name == "reference" => take(text),
                    _ => references(value, take),
                }
            }
        }
        Value::Array(items) => items.iter().for_each(|item| references(item, take)),
        _ => {}
    }
}

/// Type and id of a resource that a reference names.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Target {
    /// The target's type.
    pub kind: ResourceType,
    /// The target's logical id.
    pub id: String,
}

impl Target {
    /// The target that the text of a reference names, if it names one by type and id.
    pub fn of(reference: &str) -> Option<Self> {
        let parsed = Reference::parse(reference);
        parsed.target().map(|(kind, id)| Self { kind, id: id.as_str().to_owned() })
    }

    /// Whether the target is of that type.
    pub fn is(&self, kind: &str) -> bool {
        self.kind.as_str() == kind
    }
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}/{}", self.kind, self.id)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn decimals_keep_their_digits() {
        for (json, expected) in [("1.10", "1.10"), ("0", "0"), ("1e2", "100"), ("-3", "-3")] {
            let value: Value = serde_json::from_str(json).unwrap();
            assert_eq!(decimal(&value).unwrap().to_string(), expected);
        }
        assert!(decimal(&json!("1")).is_none());
    }

    #[test]
    fn a_quantity_needs_its_unit() {
        let good = json!({ "value": 3, "system": UCUM, "code": "deg" });
        assert_eq!(ucum(&good).map(|(_, code)| code), Some("deg"));
        let no_code = json!({ "value": 3, "unit": "degrees" });
        let below = json!({ "value": 3, "system": UCUM, "code": "deg", "comparator": "<" });
        assert!(ucum(&no_code).is_none());
        assert!(ucum(&below).is_none());
    }
}
