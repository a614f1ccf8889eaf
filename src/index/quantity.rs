//! Quantities: a number with a unit.
//!
//! Key of a point: `[p][decimal][code or unit][system]`; of a range, or of a quantity with a
//! comparator such as `<5`: `[i][lower bound or nothing][code or unit][system]`. Items: `u` and the
//! unit as people read it, where the code stands in the key; of an interval, `h` and the upper
//! bound, where there is one.
//! Source: <http://hl7.org/fhir/R4/search.html#quantity>.

use serde_json::Value;

use super::form::Form;
use super::key::Key;
use super::number;

/// The first part of keys of points.
pub const POINT: &[u8] = b"p";
/// The first part of keys of intervals.
pub const INTERVAL: &[u8] = b"i";

const CURRENCY: &str = "urn:iso:std:iso:4217";

/// The keys of a value.
pub fn keys(form: Form, value: &Value, keys: &mut Vec<Key>) {
    let text = |name: &str| value.get(name).and_then(Value::as_str).unwrap_or_default();
    match form {
        Form::Range => {
            let bound = |name| value.get(name).filter(|bound| decimal(bound).is_some());
            let (low, high) = (bound("low"), bound("high"));
            if let Some(unit) = low.or(high) {
                let low = low.and_then(decimal);
                keys.extend(interval(unit, low.as_deref(), high.and_then(decimal).as_deref()));
            }
        }
        Form::Money => {
            let bytes = decimal(value).and_then(|text| number::encode(&text));
            let (code, system) = (text("currency").as_bytes(), CURRENCY.as_bytes());
            keys.extend(bytes.map(|bytes| Key::new([POINT, &bytes, code, system])));
        }
        _ => {
            let Some(amount) = decimal(value) else { return };
            match text("comparator") {
                "<" | "<=" => keys.extend(interval(value, None, Some(&amount))),
                ">" | ">=" => keys.extend(interval(value, Some(&amount), None)),
                _ => {
                    let Some(bytes) = number::encode(&amount) else { return };
                    let (unit, system, readable) = unit(value);
                    let key = Key::new([POINT, &bytes, unit.as_bytes(), system.as_bytes()]);
                    keys.push(key.with(readable));
                }
            }
        }
    }
}

fn decimal(value: &Value) -> Option<String> {
    match value.get("value") {
        Some(Value::Number(number)) => Some(number.to_string()),
        _ => None,
    }
}

fn unit(value: &Value) -> (&str, &str, Option<String>) {
    let text = |name: &str| value.get(name).and_then(Value::as_str).unwrap_or_default();
    let (code, unit) = (text("code"), text("unit"));
    if code.is_empty() {
        return (unit, text("system"), None);
    }
    let readable = (unit != code && !unit.is_empty()).then(|| format!("u{unit}"));
    (code, text("system"), readable)
}

fn interval(value: &Value, low: Option<&str>, high: Option<&str>) -> Option<Key> {
    let low = match low {
        Some(low) => number::encode(low)?,
        None => Vec::new(),
    };
    let (unit, system, readable) = unit(value);
    let key = Key::new([INTERVAL, &low, unit.as_bytes(), system.as_bytes()]);
    Some(key.with(readable.into_iter().chain(high.map(|high| format!("h{high}")))))
}
