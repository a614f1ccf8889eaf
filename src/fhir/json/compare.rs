//! JSON values compared by what they mean, and measured.
//!
//! Numbers are equal when their values are, however they are written; nothing is rounded, whatever
//! the size. The standard's own equality, for which `1.00` is not `1.0`, is not meant here.
//! Source: <https://www.rfc-editor.org/rfc/rfc6902#section-4.6>.

use serde_json::{Number, Value};

/// Whether the two values are equal: objects whatever the order of their members, numbers by value.
pub fn equal(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(one), Value::Number(other)) => same_number(one, other),
        (Value::Array(one), Value::Array(other)) => {
            one.len() == other.len() && one.iter().zip(other).all(|(one, other)| equal(one, other))
        }
        (Value::Object(one), Value::Object(other)) => {
            let has = |(name, value)| other.get(name).is_some_and(|other| equal(value, other));
            one.len() == other.len() && one.iter().all(has)
        }
        _ => one == other,
    }
}

fn same_number(one: &Number, other: &Number) -> bool {
    let (one, other) = (one.as_str(), other.as_str());
    match (Scientific::read(one), Scientific::read(other)) {
        (Some(one), Some(other)) => one == other,
        // An exponent that fits no integer: only the same text is known to be the same number.
        _ => one == other,
    }
}

/// A number as `digits` times ten to the `power`; the digits neither begin nor end with a zero, and
/// zero has none.
#[derive(PartialEq, Eq)]
struct Scientific {
    negative: bool,
    digits: Vec<u8>,
    power: i64,
}

impl Scientific {
    fn read(text: &str) -> Option<Self> {
        let (negative, text) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text),
        };
        let (mantissa, exponent) = match text.split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, exponent.parse::<i64>().ok()?),
            None => (text, 0),
        };
        let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        let all: Vec<u8> = whole.bytes().chain(fraction.bytes()).collect();
        let begin = all.iter().position(|digit| *digit != b'0');
        let Some(begin) = begin else {
            return Some(Self { negative: false, digits: Vec::new(), power: 0 });
        };
        let end = all.iter().rposition(|digit| *digit != b'0').map_or(begin, |last| last + 1);
        let after = i64::try_from(all.len() - end).ok()?;
        let power = exponent.checked_sub(i64::try_from(fraction.len()).ok()?)?;
        let digits = all.get(begin..end)?.to_vec();
        Some(Self { negative, digits, power: power.checked_add(after)? })
    }
}

/// Whether arrays and objects nest deeper than `limit` in the value.
pub fn is_deeper(value: &Value, limit: usize) -> bool {
    let inner = |mut values: Box<dyn Iterator<Item = &Value> + '_>| match limit.checked_sub(1) {
        Some(limit) => values.any(|value| is_deeper(value, limit)),
        None => true,
    };
    match value {
        Value::Array(list) => inner(Box::new(list.iter())),
        Value::Object(object) => inner(Box::new(object.values())),
        _ => false,
    }
}

/// About how much memory the value takes, in bytes.
pub fn weight(value: &Value) -> usize {
    let own = size_of::<Value>();
    match value {
        Value::String(text) => own + text.len(),
        Value::Number(number) => own + number.as_str().len(),
        Value::Array(list) => own + list.iter().map(weight).sum::<usize>(),
        Value::Object(object) => {
            own + object.iter().map(|(name, value)| name.len() + weight(value)).sum::<usize>()
        }
        Value::Null | Value::Bool(_) => own,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Value {
        serde_json::from_str(text).unwrap()
    }

    /// RFC 6902, 4.6: strings, numbers, arrays, objects, literals.
    #[test]
    fn equality() {
        for (one, other, expected) in [
            ("1", "1.0", true),
            ("1.00", "1.0", true),
            ("10", "1e1", true),
            ("-0.0", "0", true),
            ("0e5", "0", true),
            ("120", "1.2E+2", true),
            ("0.012", "12e-3", true),
            ("1", "-1", false),
            ("1", "10", false),
            ("1.000000000000000000000000000000001", "1", false),
            ("1e400", "1e401", false),
            ("1e400", "10e399", true),
            ("1e99999999999999999999", "1e99999999999999999999", true),
            ("1e99999999999999999999", "2e99999999999999999999", false),
            ("\"1\"", "1", false),
            ("\"a\"", "\"a\"", true),
            ("\"a\"", "\"A\"", false),
            ("[1, 2]", "[1.0, 2]", true),
            ("[1, 2]", "[2, 1]", false),
            ("[1]", "[1, 2]", false),
            ("{\"a\": 1, \"b\": [2]}", "{\"b\": [2.0], \"a\": 1}", true),
            ("{\"a\": 1}", "{\"a\": 1, \"b\": 2}", false),
            ("{\"a\": 1}", "{\"b\": 1}", false),
            ("null", "false", false),
            ("{}", "[]", false),
        ] {
            let (one, other) = (value(one), value(other));
            assert_eq!(equal(&one, &other), expected, "{one} {other}");
            assert_eq!(equal(&other, &one), expected, "{other} {one}");
        }
    }

    #[test]
    fn depth_and_weight() {
        for (text, depth) in [("1", 0), ("[]", 1), ("{}", 1), ("[[1], {\"a\": [2]}]", 3)] {
            assert!(!is_deeper(&value(text), depth), "{text}");
            assert!(depth == 0 || is_deeper(&value(text), depth - 1), "{text}");
        }
        assert!(weight(&value("{\"name\": \"ab\"}")) > weight(&value("{\"n\": \"\"}")));
    }
}
