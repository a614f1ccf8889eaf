//! `x-minimum` and `x-maximum`: the bounds that a profile sets to a value.
//!
//! For numbers, quantities (in units that can be compared), dates and times; a bound that is a
//! duration is that long before or after now. What cannot be compared is let pass: dates of other
//! precision, quantities of other units.
//! Source: <http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.minValue_x_>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};
use crate::validation::fhirpath::{Element, Expression, Item, Kind};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;
use crate::validation::sight::Sight;

const UCUM: &str = "http://unitsofmeasure.org";

struct Limit {
    /// Whether a value is beyond the bound.
    is_beyond: Expression,
    text: String,
    kind: Option<Kind>,
}

pub(super) fn minimum(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    rule(site, value, '<')
}

pub(super) fn maximum(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    rule(site, value, '>')
}

fn rule(site: Site<'_>, bound: &Value, sign: char) -> Result<Box<dyn Rule>, String> {
    let source = source(site.kind, bound, sign).ok_or("a bound is a number, quantity or date")?;
    let is_beyond = Expression::parse(&source).map_err(|fault| fault.to_string())?;
    let side = if sign == '<' { "less" } else { "more" };
    let named = match bound {
        Value::Object(_) => {
            let unit = [bound.at("unit"), bound.at("code")].into_iter().find_map(Value::as_str);
            format!("{} {}", bound.at("value"), unit.unwrap_or_default())
        }
        Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    let text = format!("The value must not be {side} than {}.", named.trim());
    Ok(Box::new(Limit { is_beyond, text, kind: site.kind }))
}

/// The bound as an expression that is true of what lies beyond it.
fn source(kind: Option<Kind>, bound: &Value, sign: char) -> Option<String> {
    let is = |name: &str| kind.is_some_and(|kind| kind.name() == name);
    match bound {
        Value::Number(number) => Some(format!("$this {sign} {number}")),
        Value::String(text) if is("time") => Some(format!("$this {sign} @T{text}")),
        Value::String(text) if !is("date") && !text.contains('T') => {
            Some(format!("$this {sign} @{text}T"))
        }
        Value::String(text) => Some(format!("$this {sign} @{text}")),
        Value::Object(_) if ["date", "dateTime", "instant"].iter().any(|name| is(name)) => {
            // A quantity of anything but time says nothing of a date.
            let Some(unit) = bound.at("code").as_str().and_then(calendar) else {
                return Some("false".to_owned());
            };
            let (now, step) = match (is("date"), sign) {
                (true, '<') => ("today()", '-'),
                (true, _) => ("today()", '+'),
                (false, '<') => ("now()", '-'),
                (false, _) => ("now()", '+'),
            };
            Some(format!("$this {sign} ({now} {step} {} {unit})", bound.at("value").as_number()?))
        }
        Value::Object(_) => {
            let value = bound.at("value").as_number()?;
            let quoted =
                |text: &str| format!("'{}'", text.replace('\\', "\\\\").replace('\'', "\\'"));
            let code = bound.at("code").as_str();
            let unit = bound.at("unit").as_str();
            Some(match (code.filter(|_| bound.at("system") == UCUM), code, unit) {
                (Some(ucum), ..) => format!("$this {sign} {value} {}", quoted(ucum)),
                (None, Some(code), _) => {
                    format!("code = {} and value {sign} {value}", quoted(code))
                }
                (None, None, Some(unit)) => {
                    format!("unit = {} and value {sign} {value}", quoted(unit))
                }
                (None, None, None) => format!("value {sign} {value}"),
            })
        }
        _ => None,
    }
}

/// The unit of time of the calendar that a UCUM code stands for.
fn calendar(code: &str) -> Option<&'static str> {
    Some(match code {
        "a" => "years",
        "mo" => "months",
        "wk" => "weeks",
        "d" => "days",
        "h" => "hours",
        "min" => "minutes",
        "s" => "seconds",
        "ms" => "milliseconds",
        _ => return None,
    })
}

impl Rule for Limit {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let sight = Sight::new(scope, None);
        let focus = Element { value: Some(value), sibling: None, kind: self.kind, resource: None };
        let env = sight.env(focus);
        // What cannot be compared is not beyond the bound.
        let beyond = self.is_beyond.evaluate(&env).unwrap_or_default();
        !matches!(beyond.as_slice(), [Item::Bool(true)])
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        vec![Finding::error(IssueType::Value, &self.text).message(Message::Limit)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn bounds_as_expressions() {
        let mg = json!({ "value": 10, "system": UCUM, "code": "mg" });
        let years = json!({ "value": 18, "system": UCUM, "code": "a" });
        for (kind, bound, expected) in [
            ("integer", json!(0), "$this < 0"),
            ("decimal", json!(10.5), "$this < 10.5"),
            ("date", json!("2024-05"), "$this < @2024-05"),
            ("dateTime", json!("2024-05"), "$this < @2024-05T"),
            ("instant", json!("2024-05-01T10:00:00Z"), "$this < @2024-05-01T10:00:00Z"),
            ("time", json!("10:00:00"), "$this < @T10:00:00"),
            ("Quantity", mg, "$this < 10 'mg'"),
            ("Quantity", json!({ "value": 1, "unit": "it's" }), "unit = 'it\\'s' and value < 1"),
            ("date", years.clone(), "$this < (today() - 18 years)"),
            ("dateTime", years, "$this < (now() - 18 years)"),
        ] {
            let source = source(Kind::of(kind), &bound, '<').unwrap();
            assert_eq!(source, expected, "{kind} {bound}");
            assert!(Expression::parse(&source).is_ok(), "{source}");
        }
        let length = source(Kind::of("date"), &json!({ "value": 1, "code": "cm" }), '<');
        assert_eq!(length.as_deref(), Some("false"));
    }
}
