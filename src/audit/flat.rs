//! A `MeasureReport` of ours as rows: one for the whole of each group, one for each stratum.
//!
//! Every number is that of the report, as it is written there; what the report does not tell, or
//! withholds, is empty.

use serde_json::{Map, Value};

use crate::clinical::element::{at, items, text};

/// The columns that hold text.
const TEXTS: [&str; 8] =
    ["measure", "start", "end", "commit", "group", "stratifier", "stratum", "withheld"];

/// The populations, in the order of a report.
const POPULATIONS: [&str; 8] = [
    "initial-population",
    "denominator",
    "denominator-exclusion",
    "denominator-exception",
    "numerator",
    "numerator-exclusion",
    "measure-population",
    "measure-population-exclusion",
];

/// The parts of the figure, in the order of the extension `audit-figure`.
const PARTS: [&str; 35] = [
    "missing",
    "confidence",
    "count",
    "of",
    "events",
    "exposure",
    "per",
    "low",
    "high",
    "if-none",
    "if-each",
    "n",
    "min",
    "first-quartile",
    "median",
    "third-quartile",
    "max",
    "median-low",
    "median-high",
    "start",
    "end",
    "mean",
    "deviation",
    "mean-low",
    "mean-high",
    "response-mean",
    "effect-size",
    "expected",
    "ratio",
    "ratio-low",
    "ratio-high",
    "adjusted",
    "looks",
    "by-chance",
    "undefined",
];

/// A row: a value for each of [`columns`].
pub type Row = Vec<Value>;

/// The names of the columns.
pub fn columns() -> Vec<String> {
    let parts = PARTS.iter().map(|part| match *part {
        // The scores of both ends, apart from the days of the period.
        "start" => "first-mean".to_owned(),
        "end" => "latest-mean".to_owned(),
        part => part.to_owned(),
    });
    let own = |name: &&str| (*name).to_owned();
    let texts = TEXTS.iter().map(own);
    let score = ["score", "unit"].iter().map(own);
    texts.chain(POPULATIONS.iter().map(own)).chain(score).chain(parts).collect()
}

/// The rows of a report: the whole of each group, and the strata of the named stratifiers.
pub fn rows(report: &Value, stratifiers: &[String]) -> Vec<Row> {
    let mut rows = Vec::new();
    for (number, group) in items(report, "/group").enumerate() {
        let code = text(group, "/code/coding/0/code").or_else(|| text(group, "/code/text"));
        let group_name = code.map_or_else(|| (number + 1).to_string(), str::to_owned);
        rows.push(row(report, group, [&group_name, "", ""]));
        for split in items(group, "/stratifier") {
            let name = text(split, "/code/0/coding/0/code").unwrap_or_default();
            if !stratifiers.iter().any(|wanted| wanted == name) {
                continue;
            }
            for stratum in items(split, "/stratum") {
                let value = text(stratum, "/value/text");
                let value = value.or_else(|| text(stratum, "/value/coding/0/code"));
                rows.push(row(report, stratum, [&group_name, name, value.unwrap_or_default()]));
            }
        }
    }
    rows
}

/// The codes of the stratifiers of a report.
pub fn stratifiers(report: &Value) -> Vec<&str> {
    let splits = items(report, "/group").flat_map(|group| items(group, "/stratifier"));
    let mut codes: Vec<&str> =
        splits.filter_map(|split| text(split, "/code/0/coding/0/code")).collect();
    codes.dedup();
    codes
}

/// A row as an object of what is told.
pub fn object(row: Row) -> Value {
    let told = columns().into_iter().zip(row).filter(|(_, value)| !value.is_null());
    Value::Object(told.collect::<Map<_, _>>())
}

