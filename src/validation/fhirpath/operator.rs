//! What stands between two expressions, and what it means that two items are the same.
//!
//! Source: <http://hl7.org/fhirpath/N1/#operations>.

use std::borrow::Cow;
use std::cmp::Ordering;
use std::collections::HashSet;

use rust_decimal::Decimal;
use serde_json::Value;

use super::eval::{single, text};
use super::item::{Atom, Item, decimal};
use super::temporal::{Form, Temporal};
use super::{Answer, Fault, Operator};

impl Operator {
    pub(super) fn apply<'v>(self, left: Vec<Item<'v>>, right: Vec<Item<'v>>) -> Answer<'v> {
        let bool = |value: bool| Ok(vec![Item::Bool(value)]);
        match self {
            Self::Union => Ok(distinct(left.into_iter().chain(right))),
            Self::In => match single(&left)? {
                None => Ok(Vec::new()),
                Some(item) => bool(Seen::of(&right).has(item)),
            },
            Self::Contains => match single(&right)? {
                None => Ok(Vec::new()),
                Some(item) => bool(Seen::of(&left).has(item)),
            },
            Self::Equal | Self::NotEqual => {
                let same = equal_lists(&left, &right);
                Ok(same.map(|same| Item::Bool(same == (self == Self::Equal))).into_iter().collect())
            }
            Self::Equivalent => bool(equivalent_lists(&left, &right)),
            Self::NotEquivalent => bool(!equivalent_lists(&left, &right)),
            Self::Concatenate => {
                let all =
                    text(&left)?.unwrap_or_default().to_owned() + text(&right)?.unwrap_or_default();
                Ok(vec![Item::Text(Cow::Owned(all))])
            }
            Self::Less | Self::LessOrEqual | Self::Greater | Self::GreaterOrEqual => {
                let (Some(a), Some(b)) = (single(&left)?, single(&right)?) else {
                    return Ok(Vec::new());
                };
                let Some(order) = compare(a, b)? else { return Ok(Vec::new()) };
                bool(match self {
                    Self::Less => order == Ordering::Less,
                    Self::LessOrEqual => order != Ordering::Greater,
                    Self::Greater => order == Ordering::Greater,
                    _ => order != Ordering::Less,
                })
            }
            _ => {
                let (Some(a), Some(b)) = (single(&left)?, single(&right)?) else {
                    return Ok(Vec::new());
                };
                let (Some(a), Some(b)) = (a.atom(), b.atom()) else {
                    return Err(Fault::new("it is calculated with something that is no value"));
                };
                Ok(self.calculate(&a, &b)?.into_iter().collect())
            }
        }
    }

    /// The result; none where there is none (division by zero, too many digits).
    fn calculate<'v>(self, a: &Atom<'_>, b: &Atom<'_>) -> Result<Option<Item<'v>>, Fault> {
        match (a, b) {
            (Atom::Integer(a), Atom::Integer(b)) => Ok(self.of_integers(*a, *b)),
            (Atom::Text(a), Atom::Text(b)) if self == Self::Add => {
                Ok(Some(Item::Text(Cow::Owned(format!("{a}{b}")))))
            }
            (Atom::Temporal(moment), Atom::Quantity(amount)) => {
                let value = match self {
                    Self::Add => amount.value,
                    Self::Subtract => -amount.value,
                    _ => return Err(mixed()),
                };
                if amount.unit.of_calendar().is_none() {
                    return Err(Fault::new("a date is moved by something that is no time"));
                }
                Ok(moment.plus(value, &amount.unit).map(Item::Temporal))
            }
            (Atom::Quantity(a), Atom::Quantity(b)) => {
                let found = match self {
                    Self::Add => a.plus(b, Decimal::ONE),
                    Self::Subtract => a.plus(b, Decimal::NEGATIVE_ONE),
                    Self::Multiply => a.times(b, false),
                    Self::Divide => a.times(b, true),
                    _ => return Err(mixed()),
                };
                Ok(found.map(|quantity| Item::Quantity(quantity.owned())))
            }
            (Atom::Quantity(quantity), number) | (number, Atom::Quantity(quantity))
                if self == Self::Multiply && number.number().is_some() =>
            {
                let value = number.number().and_then(|n| n.checked_mul(quantity.value));
                Ok(value.map(|value| Item::Quantity(quantity.with(value).owned())))
            }
            (Atom::Quantity(quantity), number) if self == Self::Divide => {
                let number = number.number().ok_or_else(mixed)?;
                let value = quantity.value.checked_div(number);
                Ok(value.map(|value| Item::Quantity(quantity.with(value).owned())))
            }
            _ => match (a.number(), b.number()) {
                (Some(a), Some(b)) => Ok(self.of_decimals(a, b)),
                _ => Err(mixed()),
            },
        }
    }

