//! The element model: which elements a type has, of which types, how often.
//!
//! Compiled from the standard's `StructureDefinition`s to one small file, one type a line; the
//! elements that a type takes over from its base are written once, at the base. It holds what
//! finding, cutting down and printing elements needs; constraints and bindings are the schemas'.
//! Source: <http://hl7.org/fhir/R4/elementdefinition.html>, <http://hl7.org/fhir/R4/datatypes.html>.

use std::collections::{BTreeMap, HashMap};
use std::fmt::Write as _;
use std::sync::{Arc, OnceLock};

use serde_json::{Map, Value, json};

use crate::definitions::embedded;

/// The types of R4 with their elements.
#[derive(Clone, Debug, Default)]
pub struct Model {
    types: HashMap<String, Type>,
}

/// A type: a resource, a data type, or the type of a backbone element, named by its path
/// (`Observation.component`).
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Type {
    /// Which family it belongs to.
    pub kind: Kind,
    /// The type that it specialises; none for `Element` and `Resource`.
    pub base: Option<String>,
    /// Its elements in the order of the standard, those of its base first.
    pub elements: Vec<Element>,
}

/// The families of types.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Kind {
    /// A JSON string, number or boolean.
    Primitive,
    /// A data type with elements.
    Complex,
    /// A resource type, abstract ones included.
    Resource,
    /// The unnamed type of an element that has elements of its own.
    Backbone,
}

/// An element of a type.
#[allow(clippy::struct_excessive_bools, reason = "each is a member of its own in the standard")]
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Element {
    /// The name, without `[x]`.
    pub name: String,
    /// Whether the name in JSON has the type's name appended (`value[x]`: `valueQuantity`).
    pub choice: bool,
    /// The types that it may have; several only for a choice.
    pub types: Vec<ElementType>,
    /// How many there must be.
    pub min: u32,
    /// Whether there may be more than one: a JSON array.
    pub array: bool,
    /// Whether `_summary=true` shows it.
    pub summary: bool,
    /// Whether it may change the meaning of its parent.
    pub modifier: bool,
    /// For a `code` with a required binding: the code systems its codes come from.
    pub systems: Vec<String>,
}

/// One of the types of an element.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ElementType {
    /// A key of the model.
    pub code: String,
    /// For `Reference` and `canonical`: the types of resource that it may point to; empty for any.
    pub targets: Vec<String>,
}

impl Element {
    /// The member names that the element may have in JSON, each with its type.
    pub fn json_names(&self) -> impl Iterator<Item = (String, &ElementType)> {
        self.types.iter().map(|kind| (self.json_name(&kind.code), kind))
    }

    /// The member name in JSON when the value is of that type.
    pub fn json_name(&self, code: &str) -> String {
        let mut letters = code.chars();
        match letters.next() {
            Some(first) if self.choice => {
                format!("{}{}{}", self.name, first.to_ascii_uppercase(), letters.as_str())
            }
            _ => self.name.clone(),
        }
    }
}

/// Why a text is no element model.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the element model is broken at {place}: {message}")]
pub struct Broken {
    /// The type, or type and element, in question.
    pub place: String,
    /// What is wrong with it.
    pub message: String,
}

impl Broken {
    fn at(place: impl Into<String>, message: impl Into<String>) -> Self {
        Self { place: place.into(), message: message.into() }
    }
}

impl Model {
    /// The model of R4 that is built into the program.
    ///
    /// # Errors
    /// [`Broken`] if the file was damaged before the build.
    pub fn standard() -> Result<Self, Broken> {
        Self::parse(embedded::text("model.json").unwrap_or_default())
    }

