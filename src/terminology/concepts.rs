//! The concepts of one code system in few allocations.
//!
//! All texts stand in one string; a code is found by its hash in a table of places; parents,
//! properties and designations are lists in shared arrays. Some hundred bytes a concept, whatever
//! the system. It is built once ([`Builder`]) and never changed.
//! Source: <http://hl7.org/fhir/R4/codesystem.html>.

use std::cmp::Ordering;

use serde_json::{Value, json};

use super::hierarchy::{Hierarchy, Rows};

mod builder;
mod bytes;
mod index;

pub use builder::Builder;

/// A piece of the one text.
#[derive(Clone, Copy, Default)]
struct Span {
    start: u32,
    length: u32,
}

#[derive(Clone, Copy, Default)]
struct Row {
    code: Span,
    display: Span,
    definition: Span,
    inactive: bool,
    not_selectable: bool,
}

/// The type of a property's value: `value[x]` of the standard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs, reason = "each variant is a type of the standard")]
pub enum PropertyType {
    Code,
    /// Kept as JSON text.
    Coding,
    String,
    Integer,
    Boolean,
    DateTime,
    Decimal,
}

#[derive(Clone, Copy)]
struct PropertyRow {
    name: u16,
    kind: PropertyType,
    value: Span,
}

#[derive(Clone, Copy)]
struct DesignationRow {
    language: Span,
    /// The use as JSON text; empty for none.
    usage: Span,
    value: Span,
}

/// The table.
pub struct Concepts {
    text: Box<str>,
    /// Sorted by code.
    rows: Box<[Row]>,
    index: index::Index,
    /// Places in the order of the source, and the rank of each place in it.
    order: Box<[u32]>,
    ranks: Box<[u32]>,
    /// Places sorted by code in lower case.
    folded: Box<[u32]>,
    names: Box<[String]>,
    hierarchy: Hierarchy,
    properties: Rows<PropertyRow>,
    designations: Rows<DesignationRow>,
}

impl Concepts {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The concept of that code, letter by letter.
    pub fn find(&self, code: &str) -> Option<Concept<'_>> {
        let is = |place: u32| self.text(self.row(place).code) == code;
        self.at(self.index.find(code, is)?)
    }

    /// The concept of that code, whatever the case of its letters.
    pub fn find_any_case(&self, code: &str) -> Option<Concept<'_>> {
        let wanted = code.to_lowercase();
        let order = |place: &u32| -> Ordering {
            let code = self.at(*place).map(Concept::code).unwrap_or_default();
            code.chars().flat_map(char::to_lowercase).cmp(wanted.chars())
        };
        let found = self.folded.binary_search_by(order).ok()?;
        self.at(*self.folded.get(found)?)
    }

    /// The concept at a place.
    pub fn at(&self, place: u32) -> Option<Concept<'_>> {
        (self.rows.len() > place as usize).then_some(Concept { table: self, place })
    }

    /// All concepts, in the order of the source.
    pub fn iter(&self) -> impl Iterator<Item = Concept<'_>> {
        self.order.iter().map(|place| Concept { table: self, place: *place })
    }

    /// Whether any concept has a property of that name.
    pub fn uses_property(&self, name: &str) -> bool {
        self.names.iter().any(|used| used == name)
    }

    /// The names of the properties that concepts have.
    pub fn property_names(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    fn text(&self, span: Span) -> &str {
        let (start, length) = (span.start as usize, span.length as usize);
        self.text.get(start..start + length).unwrap_or_default()
    }

    fn optional(&self, span: Span) -> Option<&str> {
        (span.length > 0).then(|| self.text(span))
    }

    fn row(&self, place: u32) -> Row {
        self.rows.get(place as usize).copied().unwrap_or_default()
    }
}

/// One concept of a table.
#[derive(Clone, Copy)]
pub struct Concept<'a> {
    table: &'a Concepts,
    place: u32,
}

impl<'a> Concept<'a> {
    /// Its place in the table.
    pub fn place(self) -> u32 {
        self.place
    }

    /// Its rank in the order of the source.
    pub fn rank(self) -> u32 {
        self.table.ranks.get(self.place as usize).copied().unwrap_or_default()
    }

