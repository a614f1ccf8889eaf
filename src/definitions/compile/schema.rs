//! JSON Schema (draft 2020-12) of the data types and resource types.
//!
//! One document a type; backbone elements are its `$defs`; other types are reached by `$ref`. What
//! draft 2020-12 cannot say is said with keywords of our own, which start with `x-` and which other
//! readers may ignore: see `validation::keyword`.
//! Source: <http://hl7.org/fhir/R4/json.html>, <http://hl7.org/fhir/R4/elementdefinition.html>.

use serde_json::{Map, Value, json};

use super::primitive;
use super::source::Source;
use super::{Files, pretty};
use crate::definitions::Fault;
use crate::definitions::element::{
    Constraint, Element, ElementType, Max, canonical_tail, choice_property,
};
use crate::fhir::json::At;

/// The schemas of all data types: `datatype/X.json`.
pub(super) fn datatypes(source: &Source) -> Result<Files, Fault> {
    let mut files = Files::new();
    for definition in source.types.values() {
        let name = definition.at("type").as_str().unwrap_or_default();
        let schema = if definition.at("kind") == "primitive-type" {
            primitive::schema(source, definition)?
        } else {
            document(source, definition)?
        };
        files.push((format!("datatype/{name}.json"), pretty(&schema)));
    }
    Ok(files)
}

/// The schemas of all concrete resource types: `resource/X.json`.
pub(super) fn resources(source: &Source) -> Result<Files, Fault> {
    let mut files = Files::new();
    for definition in source.resources.values().filter(|d| d.at("abstract") != true) {
        let name = definition.at("type").as_str().unwrap_or_default();
        files.push((format!("resource/{name}.json"), pretty(&document(source, definition)?)));
    }
    Ok(files)
}

/// All elements of a definition.
pub(super) fn elements(definition: &Value) -> Result<Vec<Element>, Fault> {
    let url = definition.at("url").as_str().unwrap_or("a definition without url");
    let list = definition.at("element").as_array().ok_or(Fault::new(url, "has no elements"))?;
    list.iter().map(Element::parse).collect::<Result<_, _>>().map_err(|m| Fault::new(url, m))
}

/// One definition on its way to a schema.
struct Document<'a> {
    source: &'a Source,
    elements: &'a [Element],
    is_resource: bool,
}

fn document(source: &Source, definition: &Value) -> Result<Value, Fault> {
    let elements = elements(definition)?;
    let is_resource = definition.at("kind") == "resource";
    let document = Document { source, elements: &elements, is_resource };
    let root = elements.first().ok_or(Fault::new("a definition", "has no elements"))?;
    let mut schema = Map::new();
    schema.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("$id".into(), definition.at("url").clone());
    schema.extend(document.object(root));
    let mut defs = Map::new();
    for element in elements.iter().skip(1).filter(|e| document.has_children(e)) {
        defs.insert(element.path.clone(), Value::Object(document.object(element)));
    }
    if !defs.is_empty() {
        schema.insert("$defs".into(), Value::Object(defs));
    }
    Ok(Value::Object(schema))
}