    fn of_integers<'v>(self, a: i64, b: i64) -> Option<Item<'v>> {
        match self {
            Self::Add => a.checked_add(b).map(Item::Integer),
            Self::Subtract => a.checked_sub(b).map(Item::Integer),
            Self::Multiply => a.checked_mul(b).map(Item::Integer),
            Self::WholeDivide => a.checked_div(b).map(Item::Integer),
            Self::Modulo => a.checked_rem(b).map(Item::Integer),
            _ => self.of_decimals(Decimal::from(a), Decimal::from(b)),
        }
    }

    fn of_decimals<'v>(self, a: Decimal, b: Decimal) -> Option<Item<'v>> {
        use rust_decimal::prelude::ToPrimitive;
        match self {
            Self::Add => a.checked_add(b).map(Item::Decimal),
            Self::Subtract => a.checked_sub(b).map(Item::Decimal),
            Self::Multiply => a.checked_mul(b).map(Item::Decimal),
            Self::Divide => a.checked_div(b).map(Item::Decimal),
            Self::Modulo => a.checked_rem(b).map(Item::Decimal),
            Self::WholeDivide => a.checked_div(b)?.trunc().to_i64().map(Item::Integer),
            _ => None,
        }
    }
}

fn mixed() -> Fault {
    Fault::new("the two sides of an operator do not fit each other")
}

/// Whether the two collections are the same, item by item; none where that is not known.
pub(super) fn equal_lists(left: &[Item<'_>], right: &[Item<'_>]) -> Option<bool> {
    if left.is_empty() || right.is_empty() {
        return None;
    }
    if left.len() != right.len() {
        return Some(false);
    }
    let mut known = Some(true);
    for (a, b) in left.iter().zip(right) {
        match equal(a, b) {
            Some(true) => {}
            Some(false) => return Some(false),
            None => known = None,
        }
    }
    known
}

/// A text as a moment of the same form as another.
fn moment(text: &str, form: Form) -> Option<Temporal> {
    let form = if form == Form::Date { Form::DateTime } else { form };
    Temporal::parse(text, form)
}

/// Whether the two are the same; none where that is not known.
pub(super) fn equal(a: &Item<'_>, b: &Item<'_>) -> Option<bool> {
    match (a.atom(), b.atom()) {
        (Some(a), Some(b)) => match (&a, &b) {
            (Atom::Bool(a), Atom::Bool(b)) => Some(a == b),
            (Atom::Text(a), Atom::Text(b)) => Some(a == b),
            (Atom::Temporal(a), Atom::Temporal(b)) => a.equals(b),
            (Atom::Temporal(a), Atom::Text(text)) | (Atom::Text(text), Atom::Temporal(a)) => {
                moment(text, a.form).map_or(Some(false), |b| a.equals(&b))
            }
            (Atom::Quantity(a), Atom::Quantity(b)) => a.equals(b),
            _ => Some(matches!((a.number(), b.number()), (Some(a), Some(b)) if a == b)),
        },
        (None, None) => match (a, b) {
            (Item::Element(a), Item::Element(b)) => match (a.value, b.value) {
                (Some(x), Some(y)) => Some(same(x, y)),
                (None, None) => Some(a.sibling == b.sibling),
                _ => Some(false),
            },
            (Item::Type { space, name }, Item::Type { space: s, name: n }) => {
                Some(space == s && name == n)
            }
            _ => Some(false),
        },
        _ => Some(false),
    }
}

/// Deep equality, numbers by value.
fn same(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len()
                && a.iter().all(|(key, value)| b.get(key).is_some_and(|other| same(value, other)))
        }
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b))
        }
        (Value::Number(a), Value::Number(b)) => match (decimal(a.as_str()), decimal(b.as_str())) {
            (Some(a), Some(b)) => a == b,
            _ => a.as_str() == b.as_str(),
        },
        _ => a == b,
    }
}

/// The order of the two; none where it is not known.
pub(super) fn compare(a: &Item<'_>, b: &Item<'_>) -> Result<Option<Ordering>, Fault> {
    let (Some(x), Some(y)) = (a.atom(), b.atom()) else {
        let is_said =
            |item: &Item<'_>| item.element().is_some_and(|e| e.value.is_none_or(Value::is_object));
        if is_said(a) || is_said(b) {
            // An element without a value, or a Quantity without a comparable one.
            return Ok(None);
        }
        return Err(Fault::new("it is compared with something that has no order"));
    };
    match (&x, &y) {
        (Atom::Text(a), Atom::Text(b)) => Ok(Some(a.cmp(b))),
        (Atom::Temporal(a), Atom::Temporal(b)) if a.is_comparable(b) => Ok(a.compare(b)),
        (Atom::Temporal(a), Atom::Text(b)) => Ok(moment(b, a.form).and_then(|b| a.compare(&b))),
        (Atom::Text(a), Atom::Temporal(b)) => Ok(moment(a, b.form).and_then(|a| a.compare(b))),
        (Atom::Quantity(a), Atom::Quantity(b)) => Ok(a.compare(b)),
        _ => match (x.number(), y.number()) {
            (Some(a), Some(b)) => Ok(Some(a.cmp(&b))),
            _ => Err(Fault::new("values of different types are compared")),
        },
    }
}