    /// Its code.
    pub fn code(self) -> &'a str {
        self.table.text(self.table.row(self.place).code)
    }

    /// Its display, if the system gives one.
    pub fn display(self) -> Option<&'a str> {
        self.table.optional(self.table.row(self.place).display)
    }

    /// Its definition, if the system gives one and it was kept.
    pub fn definition(self) -> Option<&'a str> {
        self.table.optional(self.table.row(self.place).definition)
    }

    /// Whether it is not to be used any more.
    pub fn is_inactive(self) -> bool {
        self.table.row(self.place).inactive
    }

    /// Whether it only groups others and is not to be chosen itself (abstract).
    pub fn is_abstract(self) -> bool {
        self.table.row(self.place).not_selectable
    }

    /// The concepts directly above.
    pub fn parents(self) -> impl Iterator<Item = Concept<'a>> {
        let places = self.table.hierarchy.parents(self.place).iter();
        places.map(move |place| Concept { table: self.table, place: *place })
    }

    /// The concepts directly below, in the order of the source.
    pub fn children(self) -> impl Iterator<Item = Concept<'a>> {
        let places = self.table.hierarchy.children(self.place).iter();
        places.map(move |place| Concept { table: self.table, place: *place })
    }

    /// Itself and all concepts below.
    pub fn below(self) -> impl Iterator<Item = Concept<'a>> {
        let places = self.table.hierarchy.below(self.place);
        places.map(move |place| Concept { table: self.table, place })
    }

    /// Whether it is the other or below it. Both must be of one table.
    pub fn is_a(self, other: Self) -> bool {
        self.table.hierarchy.is_a(self.place, other.place)
    }

    /// Its properties.
    pub fn properties(self) -> impl Iterator<Item = Property<'a>> {
        self.table.properties.get(self.place).iter().map(move |row| Property {
            name: self.table.names.get(usize::from(row.name)).map_or("", String::as_str),
            kind: row.kind,
            text: self.table.text(row.value),
        })
    }

    /// Its other names.
    pub fn designations(self) -> impl Iterator<Item = Designation<'a>> {
        self.table.designations.get(self.place).iter().map(move |row| Designation {
            language: self.table.optional(row.language),
            usage: self.table.optional(row.usage),
            value: self.table.text(row.value),
        })
    }
}

/// A property of a concept.
#[derive(Clone, Copy)]
pub struct Property<'a> {
    /// The property's code.
    pub name: &'a str,
    /// The type of its value.
    pub kind: PropertyType,
    text: &'a str,
}

impl<'a> Property<'a> {
    /// The value as text; of a Coding, its code.
    pub fn matches(self, value: &str) -> bool {
        match self.kind {
            PropertyType::Coding => self.json().get("code").is_some_and(|code| code == value),
            _ => self.text == value,
        }
    }

    /// The value as written; of a Coding, its JSON text.
    pub fn text(self) -> &'a str {
        self.text
    }

    /// The name of `value[x]` and its value.
    pub fn value(self) -> (&'static str, Value) {
        match self.kind {
            PropertyType::Code => ("valueCode", json!(self.text)),
            PropertyType::Coding => ("valueCoding", self.json()),
            PropertyType::String => ("valueString", json!(self.text)),
            PropertyType::Integer => ("valueInteger", self.json()),
            PropertyType::Boolean => ("valueBoolean", self.json()),
            PropertyType::DateTime => ("valueDateTime", json!(self.text)),
            PropertyType::Decimal => ("valueDecimal", self.json()),
        }
    }

    /// The text was checked to be JSON when the table was built.
    fn json(self) -> Value {
        serde_json::from_str(self.text).unwrap_or(Value::Null)
    }
}

/// Another name of a concept.
#[derive(Clone, Copy)]
pub struct Designation<'a> {
    /// Its language (BCP 47), if told.
    pub language: Option<&'a str>,
    /// What it is for, a Coding as JSON text, if told.
    usage: Option<&'a str>,
    /// The name.
    pub value: &'a str,
}

impl Designation<'_> {
    /// As the standard writes it.
    pub fn to_value(self) -> Value {
        let mut value = serde_json::Map::new();
        if let Some(language) = self.language {
            value.insert("language".into(), json!(language));
        }
        if let Some(usage) = self.usage() {
            value.insert("use".into(), usage);
        }
        value.insert("value".into(), json!(self.value));
        Value::Object(value)
    }

    /// What it is for: a Coding.
    pub fn usage(self) -> Option<Value> {
        self.usage.and_then(|text| serde_json::from_str(text).ok())
    }
}
