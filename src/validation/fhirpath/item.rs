//! One item of a collection: a place in the resource, or a computed value.

use std::borrow::Cow;
use std::cmp::Ordering;

use rust_decimal::Decimal;
use serde_json::{Number, Value};

use crate::fhir::Instant;
use crate::validation::catalog::Context;

/// An item.
#[derive(Clone, Debug)]
pub(super) enum Item<'v> {
    /// A value in the resource, and what is said beside it; null where only that is there.
    Place(&'v Value, Option<&'v Value>),
    Bool(bool),
    Number(Decimal),
    Text(Cow<'v, str>),
}

/// A value that can be compared.
enum Atom<'a> {
    Bool(bool),
    Number(Decimal),
    Text(&'a str),
}

impl<'v> Item<'v> {
    fn atom(&self) -> Option<Atom<'_>> {
        match self {
            Self::Bool(value) | Self::Place(Value::Bool(value), _) => Some(Atom::Bool(*value)),
            Self::Number(number) => Some(Atom::Number(*number)),
            Self::Place(Value::Number(number), _) => decimal(number).map(Atom::Number),
            Self::Text(text) => Some(Atom::Text(text)),
            Self::Place(Value::String(text), _) => Some(Atom::Text(text)),
            Self::Place(..) => None,
        }
    }

    /// The item as text, if it is one.
    pub(super) fn text(&self) -> Option<&str> {
        match self.atom()? {
            Atom::Text(text) => Some(text),
            _ => None,
        }
    }

    /// The item as a number, if it is one.
    pub(super) fn number(&self) -> Option<Decimal> {
        match self.atom()? {
            Atom::Number(number) => Some(number),
            _ => None,
        }
    }

    /// The item as a boolean; anything else that stands alone counts as true.
    pub(super) fn truth(&self) -> bool {
        !matches!(self.atom(), Some(Atom::Bool(false)))
    }

    /// Whether there is a primitive value, and not only extensions.
    pub(super) fn has_value(&self) -> bool {
        self.atom().is_some()
    }

    /// Whether the two are the same; none where that cannot be told here.
    pub(super) fn equals(&self, other: &Self) -> Option<bool> {
        match (self.atom(), other.atom()) {
            (Some(Atom::Bool(a)), Some(Atom::Bool(b))) => Some(a == b),
            (Some(Atom::Number(a)), Some(Atom::Number(b))) => Some(a == b),
            (Some(Atom::Text(a)), Some(Atom::Text(b))) => Some(a == b),
            (None, None) => match (self, other) {
                (Self::Place(a, _), Self::Place(b, _)) if a.is_object() && b.is_object() => {
                    same(a, b)
                }
                _ => None,
            },
            _ => Some(false),
        }
    }

    /// The order of the two: none where it cannot be told here, an inner none where the standard
    /// says that it is unknown.
    #[expect(
        clippy::option_option,
        reason = "the outer none asks the engine, the inner is nothing"
    )]
    pub(super) fn compare(&self, other: &Self) -> Option<Option<Ordering>> {
        match (self.atom()?, other.atom()?) {
            (Atom::Number(a), Atom::Number(b)) => Some(Some(a.cmp(&b))),
            (Atom::Text(a), Atom::Text(b)) if is_date(a) && is_date(b) => dates(a, b),
            _ => None,
        }
    }

    /// Adds the children of that name.
    pub(super) fn members(&self, name: &str, context: &Context, found: &mut Vec<Self>) {
        let Self::Place(value, sibling) = self else { return };
        let ((Value::Object(object), _) | (_, Some(Value::Object(object)))) = (value, sibling)
        else {
            return;
        };
        let mut add = |key: &str| {
            let value = object.get(key);
            let sibling = object.get(&format!("_{key}"));
            place(value, sibling, found);
            value.is_some() || sibling.is_some()
        };
        if add(name) {
            return;
        }
        if object.get("resourceType").and_then(Value::as_str) == Some(name) {
            found.push(self.clone());
            return;
        }
        let plain = |key: &'v str| key.strip_prefix('_').unwrap_or(key);
        let typed = object.keys().map(|k| plain(k)).find(|key| context.is_choice(key, name));
        if let Some(key) = typed {
            let sibling = object.get(&format!("_{key}"));
            place(object.get(key), sibling, found);
        }
    }
}

fn place<'v>(value: Option<&'v Value>, sibling: Option<&'v Value>, found: &mut Vec<Item<'v>>) {
    match (value, sibling) {
        (Some(Value::Array(values)), sibling) => {
            let said = |at: usize| sibling.and_then(|s| s.get(at)).filter(|s| !s.is_null());
            found.extend(values.iter().enumerate().map(|(at, v)| Item::Place(v, said(at))));
        }
        (Some(value), sibling) => found.push(Item::Place(value, sibling)),
        (None, Some(Value::Array(list))) => {
            found.extend(list.iter().map(|said| Item::Place(&Value::Null, Some(said))));
        }
        (None, Some(said)) => found.push(Item::Place(&Value::Null, Some(said))),
        (None, None) => {}
    }
}

fn decimal(number: &Number) -> Option<Decimal> {
    let text = number.to_string();
    text.parse().or_else(|_| Decimal::from_scientific(&text)).ok()
}

/// Deep equality; none where numbers cannot be compared.
fn same(a: &Value, b: &Value) -> Option<bool> {
    match (a, b) {
        (Value::Object(a), Value::Object(b)) => {
            if a.len() != b.len() {
                return Some(false);
            }
            for (key, value) in a {
                match b.get(key).map(|other| same(value, other)) {
                    Some(Some(true)) => {}
                    Some(None) => return None,
                    _ => return Some(false),
                }
            }
            Some(true)
        }
        (Value::Array(a), Value::Array(b)) => {
            let mut pairs = a.iter().zip(b);
            if a.len() != b.len() {
                return Some(false);
            }
            pairs.try_fold(true, |held, (a, b)| Some(held && same(a, b)?))
        }
        (Value::Number(a), Value::Number(b)) => Some(decimal(a)? == decimal(b)?),
        _ => Some(a == b),
    }
}

/// Whether the text has the form of a date or dateTime.
fn is_date(text: &str) -> bool {
    let bytes = text.as_bytes();
    bytes.len() >= 4
        && bytes.iter().take(4).all(u8::is_ascii_digit)
        && bytes.get(4).is_none_or(|byte| *byte == b'-')
}

/// The order of two dates as far as both are known.
#[expect(clippy::option_option, reason = "the outer none asks the engine, the inner is nothing")]
fn dates(a: &str, b: &str) -> Option<Option<Ordering>> {
    match (a.contains('T'), b.contains('T')) {
        (true, true) => Some(Some(Instant::parse(a)?.cmp(&Instant::parse(b)?))),
        (false, false) => {
            let known = a.len().min(b.len());
            let order = a.get(..known)?.cmp(b.get(..known)?);
            Some((order != Ordering::Equal || a.len() == b.len()).then_some(order))
        }
        // A time zone may move a time into the next day; the engine knows.
        _ => None,
    }
}