    /// The same, read once for the whole program.
    ///
    /// # Errors
    /// As [`Model::standard`].
    pub fn shared() -> Result<&'static Arc<Self>, Broken> {
        static SHARED: OnceLock<Result<Arc<Model>, Broken>> = OnceLock::new();
        SHARED.get_or_init(|| Self::standard().map(Arc::new)).as_ref().map_err(Clone::clone)
    }

    /// Reads what [`compile`] wrote.
    ///
    /// # Errors
    /// [`Broken`] for anything else.
    pub fn parse(text: &str) -> Result<Self, Broken> {
        let value: Value = serde_json::from_str(text)
            .map_err(|error| Broken::at("the file", error.to_string()))?;
        let rows = value.as_object().ok_or_else(|| Broken::at("the file", "not an object"))?;
        let mut types = HashMap::with_capacity(rows.len());
        for name in rows.keys() {
            load(name, rows, &mut types, 0)?;
        }
        Ok(Self { types })
    }

    /// The type of that name or path.
    pub fn get(&self, name: &str) -> Option<&Type> {
        self.types.get(name)
    }

    /// The names of all types, in any order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.types.keys().map(String::as_str)
    }

    /// The element of that name (without `[x]`) of that type.
    pub fn element(&self, kind: &str, name: &str) -> Option<&Element> {
        self.get(kind)?.elements.iter().find(|element| element.name == name)
    }

    /// The element that a member of a JSON object of that type is, with the member's own type.
    pub fn member(&self, kind: &str, json_name: &str) -> Option<(&Element, &ElementType)> {
        self.get(kind)?.elements.iter().find_map(|element| {
            let of_type = |t: &&ElementType| element.json_name(&t.code) == json_name;
            json_name
                .starts_with(&element.name)
                .then(|| element.types.iter().find(of_type))
                .flatten()
                .map(|found| (element, found))
        })
    }

    /// Whether the one type is the other or a specialisation of it.
    pub fn is_a(&self, kind: &str, base: &str) -> bool {
        kind == base
            || self
                .get(kind)
                .and_then(|found| found.base.as_deref())
                .is_some_and(|parent| self.is_a(parent, base))
    }

    /// Whether that is the name of a type.
    pub fn contains(&self, name: &str) -> bool {
        self.types.contains_key(name)
    }
}

const MAX_BASES: usize = 8;

fn load(
    name: &str,
    rows: &Map<String, Value>,
    types: &mut HashMap<String, Type>,
    depth: usize,
) -> Result<(), Broken> {
    if types.contains_key(name) {
        return Ok(());
    }
    if depth > MAX_BASES {
        return Err(Broken::at(name, "the bases form a circle"));
    }
    let row = rows.get(name).ok_or_else(|| Broken::at(name, "no such type"))?;
    let text = |key| row.get(key).and_then(Value::as_str);
    let kind = match text("kind") {
        Some("primitive") => Kind::Primitive,
        Some("complex") => Kind::Complex,
        Some("resource") => Kind::Resource,
        Some("backbone") => Kind::Backbone,
        _ => return Err(Broken::at(name, "a type is primitive, complex, resource or backbone")),
    };
    let base = text("base").map(str::to_owned);
    let mut elements = Vec::new();
    if let Some(base) = &base {
        load(base, rows, types, depth + 1)?;
        elements.extend(types.get(base).map(|base| base.elements.clone()).unwrap_or_default());
    }
    for (key, value) in row.get("elements").and_then(Value::as_object).into_iter().flatten() {
        let read = value.as_str().and_then(|text| read_element(key, text));
        let element = read.ok_or_else(|| Broken::at(format!("{name}.{key}"), "not understood"))?;
        match elements.iter_mut().find(|known: &&mut Element| known.name == element.name) {
            Some(known) => *known = element,
            None => elements.push(element),
        }
    }
    types.insert(name.to_owned(), Type { kind, base, elements });
    Ok(())
}

/// `min..max flags types [@systems]`, as in `0..1 S Reference(Patient,Group)`.
fn read_element(key: &str, text: &str) -> Option<Element> {
    let mut parts = text.split(' ');
    let (min, max) = parts.next()?.split_once("..")?;
    let flags = parts.next()?;
    let types = parts.next()?.split('|').map(read_type).collect::<Option<Vec<_>>>()?;
    let systems = parts.next().and_then(|list| list.strip_prefix('@'));
    let systems = systems.map(|list| list.split(',').map(str::to_owned).collect());
    Some(Element {
        name: key.strip_suffix("[x]").unwrap_or(key).to_owned(),
        choice: key.ends_with("[x]"),
        types,
        min: min.parse().ok()?,
        array: max == "*",
        summary: flags.contains('S'),
        modifier: flags.contains('M'),
        systems: systems.unwrap_or_default(),
    })
}

fn read_type(text: &str) -> Option<ElementType> {
    let Some((code, rest)) = text.split_once('(') else {
        return Some(ElementType { code: text.to_owned(), targets: Vec::new() });
    };
    let targets = rest.strip_suffix(')')?.split(',').map(str::to_owned).collect();
    Some(ElementType { code: code.to_owned(), targets })
}

