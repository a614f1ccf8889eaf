//! Quantities: a number with a unit.
//!
//! Key of a point: `[p and the base units][number in them][code or unit][system]`, so that what is
//! measured in millimetres is found in centimetres; without base units for what is not UCUM, is not
//! linear, or leaves the range of decimals, with the number as it is. Key of a range, or of a
//! quantity with a comparator such as `<5`: the same with `i` and the lower bound or nothing.
//! Items: `n` and the number as it was sent, where another is in the key; `u` and the unit as people
//! read it, where the code is in the key; of an interval `l` and `h` with its bounds as sent, and
//! `H` with the upper one in base units, where there are such.
//! Source: <http://hl7.org/fhir/R4/search.html#quantity>, <https://ucum.org/ucum>.

use rust_decimal::Decimal;
use serde_json::Value;

use super::form::Form;
use super::key::Key;
use super::number;
use crate::terminology::ucum;

/// How the first part of keys of points begins.
pub const POINT: u8 = b'p';
/// How the first part of keys of intervals begins.
pub const INTERVAL: u8 = b'i';

const CURRENCY: &str = "urn:iso:std:iso:4217";

/// A number in base units, as text, with the units; none where there are no such.
pub fn in_base_units(amount: &str, code: &str, system: &str) -> Option<(String, String)> {
    if system != ucum::SYSTEM {
        return None;
    }
    let exact = Decimal::from_str_exact(amount).ok();
    let value = exact.or_else(|| Decimal::from_scientific(amount).ok())?;
    let canonical = ucum::canonical(value, code)?;
    Some((canonical.value.to_string(), canonical.unit))
}

/// The first part of a key.
pub fn first_part(kind: u8, base_units: &str) -> Vec<u8> {
    [&[kind], base_units.as_bytes()].concat()
}

/// The keys of a value.
pub fn keys(form: Form, value: &Value, keys: &mut Vec<Key>) {
    let text = |name: &str| value.get(name).and_then(Value::as_str).unwrap_or_default();
    match form {
        Form::Range => {
            let bound = |name| value.get(name).filter(|bound| decimal(bound).is_some());
            let (low, high) = (bound("low"), bound("high"));
            if let Some(unit) = low.or(high) {
                keys.extend(interval(unit, low.and_then(decimal), high.and_then(decimal)));
            }
        }
        Form::Money => {
            let bytes = decimal(value).and_then(|text| number::encode(&text));
            let (code, system) = (text("currency").as_bytes(), CURRENCY.as_bytes());
            keys.extend(bytes.map(|bytes| Key::new([&[POINT], &bytes, code, system])));
        }
        _ => {
            let Some(amount) = decimal(value) else { return };
            keys.extend(match text("comparator") {
                "<" | "<=" => interval(value, None, Some(amount)),
                ">" | ">=" => interval(value, Some(amount), None),
                _ => point(value, &amount),
            });
        }
    }
}

fn decimal(value: &Value) -> Option<String> {
    match value.get("value") {
        Some(Value::Number(number)) => Some(number.to_string()),
        _ => None,
    }
}

/// Code or unit, system, and the readable unit as an item where it is not the first.
fn unit(value: &Value) -> (&str, &str, Option<String>) {
    let text = |name: &str| value.get(name).and_then(Value::as_str).unwrap_or_default();
    let (code, unit) = (text("code"), text("unit"));
    if code.is_empty() {
        return (unit, text("system"), None);
    }
    let readable = (unit != code && !unit.is_empty()).then(|| format!("u{unit}"));
    (code, text("system"), readable)
}

fn point(value: &Value, amount: &str) -> Option<Key> {
    let (unit, system, readable) = unit(value);
    let base = in_base_units(amount, unit, system);
    let sent = base.as_ref().filter(|(base, _)| base != amount).map(|_| format!("n{amount}"));
    let (number, base_units) = base.unwrap_or_else(|| (amount.to_owned(), String::new()));
    let parts = [&first_part(POINT, &base_units), &number::encode(&number)?];
    let key = Key::new([parts[0], parts[1], unit.as_bytes(), system.as_bytes()]);
    Some(key.with(sent.into_iter().chain(readable)))
}

fn interval(value: &Value, low: Option<String>, high: Option<String>) -> Option<Key> {
    let (unit, system, readable) = unit(value);
    let base = |amount: &Option<String>| in_base_units(amount.as_deref()?, unit, system);
    let (base_low, base_high) = (base(&low), base(&high));
    // Both bounds must have gone into base units for the key to be in them.
    let based = base_low.is_some() == low.is_some() && base_high.is_some() == high.is_some();
    let base_units = base_low.as_ref().or(base_high.as_ref()).filter(|_| based);
    let base_units = base_units.map(|(_, units)| units.clone()).unwrap_or_default();
    let in_key = if based { base_low.map(|(low, _)| low) } else { low.clone() };
    let bound = match &in_key {
        Some(low) => number::encode(low)?,
        None => Vec::new(),
    };
    let parts = [&first_part(INTERVAL, &base_units), &bound];
    let key = Key::new([parts[0], parts[1], unit.as_bytes(), system.as_bytes()]);
    let base_high = base_high.filter(|_| based).map(|(high, _)| format!("H{high}"));
    let sent = low.map(|low| format!("l{low}")).into_iter();
    let sent = sent.chain(high.map(|high| format!("h{high}")));
    Some(key.with(sent.chain(base_high).chain(readable)))
}
