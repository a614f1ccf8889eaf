//! No row that a condition accepts lies outside the ranges that it is looked for in.

use serde_json::json;

use super::clause::Clause;
use super::*;
use crate::repository::key;

/// Every entry of every resource against every query: what is accepted lies in a range, and over all
/// something is accepted and something is not.
fn check(clinic: &Clinic, kind: &str, resources: &[Value], queries: &[String]) {
    let id = Id::parse("x").unwrap();
    let (mut accepted, mut refused) = (0, 0);
    let entries: Vec<_> = resources
        .iter()
        .map(|value| Resource::from_value(value.clone()).unwrap())
        .flat_map(|resource| index::entries(&clinic.rules, &resource))
        .collect();
    for text in queries {
        let query = clinic.query(&format!("{kind}?{text}"), true).unwrap();
        let Some(Clause::Index { any, .. }) = query.clauses.first() else { panic!("{text}") };
        for condition in any {
            let ranges = condition.ranges(query.kind);
            for entry in entries.iter().filter(|e| condition.sources.contains(&e.parameter)) {
                let parts: Vec<&[u8]> = entry.parts.iter().map(Vec::as_slice).collect();
                let row = key::index(query.kind, &entry.parameter, &parts, &id);
                if condition.accepts(&entry.parts, &entry.value) {
                    accepted += 1;
                    assert!(ranges.iter().any(|range| range.contains(&row)), "{text}: {entry:?}");
                } else {
                    refused += 1;
                }
            }
        }
    }
    assert!(accepted > 0 && refused > 0, "{accepted} accepted, {refused} refused");
}

const PREFIXES: [&str; 10] = ["", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"];

fn with_prefixes(parameter: &str, values: &[&str], after: &str) -> Vec<String> {
    let each = |value: &&str| PREFIXES.map(|prefix| format!("{parameter}={prefix}{value}{after}"));
    values.iter().flat_map(each).collect()
}

#[test]
fn dates() {
    let days = [
        "0001",
        "1999",
        "2012-02-29",
        "2012",
        "2012-12-31",
        "2013-01",
        "2013-01-01",
        "2013-01-01T00:00:00Z",
        "2013-01-01T23:59:59.999Z",
        "2013-01-02T00:00:00+01:00",
        "2013-06",
        "9998-12",
    ];
    let mut values: Vec<Value> =
        days.iter().map(|day| json!({ "effectiveDateTime": day })).collect();
    for (at, start) in days.iter().enumerate() {
        values.push(json!({ "effectivePeriod": { "start": start } }));
        values.push(json!({ "effectivePeriod": { "end": start } }));
        let ends = days.iter().skip(at);
        values.extend(ends.map(|end| json!({ "effectivePeriod": { "start": start, "end": end } })));
    }
    let resources: Vec<Value> = values
        .into_iter()
        .map(|mut value| {
            value["resourceType"] = json!("Observation");
            value
        })
        .collect();
    check(&Clinic::new(), "Observation", &resources, &with_prefixes("date", &days, ""));
}

#[test]
fn numbers_and_quantities() {
    let numbers = ["-100", "-1.5", "-0.001", "0", "0.001", "1", "1.5", "10", "99.5", "100", "1e3"];
    let quantity = |number: &str, comparator: Option<&str>, code: &str| {
        let value: Value = serde_json::from_str(number).unwrap();
        let mut quantity =
            json!({ "value": value, "system": "http://unitsofmeasure.org", "code": code });
        if let Some(comparator) = comparator {
            quantity["comparator"] = json!(comparator);
        }
        json!({ "resourceType": "Observation", "valueQuantity": quantity,
            "code": { "coding": [{ "code": "c" }] } })
    };
    let comparators = [None, Some("<"), Some("<="), Some(">"), Some(">=")];
    let resources: Vec<Value> = numbers
        .iter()
        .flat_map(|number| comparators.map(|comparator| (number, comparator)))
        .flat_map(|(number, comparator)| {
            ["m", "cm", "Cel", "{score}", "no-unit"].map(|code| quantity(number, comparator, code))
        })
        .collect();
    let mut queries = Vec::new();
    for unit in [
        "",
        "|http://unitsofmeasure.org|cm",
        "|http://unitsofmeasure.org|K",
        "||no-unit",
        "|http://unitsofmeasure.org|no-unit",
        "|http://unitsofmeasure.org|",
    ] {
        queries.extend(with_prefixes("value-quantity", &numbers, unit));
        queries.extend(
            with_prefixes("code-value-quantity", &numbers, unit)
                .iter()
                .map(|query| query.replacen('=', "=c$", 1)),
        );
    }
    check(&Clinic::new(), "Observation", &resources, &queries);
    let risks: Vec<Value> = numbers
        .iter()
        .map(|number| {
            let value: Value = serde_json::from_str(number).unwrap();
            json!({ "resourceType": "RiskAssessment", "prediction": [{ "probabilityDecimal": value }] })
        })
        .collect();
    let queries = with_prefixes("probability", &numbers, "");
    check(&Clinic::new(), "RiskAssessment", &risks, &queries);
}

#[test]
fn texts() {
    let long = "Ünter der Linden ".repeat(12);
    let names = ["Eve", "eve", "ÉVE", "Evelyn", "Le Ève", "x", &long, &long[..120]];
    let resources: Vec<Value> = names
        .iter()
        .map(|name| json!({ "resourceType": "Patient", "name": [{ "family": name }] }))
        .collect();
    let mut queries = Vec::new();
    for name in names.iter().chain(&["ev", "e", "linden", "nobody"]) {
        queries
            .extend(["", ":exact", ":contains"].map(|modifier| format!("family{modifier}={name}")));
    }
    check(&Clinic::new(), "Patient", &resources, &queries);
}
