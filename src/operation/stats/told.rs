//! Statistics as an Observation: "each containing one component for each statistic".
//!
//! The status is final, the code, subject and period are those that were asked for. What cannot be
//! computed is a component with the reason. How figures are computed that the code does not
//! tell is in the component's text.
//! Source: <http://hl7.org/fhir/R4/observation-operation-stats.html>.

use std::cmp::Reverse;

use rust_decimal::Decimal;
use serde_json::{Map, Value, json};

use super::Asked;
use super::figure::{self, Kind, Point, Statistic};
use super::gather::{Group, Measure, Measured};
use crate::error::Error;
use crate::terminology::ucum;

/// The code system of statistics.
const SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/observation-statistics";
const ABSENT: &str = "http://terminology.hl7.org/CodeSystem/data-absent-reason";
/// A day in milliseconds.
const DAY: i64 = 86_400_000;

/// The statistics of one code: one Observation, more only where units cannot be converted.
///
/// # Errors
/// [`Error::NotSupported`] where there are values and none of them is a Quantity.
pub(super) fn statistics(group: &Group, asked: &Asked) -> Result<Vec<Value>, Error> {
    let families = families(&group.measures);
    let is = |wanted: &Measured| group.measures.iter().any(|measure| measure.value == *wanted);
    if families.is_empty() && is(&Measured::Other) {
        let text = "The values of the code are no Quantity; there are no statistics of them.";
        return Err(Error::not_supported("http.code", text));
    }
    let total = group.measures.len();
    if families.is_empty() {
        return Ok(vec![observation(group, asked, (&Family::default(), total, 0))]);
    }
    let used: usize = families.iter().map(|family| family.points.len()).sum();
    let one = |family: &Family| {
        let apart = used - family.points.len();
        observation(group, asked, (family, total, apart))
    };
    Ok(families.iter().map(one).collect())
}

/// Values whose units can be converted into each other, all in one of them.
#[derive(Clone, Debug, Default)]
struct Family {
    /// The unit of the newest value.
    unit: String,
    points: Vec<Point>,
}

fn families(measures: &[Measure]) -> Vec<Family> {
    let mut numbers: Vec<(i64, Decimal, &str)> = Vec::new();
    for measure in measures {
        if let Measured::Number(value, unit) = &measure.value {
            numbers.push((measure.at, *value, unit));
        }
    }
    numbers.sort_by_key(|(at, ..)| Reverse(*at));
    let mut families: Vec<Family> = Vec::new();
    for (at, value, unit) in numbers {
        let at = Decimal::from(at).checked_div(Decimal::from(DAY)).unwrap_or_default();
        let fitting = families
            .iter_mut()
            .find_map(|family| converted(value, unit, &family.unit).map(|value| (family, value)));
        if let Some((family, value)) = fitting {
            family.points.push(Point { at, value });
        } else {
            let points = vec![Point { at, value }];
            families.push(Family { unit: unit.to_owned(), points });
        }
    }
    families
}

/// The value in another unit; none where it cannot be converted exactly.
fn converted(value: Decimal, from: &str, to: &str) -> Option<Decimal> {
    if from == to {
        return Some(value);
    }
    if !ucum::comparable(from, to).ok()? || is_arbitrary(from) || is_arbitrary(to) {
        return None;
    }
    let base = ucum::canonical(value, from)?;
    let (zero, one) = (ucum::canonical(Decimal::ZERO, to)?, ucum::canonical(Decimal::ONE, to)?);
    if base.unit != one.unit {
        return None;
    }
    base.value.checked_sub(zero.value)?.checked_div(one.value.checked_sub(zero.value)?)
}

/// Whether the unit is a mere annotation such as `{score}`: UCUM takes all of those for pure
/// numbers, which points and breaths, or points and per cent, are not in common.
fn is_arbitrary(unit: &str) -> bool {
    unit.contains('{')
}

fn observation(
    group: &Group,
    asked: &Asked,
    (family, total, apart): (&Family, usize, usize),
) -> Value {
    let components = asked.statistics.iter().flat_map(|s| components(s, family, total, asked));
    let mut observation = json!({
        "resourceType": "Observation",
        "status": "final",
        "code": { "coding": [group.coding] },
        "subject": { "reference": asked.subject },
        "effectivePeriod": asked.period.told,
        "component": components.collect::<Vec<_>>(),
    });
    if let Some(object) = observation.as_object_mut().filter(|_| apart > 0) {
        let text = format!(
            "{apart} values of this code in this period have units that cannot be converted to \
             {}; the statistics of them stand in an Observation beside this one.",
            family.unit
        );
        object.insert("note".to_owned(), json!([{ "text": text }]));
    }
    observation
}