/// Compiles `StructureDefinition`s (data types and resources) and the value sets of their bindings
/// to the text that [`Model::parse`] reads. The same definitions in any order give the same text.
pub fn compile(definitions: &[Value], value_sets: &[Value]) -> String {
    let systems = systems(value_sets);
    let mut rows = Rows::new();
    for definition in definitions {
        let text = |key: &str| definition.get(key).and_then(Value::as_str).unwrap_or_default();
        let root = text("name");
        let kind = match text("kind") {
            "primitive-type" => "primitive",
            "resource" => "resource",
            _ => "complex",
        };
        let elements = definition.get("element").and_then(Value::as_array);
        let elements: Vec<&Value> = elements.into_iter().flatten().collect();
        let head = json!({ "kind": kind, "base": last_segment(text("baseDefinition")) });
        rows.insert(root.to_owned(), (head, BTreeMap::new()));
        for (at, element) in elements.iter().enumerate() {
            let path = element.get("path").and_then(Value::as_str).unwrap_or_default();
            let Some((parent, name)) = path.rsplit_once('.') else { continue };
            let backbone = elements.iter().any(|other| is_child(other, path));
            if backbone {
                let head = json!({ "kind": "backbone", "base": first_type(element) });
                rows.insert(path.to_owned(), (head, BTreeMap::new()));
            }
            let line = write_element(element, root, backbone.then_some(path), &systems);
            if let Some((_, lines)) = rows.get_mut(parent) {
                lines.insert(at, (name.to_owned(), line));
            }
        }
    }
    print(&rows)
}

fn is_child(element: &Value, path: &str) -> bool {
    let own = element.get("path").and_then(Value::as_str).unwrap_or_default();
    own.strip_prefix(path).is_some_and(|rest| rest.starts_with('.'))
}

type Rows = BTreeMap<String, (Value, BTreeMap<usize, (String, String)>)>;

/// One type a line; elements that stand the same at the base are left out.
fn print(rows: &Rows) -> String {
    let mut text = String::from("{\n");
    for (at, (name, (head, lines))) in rows.iter().enumerate() {
        let base = head.get("base").and_then(Value::as_str).unwrap_or_default();
        let inherited = |line: &(String, String)| {
            rows.get(base).is_some_and(|(_, base)| base.values().any(|known| known == line))
        };
        let own = lines.values().filter(|line| !inherited(line));
        let elements: Map<String, Value> =
            own.map(|(name, line)| (name.clone(), json!(line))).collect();
        let mut row = Map::new();
        row.insert("kind".into(), head.get("kind").cloned().unwrap_or_default());
        if !base.is_empty() {
            row.insert("base".into(), json!(base));
        }
        row.insert("elements".into(), Value::Object(elements));
        let comma = if at + 1 < rows.len() { "," } else { "" };
        let _ = writeln!(text, "{}:{}{comma}", json!(name), Value::Object(row));
    }
    text.push_str("}\n");
    text
}

fn last_segment(url: &str) -> &str {
    url.rsplit('/').next().unwrap_or(url)
}

fn first_type(element: &Value) -> String {
    let code = element.pointer("/type/0/code").and_then(Value::as_str);
    code.unwrap_or("BackboneElement").to_owned()
}

fn write_element(
    element: &Value,
    root: &str,
    backbone: Option<&str>,
    systems: &HashMap<String, String>,
) -> String {
    let flag = |key| element.get(key).and_then(Value::as_bool).unwrap_or_default();
    let text = |path| element.pointer(path).and_then(Value::as_str);
    let min = element.get("min").and_then(Value::as_u64).unwrap_or(0);
    let max = if text("/max") == Some("1") { "1" } else { "*" };
    let flags = match (flag("isSummary"), flag("isModifier")) {
        (true, true) => "SM",
        (true, false) => "S",
        (false, true) => "M",
        (false, false) => "-",
    };
    let reference = text("/contentReference").and_then(|target| target.strip_prefix('#'));
    let types = backbone.or(reference).map_or_else(
        || {
            let types = element.get("type").and_then(Value::as_array).into_iter().flatten();
            types.map(|kind| write_type(kind, root)).collect::<Vec<_>>().join("|")
        },
        str::to_owned,
    );
    let bound = text("/binding/valueSet")
        .filter(|_| types == "code" && text("/binding/strength") == Some("required"));
    let bound = bound.and_then(|url| systems.get(url.split('|').next().unwrap_or(url)));
    let bound = bound.map(|list| format!(" @{list}")).unwrap_or_default();
    format!("{min}..{max} {flags} {types}{bound}")
}

