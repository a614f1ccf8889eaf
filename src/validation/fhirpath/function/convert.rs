//! Conversions between the types of the language.
//!
//! Source: <http://hl7.org/fhirpath/N1/#conversion>.

use std::borrow::Cow;

use rust_decimal::Decimal;

use super::super::eval::single;
use super::super::item::{Atom, Item};
use super::super::quantity::Quantity;
use super::super::temporal::{Form, Temporal};
use super::super::{Answer, Fault};
use super::{Entry, bool, entry, maybe};

type Convert = for<'a> fn(&Atom<'a>) -> Option<Item<'static>>;

pub(super) const FUNCTIONS: &[Entry] = &[
    entry("toBoolean", 0..=0, |_, left| convert(&left, to_boolean)),
    entry("convertsToBoolean", 0..=0, |_, left| converts(&left, to_boolean)),
    entry("toInteger", 0..=0, |_, left| convert(&left, to_integer)),
    entry("convertsToInteger", 0..=0, |_, left| converts(&left, to_integer)),
    entry("toDecimal", 0..=0, |_, left| convert(&left, to_decimal)),
    entry("convertsToDecimal", 0..=0, |_, left| converts(&left, to_decimal)),
    entry("toString", 0..=0, |_, left| convert(&left, to_string)),
    entry("convertsToString", 0..=0, |_, left| converts(&left, to_string)),
    entry("toDate", 0..=0, |_, left| convert(&left, to_date)),
    entry("convertsToDate", 0..=0, |_, left| converts(&left, to_date)),
    entry("toDateTime", 0..=0, |_, left| convert(&left, to_date_time)),
    entry("convertsToDateTime", 0..=0, |_, left| converts(&left, to_date_time)),
    entry("toTime", 0..=0, |_, left| convert(&left, to_time)),
    entry("convertsToTime", 0..=0, |_, left| converts(&left, to_time)),
    entry("toQuantity", 0..=1, to_unit),
    entry("convertsToQuantity", 0..=1, |call, left| {
        if left.is_empty() { Ok(left) } else { bool(!to_unit(call, left)?.is_empty()) }
    }),
];

fn convert<'v>(left: &[Item<'v>], to: Convert) -> Answer<'v> {
    maybe(single(left)?.and_then(Item::atom).and_then(|atom| to(&atom)))
}

fn converts<'v>(left: &[Item<'v>], to: Convert) -> Answer<'v> {
    match single(left)? {
        None => Ok(Vec::new()),
        Some(item) => bool(item.atom().and_then(|atom| to(&atom)).is_some()),
    }
}

fn to_boolean(atom: &Atom<'_>) -> Option<Item<'static>> {
    let value = match atom {
        Atom::Bool(value) => *value,
        Atom::Text(text) => match text.to_lowercase().as_str() {
            "true" | "t" | "yes" | "y" | "1" | "1.0" => true,
            "false" | "f" | "no" | "n" | "0" | "0.0" => false,
            _ => return None,
        },
        _ => {
            let number = atom.number().filter(|n| n.is_zero() || *n == Decimal::ONE)?;
            !number.is_zero()
        }
    };
    Some(Item::Bool(value))
}

fn to_integer(atom: &Atom<'_>) -> Option<Item<'static>> {
    let number = match atom {
        Atom::Bool(value) => i64::from(*value),
        Atom::Integer(number) => *number,
        Atom::Text(text) => text.parse().ok()?,
        _ => return None,
    };
    Some(Item::Integer(number))
}

fn to_decimal(atom: &Atom<'_>) -> Option<Item<'static>> {
    let number = match atom {
        Atom::Bool(value) => Decimal::from(i32::from(*value)),
        Atom::Text(text) => {
            let is_plain = text.bytes().all(|b| b.is_ascii_digit() || b"+-.".contains(&b));
            let is_whole = !text.starts_with('.') && !text.ends_with('.');
            text.parse().ok().filter(|_| is_plain && is_whole)?
        }
        _ => atom.number()?,
    };
    Some(Item::Decimal(number))
}

fn to_string(atom: &Atom<'_>) -> Option<Item<'static>> {
    let text = match atom {
        Atom::Bool(value) => value.to_string(),
        Atom::Integer(number) => number.to_string(),
        Atom::Decimal(number) => number.to_string(),
        Atom::Text(text) => text.to_string(),
        Atom::Temporal(moment) => moment.to_string(),
        Atom::Quantity(quantity) => quantity.to_string(),
    };
    Some(Item::Text(Cow::Owned(text)))
}

fn to_date(atom: &Atom<'_>) -> Option<Item<'static>> {
    let date = match atom {
        Atom::Temporal(moment) => moment.date(),
        Atom::Text(text) => Temporal::parse(text, Form::DateTime)?.date(),
        _ => None,
    };
    date.map(Item::Temporal)
}

fn to_date_time(atom: &Atom<'_>) -> Option<Item<'static>> {
    let moment = match atom {
        Atom::Temporal(moment) => moment.date_time(),
        Atom::Text(text) => Temporal::parse(text, Form::DateTime),
        _ => None,
    };
    moment.map(Item::Temporal)
}

fn to_time(atom: &Atom<'_>) -> Option<Item<'static>> {
    let moment = match atom {
        Atom::Temporal(moment) if moment.form == Form::Time => Some(moment.clone()),
        Atom::Text(text) => Temporal::parse(text, Form::Time),
        _ => None,
    };
    moment.map(Item::Temporal)
}

fn to_quantity(atom: &Atom<'_>) -> Option<Item<'static>> {
    let quantity = match atom {
        Atom::Bool(value) => Quantity::plain(i32::from(*value).into()),
        Atom::Text(text) => Quantity::parse(text)?,
        Atom::Quantity(quantity) => quantity.clone().owned(),
        _ => Quantity::plain(atom.number()?),
    };
    Some(Item::Quantity(quantity))
}

/// The quantity, in the unit of the argument where there is one.
fn to_unit<'v>(call: &super::Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let found = convert(&left, to_quantity)?;
    let Some(unit) = call.text(0)? else { return Ok(found) };
    let Some(Item::Quantity(quantity)) = found.first() else { return Ok(Vec::new()) };
    let zero = Quantity::parse(&format!("0 '{unit}'"))
        .ok_or_else(|| Fault::new("toQuantity takes a unit"))?;
    maybe(zero.plus(quantity, Decimal::ONE).map(|quantity| Item::Quantity(quantity.owned())))
}
