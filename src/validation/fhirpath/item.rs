//! One item of a collection: an element of a resource, or a computed value.

use std::borrow::Cow;

use rust_decimal::Decimal;
use serde_json::{Number, Value};

use super::kind::{Kind, Member};
use super::quantity::Quantity;
use super::temporal::{Form, Temporal};
use crate::fhir::json::At;
use crate::validation::quick;

/// An item.
#[derive(Clone, Debug)]
pub(in crate::validation) enum Item<'v> {
    Element(Element<'v>),
    Bool(bool),
    Integer(i64),
    Decimal(Decimal),
    Text(Cow<'v, str>),
    Temporal(Temporal),
    Quantity(Quantity<'v>),
    /// What `type()` gives.
    Type {
        space: &'static str,
        name: Cow<'v, str>,
    },
}

/// An element in a resource.
#[derive(Clone, Copy, Debug)]
pub(in crate::validation) struct Element<'v> {
    /// Its value; none where only something is said in its place.
    pub(in crate::validation) value: Option<&'v Value>,
    /// What is said beside a primitive.
    pub(in crate::validation) sibling: Option<&'v Value>,
    /// Its type, where known.
    pub(in crate::validation) kind: Option<Kind>,
    /// The resource that it is in, where that is another than the one that is checked.
    pub(in crate::validation) resource: Option<&'v Value>,
}

/// A value of a type of the language itself.
#[derive(Clone, Debug)]
pub(super) enum Atom<'a> {
    Bool(bool),
    Integer(i64),
    Decimal(Decimal),
    Text(Cow<'a, str>),
    Temporal(Temporal),
    Quantity(Quantity<'a>),
}

impl Atom<'_> {
    pub(super) fn number(&self) -> Option<Decimal> {
        match self {
            Self::Integer(number) => Some(Decimal::from(*number)),
            Self::Decimal(number) => Some(*number),
            _ => None,
        }
    }
}

impl<'v> Element<'v> {
    /// A value, in the type of which it says that it is.
    pub(in crate::validation) fn resource(value: &'v Value) -> Self {
        let kind = quick::text(value, "resourceType").and_then(Kind::of);
        Self { value: Some(value), sibling: None, kind, resource: None }
    }

    pub(super) fn object(&self) -> Option<&'v serde_json::Map<String, Value>> {
        self.value.and_then(Value::as_object)
    }

    /// Whether the value is of that type or a special case of it.
    pub(super) fn is(&self, name: &str) -> bool {
        match self.kind {
            Some(kind) => kind.is(name),
            None => self.value.is_some_and(|value| value.at("resourceType") == name),
        }
    }

    fn atom(&self) -> Option<Atom<'v>> {
        match self.value? {
            Value::Bool(value) => Some(Atom::Bool(*value)),
            Value::Number(number) => self.number(number),
            Value::String(text) => Some(self.text(text)),
            Value::Object(_) if self.kind.is_some_and(|kind| kind.is("Quantity")) => {
                Quantity::of(self.value?).map(Atom::Quantity)
            }
            _ => None,
        }
    }

    fn number(&self, number: &Number) -> Option<Atom<'v>> {
        let text = number.as_str();
        let is_whole = match self.kind {
            Some(kind) => kind.is("integer"),
            None => !text.contains(['.', 'e', 'E']),
        };
        if let Some(whole) = text.parse().ok().filter(|_| is_whole) {
            return Some(Atom::Integer(whole));
        }
        decimal(text).map(Atom::Decimal)
    }

    fn text(&self, text: &'v str) -> Atom<'v> {
        let form = match self.kind.map(Kind::name) {
            Some("date") => Form::Date,
            Some("dateTime" | "instant") => Form::DateTime,
            Some("time") => Form::Time,
            _ => return Atom::Text(Cow::Borrowed(text)),
        };
        match Temporal::parse(text, form) {
            Some(moment) => Atom::Temporal(moment),
            None => Atom::Text(Cow::Borrowed(text)),
        }
    }

    /// The children of that name.
    pub(super) fn members(&self, name: &str, found: &mut Vec<Item<'v>>) {
        let Some(object) = self.object() else {
            return self.said(name, found);
        };
        match self.kind.map(|kind| kind.member(name)) {
            Some(Some(Member::Choice(list))) => {
                for (json, said, kind) in list {
                    self.add(
                        quick::member(object, json),
                        quick::member(object, said),
                        Some(*kind),
                        found,
                    );
                }
            }
            Some(Some(Member::Plain(kind))) => {
                let value = quick::member(object, name);
                let said = if kind.is_primitive() { sibling(object, name) } else { None };
                let inner = matches!(name, "resource" | "contained" | "outcome");
                if inner && kind.is("Resource") {
                    return Self::add_resources(value, found);
                }
                self.add(value, said, Some(*kind), found);
            }
            Some(None) => {}
            None => self.guess(object, name, found),
        }
    }

    /// The children of that name where the type is not known.
    fn guess(
        &self,
        object: &'v serde_json::Map<String, Value>,
        name: &str,
        found: &mut Vec<Item<'v>>,
    ) {
        let (value, said) = (quick::member(object, name), sibling(object, name));
        if value.is_some() || said.is_some() {
            return self.add(value, said, None, found);
        }
        for key in object.keys() {
            let plain = key.strip_prefix('_').unwrap_or(key);
            let Some(rest) = plain.strip_prefix(name) else { continue };
            let lower = rest.chars().next().map(|c| c.to_ascii_lowercase().to_string());
            let lower = lower.map(|first| first + rest.get(1..).unwrap_or_default());
            let kind = Kind::of(rest).or_else(|| lower.as_deref().and_then(Kind::of));
            if kind.is_some() && rest.starts_with(|c: char| c.is_ascii_uppercase()) {
                return self.add(object.get(plain), sibling(object, plain), kind, found);
            }
        }
    }

    /// The children of a primitive: its id and extensions.
    fn said(&self, name: &str, found: &mut Vec<Item<'v>>) {
        let Some(Value::Object(said)) = self.sibling else { return };
        let kind = match name {
            "extension" => Kind::of("Extension"),
            "id" => Kind::of("string"),
            _ => return,
        };
        self.add(said.get(name), None, kind, found);
    }

    fn add_resources(value: Option<&'v Value>, found: &mut Vec<Item<'v>>) {
        let one = |value: &'v Value| {
            Item::Element(Self { resource: Some(value), ..Self::resource(value) })
        };
        match value {
            Some(Value::Array(list)) => found.extend(list.iter().map(one)),
            Some(value) => found.push(one(value)),
            None => {}
        }
    }

    fn add(
        &self,
        value: Option<&'v Value>,
        said: Option<&'v Value>,
        kind: Option<Kind>,
        found: &mut Vec<Item<'v>>,
    ) {
        let one = |value: Option<&'v Value>, sibling: Option<&'v Value>| {
            let value = value.filter(|value| !value.is_null());
            Item::Element(Self { value, sibling, kind, resource: self.resource })
        };
        match (value, said) {
            (Some(Value::Array(values)), said) => {
                let at = |at: usize| said.and_then(|s| s.get(at)).filter(|s| !s.is_null());
                found.extend(values.iter().enumerate().map(|(n, v)| one(Some(v), at(n))));
            }
            (None, Some(Value::Array(list))) => {
                found.extend(list.iter().map(|said| one(None, Some(said))));
            }
            (None, None) => {}
            (value, said) => found.push(one(value, said)),
        }
    }

    /// All children.
    pub(super) fn children(&self, found: &mut Vec<Item<'v>>) {
        let Some(object) = self.object() else {
            self.said("id", found);
            return self.said("extension", found);
        };
        for (key, value) in object {
            if key == "resourceType" {
                continue;
            }
            let (name, value, said) = match key.strip_prefix('_') {
                Some(name) if object.contains_key(name) => continue,
                Some(name) => (name, None, Some(value)),
                None => (key.as_str(), Some(value), sibling(object, key)),
            };
            let kind = self.kind.and_then(|kind| kind.json(name));
            if kind.is_some_and(|kind| kind.is("Resource")) {
                Self::add_resources(value, found);
            } else {
                self.add(value, said, kind, found);
            }
        }
    }
}