fn write_type(kind: &Value, root: &str) -> String {
    let text = |key| kind.get(key).and_then(Value::as_str);
    let code = text("fhirType").or(text("code")).unwrap_or_default();
    let code = last_segment(code).trim_start_matches("System.");
    let code =
        if code == "String" { if root == "xhtml" { "xhtml" } else { "string" } } else { code };
    let targets = kind.get("targetProfile").and_then(Value::as_array).into_iter().flatten();
    let targets: Vec<&str> =
        targets.filter_map(Value::as_str).map(last_segment).filter(|t| *t != "Resource").collect();
    if targets.is_empty() { code.to_owned() } else { format!("{code}({})", targets.join(",")) }
}

/// Value set to the code systems that it includes directly, joined by commas.
fn systems(value_sets: &[Value]) -> HashMap<String, String> {
    let list = |set: &Value| {
        let includes = set.pointer("/compose/include").and_then(Value::as_array);
        let systems = includes.into_iter().flatten().filter_map(|include| include.get("system"));
        let mut systems: Vec<_> = systems.filter_map(Value::as_str).collect();
        systems.sort_unstable();
        systems.dedup();
        systems.join(",")
    };
    let url = |set: &Value| set.get("url").and_then(Value::as_str).map(str::to_owned);
    let pairs = value_sets.iter().filter_map(|set| Some((url(set)?, list(set))));
    pairs.filter(|(_, list)| !list.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(kind: &str, name: &str, expected: &str) {
        let model = Model::standard().unwrap();
        let element = model.element(kind, name).unwrap_or_else(|| panic!("{kind}.{name}"));
        let mut types: Vec<_> =
            element.json_names().map(|(n, t)| format!("{n}:{}", t.code)).collect();
        types.truncate(2);
        let many = if element.array { "*" } else { "1" };
        assert_eq!(format!("{}..{many} {}", element.min, types.join(" ")), expected);
    }

    /// Facts read off <http://hl7.org/fhir/R4/observation.html> and
    /// <http://hl7.org/fhir/R4/patient.html>.
    #[test]
    fn elements_of_known_types() {
        check(
            "Observation",
            "value",
            "0..1 valueQuantity:Quantity valueCodeableConcept:CodeableConcept",
        );
        check("Observation", "component", "0..* component:Observation.component");
        check(
            "Observation.component",
            "referenceRange",
            "0..* referenceRange:Observation.referenceRange",
        );
        check("Observation.component", "modifierExtension", "0..* modifierExtension:Extension");
        check("Observation", "status", "1..1 status:code");
        check("Patient", "meta", "0..1 meta:Meta");
        check("Age", "value", "0..1 value:decimal");
        check("Extension", "url", "1..1 url:uri");
    }

    #[test]
    fn kinship_and_members() {
        let model = Model::standard().unwrap();
        assert!(model.is_a("Age", "Quantity") && model.is_a("Patient", "DomainResource"));
        assert!(!model.is_a("Quantity", "Age") && !model.is_a("Bundle", "DomainResource"));
        let (element, kind) = model.member("Observation", "valueDateTime").unwrap();
        assert_eq!((element.name.as_str(), kind.code.as_str()), ("value", "dateTime"));
        assert!(model.member("Observation", "valueAge").is_none());
        let subject = model.element("Observation", "subject").unwrap();
        assert_eq!(subject.types[0].targets, ["Patient", "Group", "Device", "Location"]);
        let status = model.element("Observation", "status").unwrap();
        assert_eq!(status.systems, ["http://hl7.org/fhir/observation-status"]);
        assert!(status.summary && status.modifier);
    }

    #[test]
    fn a_broken_text_is_told() {
        for (text, place) in [
            ("[]", "the file"),
            (r#"{"A":{"kind":"odd"}}"#, "A"),
            (r#"{"A":{"kind":"complex","base":"A"}}"#, "A"),
            (r#"{"A":{"kind":"complex","elements":{"b":"1 S code"}}}"#, "A.b"),
        ] {
            assert_eq!(Model::parse(text).unwrap_err().place, place, "{text}");
        }
    }
}
