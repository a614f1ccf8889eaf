//! `x-minimum` and `x-maximum`: the bounds that a profile sets to a value.
//!
//! For numbers, quantities (their value) and dates; dates are compared as far as both are known.
//! Source: <http://hl7.org/fhir/R4/elementdefinition.html>.

use std::cmp::Ordering;

use rust_decimal::Decimal;
use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::fhir::json::At;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Limit {
    bound: Value,
    forbidden: Ordering,
}

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn minimum(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Limit { bound: value.clone(), forbidden: Ordering::Less }))
}

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn maximum(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Limit { bound: value.clone(), forbidden: Ordering::Greater }))
}

impl Rule for Limit {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        compare(value, &self.bound) != Some(self.forbidden)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let bound = if self.bound.is_object() { self.bound.at("value") } else { &self.bound };
        let side = if self.forbidden == Ordering::Less { "less" } else { "more" };
        let text = format!("The value must not be {side} than {bound}.");
        vec![Finding::error(IssueType::Value, text)]
    }
}

fn compare(value: &Value, bound: &Value) -> Option<Ordering> {
    match (value, bound) {
        (Value::Number(a), Value::Number(b)) => {
            let decimal = |n: &serde_json::Number| {
                let text = n.to_string();
                text.parse::<Decimal>().or_else(|_| Decimal::from_scientific(&text)).ok()
            };
            Some(decimal(a)?.cmp(&decimal(b)?))
        }
        (Value::Object(a), Value::Object(b)) => compare(a.get("value")?, b.get("value")?),
        (Value::String(a), Value::String(b)) => {
            let known = a.len().min(b.len());
            Some(a.get(..known)?.cmp(b.get(..known)?))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn comparison() {
        for (value, bound, expected) in [
            (json!(-1), json!(0), Some(Ordering::Less)),
            (json!(10.50), json!(10.5), Some(Ordering::Equal)),
            (json!({ "value": 11, "unit": "a" }), json!({ "value": 10 }), Some(Ordering::Greater)),
            (json!("2024"), json!("2024-05-01"), Some(Ordering::Equal)),
            (json!("2023-12"), json!("2024-05-01"), Some(Ordering::Less)),
            (json!("a"), json!(1), None),
        ] {
            assert_eq!(compare(&value, &bound), expected, "{value} {bound}");
        }
    }
}
