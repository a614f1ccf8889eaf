//! The elements of R4's types, as `schemas/` lists them: the ground that instances are made from.
//!
//! Read anew here, apart from the code under test.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::Value;

/// All types by name; backbone elements by their path (`Goal.target`).
pub(crate) struct Model {
    types: BTreeMap<String, Type>,
}

struct Type {
    kind: String,
    base: Option<String>,
    elements: Vec<Element>,
}

/// An element of a type.
#[derive(Clone, Debug)]
pub(crate) struct Element {
    /// Without `[x]`.
    pub(crate) name: String,
    pub(crate) is_choice: bool,
    pub(crate) is_required: bool,
    pub(crate) is_list: bool,
    pub(crate) kinds: Vec<Kind>,
}

/// One type that an element may have.
#[derive(Clone, Debug)]
pub(crate) struct Kind {
    pub(crate) name: String,
    /// What a reference may point to; nothing where that is open.
    pub(crate) targets: Vec<String>,
    pub(crate) binding: Option<Binding>,
}

/// What the codes of an element come from.
#[derive(Clone, Debug)]
pub(crate) struct Binding {
    pub(crate) is_required: bool,
    pub(crate) value_set: String,
}

impl Element {
    /// The name in JSON, where the value is of that type.
    pub(crate) fn json_name(&self, kind: &Kind) -> String {
        if !self.is_choice {
            return self.name.clone();
        }
        let (first, rest) = kind.name.split_at(1);
        format!("{}{}{rest}", self.name, first.to_uppercase())
    }
}

fn schemas() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas")
}

fn read(path: &str) -> Value {
    let text = std::fs::read(schemas().join(path)).unwrap();
    serde_json::from_slice(&text).unwrap()
}

impl Model {
    /// R4, 4.0.1.
    pub(crate) fn standard() -> Self {
        let all = read("model.json");
        let types = all.as_object().unwrap().iter().map(|(name, value)| {
            let kind = value["kind"].as_str().unwrap().to_owned();
            let schema = schema(name, &kind);
            let elements = value["elements"].as_object().unwrap().iter();
            let elements = elements
                .map(|(name, line)| element(name, line.as_str().unwrap(), &schema))
                .collect();
            let base = value["base"].as_str().map(str::to_owned);
            let mut elements: Vec<Element> = elements;
            // The schemas of R4 call it a string; its definition says id.
            let id = elements.iter_mut().find(|e| name == "Resource" && e.name == "id");
            id.into_iter().for_each(|id| "id".clone_into(&mut id.kinds[0].name));
            (name.clone(), Type { kind, base, elements })
        });
        Self { types: types.collect() }
    }

    /// The concrete resource types.
    pub(crate) fn resources(&self) -> impl Iterator<Item = &str> {
        let concrete = |name: &&String| !["Resource", "DomainResource"].contains(&name.as_str());
        let all = self.types.iter().filter(|(_, t)| t.kind == "resource");
        all.map(|(name, _)| name).filter(concrete).map(String::as_str)
    }

    pub(crate) fn is_primitive(&self, name: &str) -> bool {
        self.types[name].kind == "primitive"
    }

    /// The elements of a type, its own before those it inherits.
    pub(crate) fn elements(&self, name: &str) -> Vec<Element> {
        let found = &self.types[name];
        let mut elements = found.elements.clone();
        if let Some(base) = &found.base {
            elements.extend(self.elements(base));
        }
        elements
    }
}

/// The JSON Schema of a type.
fn schema(name: &str, kind: &str) -> Value {
    match (kind, name.split_once('.')) {
        ("resource", _) if ["Resource", "DomainResource"].contains(&name) => {
            read("resource/Basic.json")
        }
        ("resource", _) => read(&format!("resource/{name}.json")),
        ("backbone", Some((root, _))) => {
            let folder = ["resource", "datatype"]
                .into_iter()
                .find(|folder| schemas().join(folder).join(format!("{root}.json")).exists());
            read(&format!("{}/{root}.json", folder.unwrap()))["$defs"][name].take()
        }
        _ => read(&format!("datatype/{name}.json")),
    }
}

/// An element of a line such as `0..1 S Reference(Patient,Group)|CodeableConcept`.
fn element(name: &str, line: &str, schema: &Value) -> Element {
    let mut parts = line.splitn(3, ' ');
    let cardinality = parts.next().unwrap();
    let types = parts.nth(1).unwrap().split(" @").next().unwrap();
    let base = name.trim_end_matches("[x]");
    let mut element = Element {
        name: base.to_owned(),
        is_choice: name.ends_with("[x]"),
        is_required: !cardinality.starts_with('0'),
        is_list: cardinality.ends_with('*'),
        kinds: Vec::new(),
    };
    for kind in types.split('|') {
        let (name, targets) = kind.split_once('(').unwrap_or((kind, ")"));
        let targets = targets.trim_end_matches(')').split(',').filter(|name| !name.is_empty());
        let targets = targets.map(str::to_owned).collect();
        let mut kind = Kind { name: name.to_owned(), targets, binding: None };
        let property = &schema["properties"][element.json_name(&kind)];
        let items = &property["items"];
        kind.binding =
            [&property["x-binding"], &items["x-binding"], &items["anyOf"][0]["x-binding"]]
                .into_iter()
                .find(|binding| binding.is_object())
                .map(|binding| Binding {
                    is_required: binding["strength"] == "required",
                    value_set: binding["valueSet"].as_str().unwrap().to_owned(),
                });
        element.kinds.push(kind);
    }
    element
}
