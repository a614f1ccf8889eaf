//! An element of a StructureDefinition, as far as a rule can be made of it.
//!
//! Reads both the published form of an `ElementDefinition` and the shortened one (regular expression
//! and type of a primitive's value beside `code` instead of in extensions). What only describes
//! (definition, comment, mapping) is not read.
//! Source: <http://hl7.org/fhir/R4/elementdefinition.html>.

use crate::fhir::json::At;
use serde_json::{Value, json};

/// How often an element may occur at most.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Max {
    /// That many times.
    Times(u64),
    /// `*`.
    Unbounded,
}

impl Max {
    /// The bound of that text: a number or `*`.
    pub fn parse(text: &str) -> Option<Self> {
        if text == "*" { Some(Self::Unbounded) } else { text.parse().ok().map(Self::Times) }
    }

    /// Whether more than one is allowed, so that the JSON form is an array.
    pub fn repeats(self) -> bool {
        self > Self::Times(1)
    }
}

/// One type that an element may have.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ElementType {
    /// The type's name; for the values of primitives, the FHIR name of the System type.
    pub code: String,
    /// Profiles, of which the value must meet one.
    pub profiles: Vec<String>,
    /// Canonicals of types or profiles, of which a reference's target must meet one.
    pub targets: Vec<String>,
    /// The regular expression of a primitive's value.
    pub regex: Option<String>,
}

/// A binding to a value set (<http://hl7.org/fhir/R4/terminologies.html#strength>).
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Binding {
    /// required, extensible, preferred or example.
    pub strength: String,
    /// The value set's canonical, a version included.
    pub value_set: String,
    /// The canonical of the set that all codes must come from, whatever the strength.
    pub max_value_set: Option<String>,
}

impl Binding {
    /// The value of the keyword `x-binding`.
    pub fn schema(&self) -> Value {
        let mut schema = json!({ "strength": self.strength, "valueSet": self.value_set });
        if let (Some(max), Some(schema)) = (&self.max_value_set, schema.as_object_mut()) {
            schema.insert("maxValueSet".into(), json!(max));
        }
        schema
    }
}

/// An invariant.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Constraint {
    /// The key, such as obs-6.
    pub key: String,
    /// error or warning.
    pub severity: String,
    /// The FHIRPath expression.
    pub expression: String,
    /// What it says in words; only our own profiles have it.
    pub human: Option<String>,
}

/// How the items of an element are told apart.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Slicing {
    /// Pairs of kind (value, pattern, exists, type, profile) and path.
    pub discriminators: Vec<(String, String)>,
    /// open, closed or openAtEnd.
    pub rules: String,
    /// Whether the items must stand in the slices' order.
    pub ordered: bool,
}

/// One element of a snapshot or differential.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Element {
    /// The id (`Observation.component:systolic.value[x]`); the path where none is given.
    pub id: String,
    /// The path without slice names.
    pub path: String,
    /// The slice that the element defines.
    pub slice_name: Option<String>,
    /// Least number of occurrences, if said.
    pub min: Option<u64>,
    /// Largest number of occurrences, if said.
    pub max: Option<Max>,
    /// Types; empty where nothing is said (or for a root or a content reference).
    pub types: Vec<ElementType>,
    /// `#` and the path of the element whose content this one has.
    pub content_reference: Option<String>,
    /// The binding, if any.
    pub binding: Option<Binding>,
    /// Invariants.
    pub constraints: Vec<Constraint>,
    /// The exact value.
    pub fixed: Option<Value>,
    /// What the value must contain.
    pub pattern: Option<Value>,
    /// How items are sliced.
    pub slicing: Option<Slicing>,
    /// Smallest value.
    pub min_value: Option<Value>,
    /// Largest value.
    pub max_value: Option<Value>,
    /// Largest number of characters.
    pub max_length: Option<u64>,
    /// Whether it changes the meaning of what is around it, if said.
    pub is_modifier: Option<bool>,
}

impl Element {
    /// Reads one `ElementDefinition`.
    ///
    /// # Errors
    /// A sentence that names the element, where it has no path or a maximum that is not one.
    pub fn parse(value: &Value) -> Result<Self, String> {
        let path = text(value, "path").ok_or("an element has no path")?;
        let id = text(value, "id").unwrap_or_else(|| path.clone());
        let max = match text(value, "max") {
            Some(max) => Some(Max::parse(&max).ok_or(format!("{id}: max is not a number or *"))?),
            None => None,
        };
        Ok(Self {
            slice_name: text(value, "sliceName"),
            min: value.at("min").as_u64(),
            max,
            types: list(value, "type").filter_map(element_type).collect(),
            content_reference: text(value, "contentReference"),
            binding: binding(value.at("binding")),
            constraints: list(value, "constraint").filter_map(constraint).collect(),
            fixed: choice(value, "fixed"),
            pattern: choice(value, "pattern"),
            slicing: value.get("slicing").map(slicing),
            min_value: choice(value, "minValue"),
            max_value: choice(value, "maxValue"),
            max_length: value.at("maxLength").as_u64(),
            is_modifier: value.at("isModifier").as_bool(),
            id,
            path,
        })
    }

    /// The last step of the path.
    pub fn name(&self) -> &str {
        self.path.rsplit('.').next().unwrap_or(&self.path)
    }

    /// The path of the parent; empty for a root.
    pub fn parent(&self) -> &str {
        self.path.rsplit_once('.').map_or("", |(parent, _)| parent)
    }