fn row(report: &Value, told: &Value, [group, stratifier, stratum]: [&str; 3]) -> Row {
    let figure = items(told, "/extension")
        .find(|own| text(own, "/url").is_some_and(|url| url.ends_with("/audit-figure")));
    let masked = |element: &Value| {
        items(element, "/extension").any(|own| text(own, "/valueCode") == Some("masked"))
    };
    let withheld = masked(told) || items(told, "/population").any(masked);
    let own = |pointer: &str| report.pointer(pointer).cloned().unwrap_or_default();
    let commit = items(report, "/extension")
        .find(|own| text(own, "/url").is_some_and(|url| url.ends_with("/audit-as-of-commit")));
    let commit = commit.map(|commit| at(commit, "/valueString").clone()).unwrap_or_default();
    let name = |text: &str| if text.is_empty() { Value::Null } else { text.into() };
    let mut row = vec![own("/measure"), own("/period/start"), own("/period/end"), commit];
    row.extend([group, stratifier, stratum].map(name));
    row.push(if withheld { "yes".into() } else { Value::Null });
    row.extend(POPULATIONS.map(|code| {
        let is_it = |population: &&Value| text(population, "/code/coding/0/code") == Some(code);
        let population = items(told, "/population").find(is_it);
        population.map(|population| at(population, "/count").clone()).unwrap_or_default()
    }));
    row.extend(
        ["/measureScore/value", "/measureScore/code"].map(|pointer| at(told, pointer).clone()),
    );
    row.extend(PARTS.map(|part| {
        let parts = items(figure.unwrap_or(&Value::Null), "/extension");
        let values = parts.filter(|own| text(own, "/url") == Some(part)).filter_map(value_of);
        joined(values.collect())
    }));
    row
}

/// The value of an extension's part.
fn value_of(part: &Value) -> Option<&Value> {
    let mut members = part.as_object()?.iter();
    members.find(|(name, _)| name.starts_with("value")).map(|(_, value)| value)
}

/// One value as it is; several, which are words, with a semicolon between.
fn joined(values: Vec<&Value>) -> Value {
    match values.as_slice() {
        [] => Value::Null,
        [one] => (*one).clone(),
        several => {
            let words: Vec<&str> = several.iter().filter_map(|value| value.as_str()).collect();
            words.join("; ").into()
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn report() -> Value {
        let population = |code: &str, count: u64| json!({ "code": { "coding": [{ "code": code }] }, "count": count });
        let own = "https://spondyl.example/fhir/StructureDefinition";
        let masked = json!({ "url": "x", "valueCode": "masked" });
        json!({
            "resourceType": "MeasureReport", "measure": "m",
            "period": { "start": "2026-01-01", "end": "2026-12-31" },
            "extension": [{ "url": format!("{own}/audit-as-of-commit"), "valueString": "7" }],
            "group": [{
                "extension": [{ "url": format!("{own}/audit-figure"), "extension": [
                    { "url": "missing", "valueUnsignedInt": 2 },
                    { "url": "undefined", "valueString": "a" },
                    { "url": "undefined", "valueString": "b" },
                ] }],
                "population": [population("initial-population", 9), population("numerator", 3)],
                "measureScore": { "value": 0.5, "code": "1" },
                "stratifier": [{
                    "code": [{ "coding": [{ "code": "sex" }] }],
                    "stratum": [
                        { "value": { "text": "female" }, "extension": [masked] },
                        { "value": { "coding": [{ "code": "UNK" }] } },
                    ],
                }],
            }],
        })
    }

    #[test]
    fn a_report_as_rows() {
        let all = rows(&report(), &["sex".to_owned()]);
        assert!(all.iter().all(|row| row.len() == columns().len()));
        let all: Vec<Value> = all.into_iter().map(object).collect();
        assert_eq!(
            all[0],
            json!({
                "measure": "m", "start": "2026-01-01", "end": "2026-12-31", "commit": "7",
                "group": "1", "initial-population": 9, "numerator": 3, "score": 0.5, "unit": "1",
                "missing": 2, "undefined": "a; b",
            })
        );
        assert_eq!((&all[1]["stratum"], &all[1]["withheld"]), (&json!("female"), &json!("yes")));
        assert_eq!(all[2]["stratum"], "UNK");
        assert_eq!(rows(&report(), &[]).len(), 1);
        assert_eq!(stratifiers(&report()), ["sex"]);
    }

    #[test]
    fn each_column_has_its_own_name() {
        let mut names = columns();
        let all = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), all);
    }
}
