//! `x-fixed` and `x-pattern`: the value is exactly this, or has at least this in it.
//!
//! Source: <http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.fixed_x_>.

use rust_decimal::Decimal;
use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::{IssueType, Message};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Fixed(Value);

struct Pattern(Value);

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn fixed(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Fixed(value.clone())))
}

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn pattern(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Pattern(value.clone())))
}

impl Rule for Fixed {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        equal(&self.0, value)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let text = format!("The value must be exactly {}.", self.0);
        vec![Finding::error(IssueType::Value, text).message(Message::Fixed)]
    }
}

impl Rule for Pattern {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        contains(&self.0, value)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let text = format!("The value must have in it {}.", self.0);
        vec![Finding::error(IssueType::Value, text).message(Message::Fixed)]
    }
}

/// Whether the two are the same; numbers by value and precision's digits aside.
fn equal(wanted: &Value, value: &Value) -> bool {
    match (wanted, value) {
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len()
                && a.iter().all(|(key, item)| b.get(key).is_some_and(|other| equal(item, other)))
        }
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(item, other)| equal(item, other))
        }
        (Value::Number(a), Value::Number(b)) => {
            let decimal = |n: &serde_json::Number| {
                let text = n.to_string();
                text.parse::<Decimal>().or_else(|_| Decimal::from_scientific(&text)).ok()
            };
            a.to_string() == b.to_string()
                || matches!((decimal(a), decimal(b)), (Some(a), Some(b)) if a == b)
        }
        _ => wanted == value,
    }
}

/// Whether all of `wanted` is in `value`; each item of an array in any item.
fn contains(wanted: &Value, value: &Value) -> bool {
    match (wanted, value) {
        (Value::Object(a), Value::Object(b)) => {
            a.iter().all(|(key, item)| b.get(key).is_some_and(|other| contains(item, other)))
        }
        (Value::Array(a), Value::Array(b)) => {
            a.iter().all(|item| b.iter().any(|other| contains(item, other)))
        }
        _ => equal(wanted, value),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn fixed_is_exact_and_pattern_is_part() {
        let coding = json!({ "system": "s", "code": "c" });
        let more = json!({ "system": "s", "code": "c", "display": "d" });
        for (wanted, value, is_equal, is_part) in [
            (coding.clone(), coding.clone(), true, true),
            (coding.clone(), more.clone(), false, true),
            (more.clone(), coding.clone(), false, false),
            (
                json!({ "coding": [coding] }),
                json!({ "coding": [{ "code": "x" }, more] }),
                false,
                true,
            ),
            (json!(1.0), json!(1), true, true),
            (json!("a"), json!("b"), false, false),
        ] {
            assert_eq!(equal(&wanted, &value), is_equal, "{wanted} {value}");
            assert_eq!(contains(&wanted, &value), is_part, "{wanted} {value}");
        }
    }
}