fn sibling<'v>(object: &'v serde_json::Map<String, Value>, name: &str) -> Option<&'v Value> {
    // Most objects have none.
    if !object.keys().any(|key| key.starts_with('_')) {
        return None;
    }
    object.get(&format!("_{name}"))
}

impl<'v> Item<'v> {
    /// The value, if it is one of the types of the language or can be taken as one.
    pub(super) fn atom(&self) -> Option<Atom<'_>> {
        match self {
            Self::Element(element) => element.atom(),
            Self::Bool(value) => Some(Atom::Bool(*value)),
            Self::Integer(value) => Some(Atom::Integer(*value)),
            Self::Decimal(value) => Some(Atom::Decimal(*value)),
            Self::Text(text) => Some(Atom::Text(Cow::Borrowed(text))),
            Self::Temporal(moment) => Some(Atom::Temporal(moment.clone())),
            Self::Quantity(quantity) => Some(Atom::Quantity(quantity.clone())),
            Self::Type { .. } => None,
        }
    }

    /// The item as text, if it is one.
    pub(super) fn text(&self) -> Option<&str> {
        match self {
            Self::Text(text) => Some(text),
            Self::Element(Element { value: Some(Value::String(text)), .. }) => Some(text),
            _ => None,
        }
    }

    /// The item as a boolean; anything else that stands alone counts as true.
    pub(super) fn truth(&self) -> bool {
        !matches!(self.atom(), Some(Atom::Bool(false)))
    }

    pub(super) fn element(&self) -> Option<&Element<'v>> {
        match self {
            Self::Element(element) => Some(element),
            _ => None,
        }
    }

    /// Whether there is a primitive value, and not only extensions.
    pub(super) fn has_value(&self) -> bool {
        match self {
            Self::Element(element) => {
                element.value.is_some_and(|value| !value.is_object() && !value.is_array())
            }
            Self::Type { .. } => false,
            _ => true,
        }
    }

    /// The children of that name.
    pub(super) fn members(&self, name: &str, found: &mut Vec<Self>) {
        match self {
            Self::Element(element) => element.members(name, found),
            Self::Type { space, .. } if name == "namespace" => {
                found.push(Self::Text(Cow::Borrowed(space)));
            }
            Self::Type { name: own, .. } if name == "name" => found.push(Self::Text(own.clone())),
            Self::Quantity(quantity) if name == "value" => {
                found.push(Self::Decimal(quantity.value));
            }
            Self::Quantity(quantity) if name == "unit" || name == "code" => {
                found.push(Self::Text(Cow::Owned(quantity.unit.text().to_owned())));
            }
            _ => {}
        }
    }

    /// Namespace and name of the type.
    pub(super) fn type_name(&self) -> (&'static str, Cow<'v, str>) {
        let name = match self {
            Self::Element(element) => {
                let said = element.value.and_then(|value| value.get("resourceType"));
                let name = element.kind.map(Kind::name).map(|name| {
                    // An element with elements of its own has a type without a name.
                    if name.contains('.') { "BackboneElement" } else { name }
                });
                let name = name.or(said.and_then(Value::as_str)).unwrap_or("Element");
                return ("FHIR", Cow::Borrowed(name));
            }
            Self::Bool(_) => "Boolean",
            Self::Integer(_) => "Integer",
            Self::Decimal(_) => "Decimal",
            Self::Text(_) => "String",
            Self::Temporal(moment) => moment.form.name(),
            Self::Quantity(_) => "Quantity",
            Self::Type { .. } => "TypeInfo",
        };
        ("System", Cow::Borrowed(name))
    }
}

/// The number of a JSON text.
pub(super) fn decimal(text: &str) -> Option<Decimal> {
    text.parse().or_else(|_| Decimal::from_scientific(text)).ok()
}