    /// The name before `[x]`, for a choice element.
    pub fn choice_base(&self) -> Option<&str> {
        self.name().strip_suffix("[x]")
    }

    /// Whether the JSON form is an array, going by this element's own maximum.
    pub fn repeats(&self) -> bool {
        self.max.is_some_and(Max::repeats)
    }
}

/// The property name of one type of a choice element: `value` and `Quantity` give `valueQuantity`.
pub fn choice_property(base: &str, type_code: &str) -> String {
    let mut chars = type_code.chars();
    let first = chars.next().map(|c| c.to_ascii_uppercase());
    base.chars().chain(first).chain(chars).collect()
}

/// The last step of a canonical, without version: the name of a core type.
pub fn canonical_tail(canonical: &str) -> &str {
    let url = canonical.split('|').next().unwrap_or(canonical);
    url.rsplit('/').next().unwrap_or(url)
}

fn text(value: &Value, key: &str) -> Option<String> {
    value.get(key).and_then(Value::as_str).map(str::to_owned)
}

fn list<'a>(value: &'a Value, key: &str) -> impl Iterator<Item = &'a Value> {
    value.get(key).and_then(Value::as_array).into_iter().flatten()
}

fn texts(value: &Value, key: &str) -> Vec<String> {
    list(value, key).filter_map(Value::as_str).map(str::to_owned).collect()
}

const TYPE_EXTENSION: &str =
    "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type";
const REGEX_EXTENSION: &str = "http://hl7.org/fhir/StructureDefinition/regex";

fn element_type(value: &Value) -> Option<ElementType> {
    let extension = |url: &str| {
        let found = list(value, "extension").find(|e| e.at("url") == url)?;
        choice(found, "value").and_then(|v| v.as_str().map(str::to_owned))
    };
    let code = text(value, "code")?;
    let code = match code.strip_prefix("http://hl7.org/fhirpath/System.") {
        Some(system) => text(value, "fhirType")
            .or_else(|| extension(TYPE_EXTENSION))
            .unwrap_or_else(|| system.to_ascii_lowercase()),
        None => code,
    };
    let regex = text(value, "regex").or_else(|| extension(REGEX_EXTENSION));
    let (profiles, targets) = (texts(value, "profile"), texts(value, "targetProfile"));
    Some(ElementType { code, profiles, targets, regex })
}

/// The binding in an `ElementDefinition`, if it names a value set.
pub(super) fn binding(value: &Value) -> Option<Binding> {
    let mut extensions = list(value, "extension");
    let max = extensions.find(|e| e.at("url").as_str() == Some(MAX_VALUE_SET));
    let max = max.and_then(|e| text(e, "valueCanonical").or_else(|| text(e, "valueUri")));
    Some(Binding {
        strength: text(value, "strength")?,
        value_set: text(value, "valueSet")?,
        max_value_set: text(value, "maxValueSet").or(max),
    })
}

/// What codes beside a preferred or extensible set must come from
/// (<http://hl7.org/fhir/R4/extension-elementdefinition-maxvalueset.html>).
const MAX_VALUE_SET: &str = "http://hl7.org/fhir/StructureDefinition/elementdefinition-maxValueSet";

fn constraint(value: &Value) -> Option<Constraint> {
    Some(Constraint {
        key: text(value, "key")?,
        severity: text(value, "severity")?,
        expression: text(value, "expression")?,
        human: text(value, "human"),
    })
}

fn slicing(value: &Value) -> Slicing {
    let pair = |d: &Value| Some((text(d, "type")?, text(d, "path")?));
    Slicing {
        discriminators: list(value, "discriminator").filter_map(pair).collect(),
        rules: text(value, "rules").unwrap_or_else(|| "open".to_owned()),
        ordered: value.at("ordered").as_bool().unwrap_or(false),
    }
}

/// The value under `base` and a type's name, such as `fixedUri`.
fn choice(value: &Value, base: &str) -> Option<Value> {
    let typed = |name: &str| {
        let rest = name.strip_prefix(base)?;
        rest.starts_with(|c: char| c.is_ascii_uppercase()).then_some(())
    };
    value.as_object()?.iter().find(|(name, _)| typed(name).is_some()).map(|(_, v)| v.clone())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn both_forms_of_a_primitive_value_read_alike() {
        let short = json!({ "path": "id.value", "max": "1", "type": [{
            "code": "http://hl7.org/fhirpath/System.String", "fhirType": "string", "regex": "a" }] });
        let published = json!({ "path": "id.value", "max": "1", "type": [{
            "code": "http://hl7.org/fhirpath/System.String", "extension": [
                { "url": TYPE_EXTENSION, "valueUrl": "string" },
                { "url": REGEX_EXTENSION, "valueString": "a" } ] }] });
        assert_eq!(Element::parse(&short), Element::parse(&published));
    }

    #[test]
    fn names_and_bounds() {
        let element = Element::parse(&json!({ "path": "Observation.value[x]", "max": "1" }));
        let element = element.unwrap();
        assert_eq!((element.parent(), element.choice_base()), ("Observation", Some("value")));
        assert!(!element.repeats());
        assert!(Max::Unbounded.repeats());
        assert_eq!(choice_property("value", "dateTime"), "valueDateTime");
        assert_eq!(
            canonical_tail("http://hl7.org/fhir/StructureDefinition/Patient|4.0.1"),
            "Patient"
        );
        assert!(Element::parse(&json!({ "path": "a", "max": "many" })).is_err());
    }
}
