//! The types of R4 as evaluation needs them: the members of each, found at once.
//!
//! Made once from the element model, which is built into the program.

use std::sync::LazyLock;

use super::TypeName;
use crate::definitions::model::{self, Model};
use crate::validation::quick::Table;

/// A type, by its place in the table.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::validation) struct Kind(u16);

/// What a name leads to in a type.
#[derive(Debug)]
pub(super) enum Member {
    /// The JSON member of the same name.
    Plain(Kind),
    /// One of the JSON members of a choice element, with and without underscore.
    Choice(Vec<(String, String, Kind)>),
}

struct Shape {
    name: String,
    base: Option<Kind>,
    is_primitive: bool,
    members: Table<String, Member>,
    /// By the names in JSON, with the name of the element.
    json: Table<String, (Kind, String)>,
}

struct Types {
    shapes: Vec<Shape>,
    by_name: Table<String, Kind>,
}

static TABLE: LazyLock<Types> = LazyLock::new(|| {
    Model::shared().map_or_else(|_| Types::of(&Model::default()), |model| Types::of(model))
});

impl Types {
    fn of(model: &Model) -> Self {
        let names: Vec<&str> = model.names().collect();
        let number = |at: usize| Kind(u16::try_from(at).unwrap_or(u16::MAX));
        let by_name: Table<String, Kind> =
            names.iter().enumerate().map(|(at, name)| ((*name).to_owned(), number(at))).collect();
        let kind = |name: &str| by_name.get(name).copied();
        let shape = |name: &&str| {
            let found = model.get(name);
            let mut shape = Shape {
                name: (*name).to_owned(),
                base: found.and_then(|found| kind(found.base.as_deref()?)),
                is_primitive: found.is_some_and(|f| f.kind == model::Kind::Primitive),
                members: Table::default(),
                json: Table::default(),
            };
            for element in found.into_iter().flat_map(|found| &found.elements) {
                let json = element.json_names().filter_map(|(n, t)| Some((n, kind(&t.code)?)));
                let json: Vec<(String, Kind)> = json.collect();
                let named = |(n, kind): &(String, Kind)| (n.clone(), (*kind, element.name.clone()));
                shape.json.extend(json.iter().map(named));
                let member = match json.as_slice() {
                    [(_, only)] if !element.choice => Member::Plain(*only),
                    _ => Member::Choice(
                        json.into_iter()
                            .map(|(n, kind)| (n.clone(), format!("_{n}"), kind))
                            .collect(),
                    ),
                };
                shape.members.insert(element.name.clone(), member);
            }
            shape
        };
        Self { shapes: names.iter().map(shape).collect(), by_name }
    }
}

impl Kind {
    /// The type of that name, or of that path for a backbone element.
    pub(in crate::validation) fn of(name: &str) -> Option<Self> {
        TABLE.by_name.get(name).copied()
    }

    fn shape(self) -> Option<&'static Shape> {
        TABLE.shapes.get(usize::from(self.0))
    }

    pub(in crate::validation) fn name(self) -> &'static str {
        self.shape().map_or("", |shape| &shape.name)
    }

    pub(super) fn is_primitive(self) -> bool {
        self.shape().is_some_and(|shape| shape.is_primitive)
    }

    /// What the name of an element leads to.
    pub(super) fn member(self, name: &str) -> Option<&'static Member> {
        self.shape()?.members.get(name)
    }

    /// The type of the member of that name in JSON.
    pub(in crate::validation) fn json(self, name: &str) -> Option<Self> {
        Some(self.shape()?.json.get(name)?.0)
    }

    /// The name of the element that the member of that name in JSON is a value of.
    pub(in crate::validation) fn element(self, name: &str) -> Option<&'static str> {
        Some(&self.shape()?.json.get(name)?.1)
    }

    /// The choice element that has that name in JSON: `value` for `valueQuantity`.
    pub(in crate::validation) fn choice_of(self, json: &str) -> Option<&'static str> {
        let is_of = |member: &Member| match member {
            Member::Choice(list) => list.iter().any(|(name, ..)| name == json),
            Member::Plain(_) => false,
        };
        let mut members = self.shape()?.members.iter();
        members.find(|(_, member)| is_of(member)).map(|(name, _)| name.as_str())
    }

    /// Whether it is the type of that name or a special case of it.
    pub(super) fn is(self, name: &str) -> bool {
        let mut kind = Some(self);
        while let Some(shape) = kind.and_then(Self::shape) {
            if shape.name == name {
                return true;
            }
            kind = shape.base;
        }
        false
    }
}

const SYSTEM: [&str; 9] =
    ["Boolean", "String", "Integer", "Decimal", "Date", "DateTime", "Time", "Quantity", "Any"];

impl TypeName {
    /// A name without namespace: a type of FHIR where there is one.
    pub(super) fn plain(name: String) -> Self {
        let system = Kind::of(&name).is_none() && SYSTEM.contains(&name.as_str());
        Self { system, name }
    }

    /// Whether there is such a type. What is said to be a type of the language and is none has no
    /// values, as the published tests want it.
    pub(super) fn is_known(&self) -> bool {
        self.system || Kind::of(&self.name).is_some()
    }
}
