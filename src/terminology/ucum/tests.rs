//! UCUM against the published suites where they are at hand, and always against worked examples.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde_json::Value;

use super::*;

#[test]
fn units_of_this_trade() {
    for unit in
        ["deg", "mm", "N", "/min", "{score}", "1", "%", "wk", "kg", "[lb_av]", "N.m", "mm[Hg]"]
    {
        assert_eq!(check(unit), Ok(()), "{unit}");
    }
    let wrong = [
        ("degree", Some("deg")),
        ("°", Some("deg")),
        ("DEG", Some("deg")),
        ("cm/s^2", Some("cm/s2")),
        ("sec", Some("s")),
        ("mmHg", Some("mm[Hg]")),
        ("KG", Some("kg")),
        ("n", Some("N")),
        ("deg ", Some("deg")),
        ("", None),
        ("m/", None),
        ("qqqqq", None),
    ];
    for (unit, suggestion) in wrong {
        let unknown = check(unit).unwrap_err();
        assert_eq!(unknown.suggestion.as_deref(), suggestion, "{unit}");
        if let Some(code) = suggestion {
            assert_eq!(check(code), Ok(()), "the suggestion for {unit}");
        }
    }
}

#[test]
fn comparable_units() {
    for (a, b, expected) in
        [("deg", "rad", true), ("cm", "[in_i]", true), ("deg", "cm", false), ("1", "%", true)]
    {
        assert_eq!(comparable(a, b), Ok(expected), "{a} {b}");
    }
    assert!(comparable("deg", "degree").is_err());
}

#[test]
fn canonical_values() {
    let check = |value: &str, unit: &str, expected: Option<(&str, &str)>| {
        let found = canonical(value.parse().unwrap(), unit);
        let expected = expected.map(|(value, unit)| (value.parse().unwrap(), unit.to_owned()));
        assert_eq!(found.map(|c| (c.value, c.unit)), expected, "{value} {unit}");
    };
    check("2.54", "cm", Some(("0.0254", "m")));
    check("1", "[in_i]", Some(("0.0254", "m")));
    check("1.0", "kg", Some(("1000", "g")));
    check("37", "Cel", Some(("310.15", "K")));
    check("5", "N", Some(("5000", "g.m.s-2")));
    check("50", "%", Some(("0.5", "1")));
    check("0", "m", Some(("0", "m")));
    check("7", "[pH]", None);
    check("1", "nonsense", None);
    check("1", "10*100", None);
}

fn suite(name: &str) -> Option<Vec<Value>> {
    let shared = std::env::var("SPONDYL_SHARED").unwrap_or_else(|_| "../shared".into());
    let path = PathBuf::from(shared).join("standard/cases/ucum-tests").join(name);
    let text = std::fs::read_to_string(&path).ok();
    if text.is_none() {
        println!("skipped: {name} is not at hand");
    }
    let lines = text?.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    Some(lines)
}

/// Deviations, each with its reason.
fn known() -> BTreeMap<String, String> {
    serde_json::from_str(include_str!("../../../conformance/terminology/ucum-known.json")).unwrap()
}

fn judge(suite: &str, results: &[(String, bool)]) {
    let known = known();
    let failed: Vec<_> = results.iter().filter(|(_, passed)| !passed).map(|(id, _)| id).collect();
    println!("{suite}: {} of {} as published", results.len() - failed.len(), results.len());
    let new: Vec<_> = failed.iter().filter(|id| !known.contains_key(**id)).collect();
    assert!(new.is_empty(), "{suite}: deviations without an explanation: {new:?}");
    let stale: Vec<_> =
        results.iter().filter(|(id, passed)| *passed && known.contains_key(id)).collect();
    assert!(stale.is_empty(), "{suite}: these pass; strike them from the list: {stale:?}");
}

fn number(value: &Value) -> f64 {
    match value {
        Value::String(text) => text.parse().unwrap(),
        other => other.to_string().parse().unwrap(),
    }
}

/// Whether `value` in `from` is about `expected` in `to`, through canonical values.
fn converts(value: &Value, from: &str, to: &str, expected: &Value, tolerance: f64) -> bool {
    let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    let Ok(value) = octofhir_ucum::convert(text.parse().unwrap(), from, to) else { return false };
    (value - number(expected)).abs() <= tolerance.max(number(expected).abs() * 1e-9)
}

/// The UCUM functional tests (FHIR/Ucum-java, EPL-1.0, as JSON lines).
#[test]
fn functional_tests() {
    let Some(cases) = suite("functional-tests.jsonl") else { return };
    let text = |case: &Value, key: &str| case[key].as_str().unwrap_or_default().to_owned();
    let results = cases.iter().map(|case| {
        let id = format!("{} {}", text(case, "kind"), text(case, "id"));
        let passed = match text(case, "kind").as_str() {
            "validation" => check(&text(case, "unit")).is_ok() == (case["valid"] == true),
            "conversion" => converts(
                &case["value"],
                &text(case, "srcUnit"),
                &text(case, "dstUnit"),
                &case["outcome"],
                number(&case["tolerance"]),
            ),
            "displayNameGeneration" => octofhir_ucum::display_name(&text(case, "unit"))
                .is_ok_and(|name| name == text(case, "display")),
            kind => arithmetic(case, kind == "multiplication"),
        };
        (id, passed)
    });
    judge("functional", &results.collect::<Vec<_>>());
}

fn arithmetic(case: &Value, multiply: bool) -> bool {
    let unit = |key: &str| case[key].as_str().unwrap();
    let result = if multiply {
        octofhir_ucum::unit_multiply(unit("u1"), unit("u2"))
    } else {
        octofhir_ucum::unit_divide(unit("u1"), unit("u2"))
    };
    let values = (number(&case["v1"]), number(&case["v2"]));
    let value = if multiply { values.0 * values.1 } else { values.0 / values.1 };
    let near = (value - number(&case["vRes"])).abs() <= number(&case["tolerance"]);
    near && result.is_ok_and(|r| comparable(&r.expression, unit("uRes")).unwrap())
}

/// Units in common use (FHIR/Ucum-java, BSD-3-Clause) with factors from another implementation.
#[test]
fn common_units() {
    let Some(cases) = suite("common-units.jsonl") else { return };
    let results = cases.iter().map(|case| {
        let unit = case["unit"].as_str().unwrap();
        let valid = check(unit).is_ok();
        let factor = match (&case["factor"], case["special"] == true) {
            (Value::Number(_), false) => get_canonical_units(unit).is_ok_and(|base| {
                let expected = number(&case["factor"]);
                (base.factor.to_f64() / expected - 1.0).abs() < 1e-6
            }),
            _ => true,
        };
        (format!("common {unit}"), valid && factor)
    });
    judge("common units", &results.collect::<Vec<_>>());
}

/// Conversions of a rehabilitation record, computed with another implementation.
#[test]
fn clinical_conversions() {
    let Some(cases) = suite("clinical-conversions.jsonl") else { return };
    let results = cases.iter().map(|case| {
        let (from, to) = (case["srcUnit"].as_str().unwrap(), case["dstUnit"].as_str().unwrap());
        let passed = match case["comparable"] == true {
            true => converts(&case["value"], from, to, &case["outcome"], 1e-9),
            false => comparable(from, to) == Ok(false),
        };
        (case["id"].as_str().unwrap().to_owned(), passed)
    });
    judge("clinical conversions", &results.collect::<Vec<_>>());
}