/// The components of one statistic: one, but two for a line.
fn components(statistic: &Statistic, family: &Family, total: usize, asked: &Asked) -> Vec<Value> {
    let points = &family.points;
    match statistic.kind {
        Kind::Regression => {
            let start = start(asked);
            let since = points.iter().filter_map(|point| {
                Some(Point { at: point.at.checked_sub(start)?, value: point.value })
            });
            let line = figure::regression(&since.collect::<Vec<_>>()).unzip();
            let gradient = format!("{}/d", family.unit);
            vec![
                component(statistic, "gradient", line.0, &gradient),
                component(statistic, "intercept, at the start of the period", line.1, &family.unit),
            ]
        }
        Kind::TotalCount => {
            vec![component(statistic, "", u64::try_from(total).ok().map(Decimal::from), "1")]
        }
        kind => {
            let (text, unit) = match kind {
                Kind::Count => ("", "1".to_owned()),
                Kind::Variance => ("divided by n - 1", squared(&family.unit)),
                Kind::Deviation => ("divided by n - 1", family.unit.clone()),
                Kind::Percentile(0 | 50 | 100) | Kind::Average | Kind::Sum => {
                    ("", family.unit.clone())
                }
                Kind::Skew => ("moments divided by n", "1".to_owned()),
                Kind::Kurtosis => {
                    ("moments divided by n; 3 for a normal distribution", "1".to_owned())
                }
                _ => ("interpolated at p (n + 1)", family.unit.clone()),
            };
            vec![component(statistic, text, figure::figure(kind, points), &unit)]
        }
    }
}

/// The start of the period in days; open periods are told from 1970.
fn start(asked: &Asked) -> Decimal {
    let start = if asked.period.start == i64::MIN { 0 } else { asked.period.start };
    Decimal::from(start).checked_div(Decimal::from(DAY)).unwrap_or_default()
}

/// The unit of squares; in words where UCUM has none, as of a mere annotation.
fn squared(unit: &str) -> String {
    let is_simple =
        !unit.ends_with(|c: char| c.is_ascii_digit()) && !unit.contains(['.', '/', '{', '(']);
    let square = if is_simple { format!("{unit}2") } else { format!("{unit}.{unit}") };
    let is_unit = !unit.contains('{') && ucum::check(&square).is_ok();
    if is_unit { square } else { format!("{unit} squared") }
}

fn component(statistic: &Statistic, text: &str, value: Option<Decimal>, unit: &str) -> Value {
    let mut code = json!({ "coding": [{
        "system": SYSTEM, "code": statistic.code, "display": statistic.display,
    }] });
    if let Some(object) = code.as_object_mut().filter(|_| !text.is_empty()) {
        object.insert("text".to_owned(), json!(format!("{}, {text}", statistic.display)));
    }
    let mut component = Map::new();
    component.insert("code".to_owned(), code);
    // A Decimal prints as a JSON number.
    let number = value.and_then(|value| serde_json::from_str::<Value>(&value.to_string()).ok());
    if let Some(number) = number {
        component.insert("valueQuantity".to_owned(), quantity(&number, unit));
    } else {
        let reason = json!({
            "coding": [{ "system": ABSENT, "code": "not-applicable" }],
            "text": "There are too few values, or the figure has no place in a decimal.",
        });
        component.insert("dataAbsentReason".to_owned(), reason);
    }
    Value::Object(component)
}

fn quantity(number: &Value, unit: &str) -> Value {
    if unit == "1" {
        return json!({ "value": number, "system": ucum::SYSTEM, "code": "1" });
    }
    // What UCUM does not know as a unit, such as the square of an annotation, is told in words.
    match ucum::check(unit) {
        Ok(()) => json!({ "value": number, "unit": unit, "system": ucum::SYSTEM, "code": unit }),
        Err(_) => json!({ "value": number, "unit": unit }),
    }
}

#[cfg(test)]
mod tests {
    use std::str::FromStr;

    use super::*;

    fn number(at: i64, value: &str, unit: &str) -> Measure {
        let value = Measured::Number(Decimal::from_str(value).unwrap(), unit.to_owned());
        Measure { at, value }
    }

    /// UCUM: 1 rad = 180/π deg; a mere annotation is no common ground.
    #[test]
    fn units_that_can_be_converted_and_others() {
        let check = |measures: &[Measure], expected: &[(&str, &[&str])]| {
            let found = families(measures);
            let found: Vec<(String, Vec<String>)> = found
                .iter()
                .map(|family| {
                    let values = family.points.iter().map(|p| p.value.round_dp(6).normalize());
                    (family.unit.clone(), values.map(|value| value.to_string()).collect())
                })
                .collect();
            let expected: Vec<(String, Vec<String>)> = expected
                .iter()
                .map(|(unit, values)| {
                    ((*unit).to_owned(), values.iter().map(|v| (*v).to_owned()).collect())
                })
                .collect();
            assert_eq!(found, expected);
        };
        check(&[number(1, "180", "cm"), number(2, "1.7", "m")], &[("m", &["1.7", "1.8"])]);
        check(&[number(2, "72", "kg"), number(1, "70500", "g")], &[("kg", &["72", "70.5"])]);
        check(
            &[number(3, "12", "{score}"), number(2, "20", "%"), number(1, "14", "{score}")],
            &[("{score}", &["12", "14"]), ("%", &["20"])],
        );
        check(&[number(1, "1", "m"), number(2, "1", "s")], &[("s", &["1"]), ("m", &["1"])]);
        let nothing = Measure { at: 1, value: Measured::Nothing };
        check(&[nothing], &[]);
    }

    #[test]
    fn units_of_squares() {
        for (unit, expected) in [
            ("kg", "kg2"),
            ("mm[Hg]", "mm[Hg]2"),
            ("m2", "m2.m2"),
            ("kg/m2", "kg/m2.kg/m2"),
            ("{score}", "{score} squared"),
            ("/min", "/min squared"),
        ] {
            assert_eq!(squared(unit), expected);
            assert_eq!(ucum::check(expected).is_ok(), !expected.contains(' '), "{expected}");
        }
    }
}