/// Whether the two collections mean the same, in any order.
pub(super) fn equivalent_lists(left: &[Item<'_>], right: &[Item<'_>]) -> bool {
    let mut rest: Vec<&Item<'_>> = right.iter().collect();
    left.len() == right.len()
        && left.iter().all(|item| {
            let found = rest.iter().position(|other| equivalent(item, other));
            found.map(|at| rest.swap_remove(at)).is_some()
        })
}

/// A text in small letters, with single spaces.
fn folded(text: &str) -> String {
    text.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ")
}

fn equivalent(a: &Item<'_>, b: &Item<'_>) -> bool {
    match (a.atom(), b.atom()) {
        (Some(a), Some(b)) => match (&a, &b) {
            (Atom::Text(a), Atom::Text(b)) => folded(a) == folded(b),
            (Atom::Temporal(a), Atom::Temporal(b)) => a.equivalent(b),
            (Atom::Quantity(a), Atom::Quantity(b)) => a.equivalent(b),
            (Atom::Bool(a), Atom::Bool(b)) => a == b,
            _ => match (a.number(), b.number()) {
                (Some(a), Some(b)) => {
                    let (a, b) = (a.normalize(), b.normalize());
                    let digits = a.scale().min(b.scale());
                    a.round_dp(digits) == b.round_dp(digits)
                }
                _ => false,
            },
        },
        (None, None) => match (a, b) {
            (Item::Element(_), Item::Element(_)) => {
                let children = |item: &Item<'_>| {
                    let mut found = Vec::new();
                    if let Some(element) = item.element() {
                        element.children(&mut found);
                    }
                    // Ids do not count.
                    found.len()
                };
                equal(a, b) == Some(true)
                    || children(a) > 0 && children(a) == children(b) && alike(a, b)
            }
            _ => equal(a, b) == Some(true),
        },
        _ => false,
    }
}

/// Whether each member of the one means the same as that of the other.
fn alike(a: &Item<'_>, b: &Item<'_>) -> bool {
    let (Some(x), Some(y)) = (a.element(), b.element()) else { return false };
    let (Some(x), Some(y)) = (x.object(), y.object()) else { return false };
    x.keys().filter(|key| *key != "id").all(|key| {
        let (mut left, mut right) = (Vec::new(), Vec::new());
        a.members(key, &mut left);
        b.members(key, &mut right);
        y.contains_key(key) && equivalent_lists(&left, &right)
    })
}

/// What makes two simple values the same.
#[derive(PartialEq, Eq, Hash)]
enum Key {
    Bool(bool),
    Number(Decimal),
    Text(String),
}

/// Items to find others among, in one step each where they are simple values.
pub(super) struct Seen<'v> {
    keys: HashSet<Key>,
    others: Vec<Item<'v>>,
}

fn key(item: &Item<'_>) -> Option<Key> {
    match item.atom()? {
        Atom::Bool(value) => Some(Key::Bool(value)),
        Atom::Text(text) => Some(Key::Text(text.into_owned())),
        other => other.number().map(Key::Number),
    }
}

impl<'v> Seen<'v> {
    pub(super) fn nothing() -> Self {
        Self { keys: HashSet::new(), others: Vec::new() }
    }

    pub(super) fn of(items: &[Item<'v>]) -> Self {
        let mut seen = Self::nothing();
        for item in items {
            seen.add(item);
        }
        seen
    }

    pub(super) fn has(&self, item: &Item<'_>) -> bool {
        match key(item) {
            Some(key) => self.keys.contains(&key),
            None => self.others.iter().any(|other| equal(other, item) == Some(true)),
        }
    }

    /// Whether it was not there yet.
    pub(super) fn add(&mut self, item: &Item<'v>) -> bool {
        if let Some(key) = key(item) {
            return self.keys.insert(key);
        }
        let is_new = !self.has(item);
        if is_new {
            self.others.push(item.clone());
        }
        is_new
    }
}

/// Each item once.
pub(super) fn distinct<'v>(items: impl Iterator<Item = Item<'v>>) -> Vec<Item<'v>> {
    let mut seen = Seen::nothing();
    items.filter(|item| seen.add(item)).collect()
}
