//! `x-integer`: the number is written as an integer, without fraction and exponent.
//!
//! JSON Schema takes 1.0 for an integer; the standard's regular expression does not.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#integer>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::{IssueType, Message};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Integer;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Integer))
}

impl Rule for Integer {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        match value {
            Value::Number(number) => !number.to_string().contains(['.', 'e', 'E']),
            _ => true,
        }
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) || !value.as_f64().is_some_and(|n| n.fract() == 0.0) {
            return Vec::new();
        }
        let text = "An integer is written without fraction and exponent.";
        vec![Finding::error(IssueType::Value, text).message(Message::IntegerForm)]
    }
}