impl Document<'_> {
    fn children<'e>(&'e self, parent: &'e Element) -> impl Iterator<Item = &'e Element> {
        self.elements.iter().filter(|e| e.parent() == parent.path && e.slice_name.is_none())
    }

    fn has_children(&self, element: &Element) -> bool {
        self.children(element).next().is_some()
    }

    /// The schema of the object that has the children of `parent` as its members.
    fn object(&self, parent: &Element) -> Map<String, Value> {
        let is_root = !parent.path.contains('.');
        let mut object = ObjectSchema::default();
        if self.is_resource && is_root {
            object.properties.insert("resourceType".into(), json!({ "const": parent.path }));
            object.required.push(json!("resourceType"));
        }
        for child in self.children(parent) {
            self.member(&mut object, child, self.is_resource && is_root);
        }
        let mut schema = Map::new();
        schema.insert("type".into(), json!("object"));
        // Element itself stands for what is said beside a primitive value, where an id is enough.
        let content = if self.is_resource && is_root { "resource" } else { "element" };
        if parent.path != "Element" {
            schema.insert("x-element".into(), json!(content));
        }
        if parent.path == "Extension" {
            schema.insert("x-extension".into(), json!(true));
        }
        if parent.path == "Coding" {
            schema.insert("x-code".into(), json!(true));
        }
        if QUANTITIES.contains(&parent.path.as_str()) {
            schema.insert("x-unit".into(), json!(true));
        }
        if parent.path == "Reference" {
            schema.insert("x-reference".into(), json!(true));
        }
        object.write(&mut schema);
        let constraints = constraints(parent.constraints.iter());
        if !constraints.is_empty() {
            schema.insert("x-invariant".into(), Value::Array(constraints));
        }
        schema
    }

    fn member(&self, object: &mut ObjectSchema, child: &Element, of_resource: bool) {
        let name = child.name();
        if let Some(base) = child.choice_base() {
            return self.choice(object, child, base);
        }
        let primitive = child.types.first().is_some_and(|t| self.is_primitive(&t.code));
        // The ids of elements and the url of an extension are attributes: they have no siblings.
        let attribute = match (name, child.path.as_str()) {
            ("id", _) => true,
            (_, path) => path == "Extension.url" || path == "Narrative.div",
        };
        let value = if name == "id" && of_resource {
            reference("id")
        } else if name == "id" {
            json!({ "type": "string", "pattern": "^\\S+$" })
        } else {
            self.value(child, child.types.first())
        };
        if child.min.unwrap_or(0) > 0 {
            if primitive && !attribute {
                object.present.insert(name.into(), json!([name]));
            } else {
                object.required.push(json!(name));
            }
        }
        let sibling = primitive && !attribute;
        object.properties.insert(name.into(), many(child, value, sibling));
        if sibling {
            object.properties.insert(format!("_{name}"), many(child, reference("Element"), true));
        }
    }

    fn choice(&self, object: &mut ObjectSchema, child: &Element, base: &str) {
        let mut names = Vec::new();
        for kind in &child.types {
            let property = choice_property(base, &kind.code);
            object.properties.insert(property.clone(), self.value(child, Some(kind)));
            if self.is_primitive(&kind.code) {
                object.properties.insert(format!("_{property}"), reference("Element"));
            }
            names.push(json!(property));
        }
        if child.min.unwrap_or(0) > 0 {
            object.present.insert(format!("{base}[x]"), Value::Array(names.clone()));
        }
        object.choices.insert(base.into(), Value::Array(names));
    }

    /// The schema of one value of the element, in one of its types.
    fn value(&self, element: &Element, kind: Option<&ElementType>) -> Value {
        if let Some(target) = &element.content_reference {
            let path = target.split('#').next_back().unwrap_or(target);
            return local(self.elements.first(), path);
        }
        if self.has_children(element) {
            return local(self.elements.first(), &element.path);
        }
        let Some(kind) = kind else { return json!(true) };
        if kind.code == "Resource" {
            let place = if element.name() == "contained" { "contained" } else { "entry" };
            return json!({ "x-resource": place });
        }
        let mut schema = reference(&kind.code);
        let Some(object) = schema.as_object_mut() else { return schema };
        if let Some(binding) = element.binding.as_ref().filter(|_| is_bindable(&kind.code)) {
            object.insert("x-binding".into(), binding.schema());
        }
        if !kind.targets.is_empty() && kind.code == "Reference" {
            let targets: Vec<&str> = kind.targets.iter().map(|t| canonical_tail(t)).collect();
            if !targets.contains(&"Resource") {
                object.insert("x-reference-target".into(), json!(targets));
            }
        }
        if !kind.profiles.is_empty() {
            object.insert("x-profile".into(), json!(kind.profiles));
        }
        let own = self.own_constraints(&kind.code);
        let new = element.constraints.iter().filter(|c| !own.contains(&c.key.as_str()));
        let constraints = constraints(new);
        if !constraints.is_empty() {
            object.insert("x-invariant".into(), Value::Array(constraints));
        }
        schema
    }

    /// The keys of the constraints that a type has itself.
    fn own_constraints(&self, code: &str) -> Vec<&str> {
        let url = format!("http://hl7.org/fhir/StructureDefinition/{code}");
        let list = self.source.types.get(&url).and_then(|t| t.pointer("/element/0/constraint"));
        let list = list.and_then(Value::as_array).into_iter().flatten();
        list.filter_map(|constraint| constraint.at("key").as_str()).collect()
    }

    fn is_primitive(&self, code: &str) -> bool {
        let url = format!("http://hl7.org/fhir/StructureDefinition/{code}");
        self.source.types.get(&url).is_some_and(|t| t.at("kind") == "primitive-type")
    }
}

/// What a schema says about the members of an object.
#[derive(Default)]
struct ObjectSchema {
    properties: Map<String, Value>,
    required: Vec<Value>,
    present: Map<String, Value>,
    choices: Map<String, Value>,
}

impl ObjectSchema {
    fn write(self, schema: &mut Map<String, Value>) {
        if !self.required.is_empty() {
            schema.insert("required".into(), Value::Array(self.required));
        }
        if !self.present.is_empty() {
            schema.insert("x-required".into(), Value::Object(self.present));
        }
        if !self.choices.is_empty() {
            schema.insert("x-choice".into(), Value::Object(self.choices));
        }
        schema.insert("properties".into(), Value::Object(self.properties));
        schema.insert("additionalProperties".into(), json!(false));
    }
}

fn reference(name: &str) -> Value {
    json!({ "$ref": format!("../datatype/{name}.json") })
}

fn local(root: Option<&Element>, path: &str) -> Value {
    match root {
        Some(root) if root.path == path => json!({ "$ref": "#" }),
        _ => json!({ "$ref": format!("#/$defs/{path}") }),
    }
}

/// The schema of the member: of the value itself, or of the array of values. Items of primitive
/// arrays may be null, because their sibling array may hold what is said about the place.
fn many(element: &Element, value: Value, nullable: bool) -> Value {
    if !element.repeats() {
        return value;
    }
    let items = if nullable { json!({ "anyOf": [value, { "type": "null" }] }) } else { value };
    match element.max {
        Some(Max::Times(max)) => {
            json!({ "type": "array", "minItems": 1, "maxItems": max, "items": items })
        }
        _ => json!({ "type": "array", "minItems": 1, "items": items }),
    }
}

/// Types that a binding can apply to (<http://hl7.org/fhir/R4/terminologies.html#4.1>).
pub(crate) fn is_bindable(code: &str) -> bool {
    ["code", "Coding", "CodeableConcept", "Quantity", "string", "uri"].contains(&code)
}

/// The types that give a value with its unit.
const QUANTITIES: [&str; 5] = ["Quantity", "Age", "Count", "Distance", "Duration"];

/// Invariants as data. ele-1 and ext-1 hold by the structure itself (`x-element`).
fn constraints<'c>(list: impl Iterator<Item = &'c Constraint>) -> Vec<Value> {
    let kept = list.filter(|c| c.key != "ele-1" && c.key != "ext-1");
    kept.map(|c| json!({ "key": c.key, "severity": c.severity, "expression": c.expression }))
        .collect()
}
