//! Own cases of the language, and every constraint that is held.

use serde_json::{Value, json};

use super::Expression;
use super::published::evaluate;
use crate::definitions::Definitions;
use crate::fhir::json::At;
use crate::validation::keyword::invariant::{ELSEWHERE, corrected};

fn resource() -> Value {
    json!({
        "resourceType": "Observation", "status": "final", "note": [{ "text": "a" }, { "text": "b" }],
        "code": { "coding": [{ "system": "s", "code": "c" }, { "system": "t", "code": "d" }] },
        "issued": "2020-01-02T10:00:00Z", "_language": { "extension": [{ "url": "u" }] },
        "valueQuantity": { "value": 1.50, "system": "http://unitsofmeasure.org", "code": "cm" },
        "component": [
            { "code": { "coding": [{ "system": "s", "code": "c" }] }, "valueInteger": 2 },
            { "code": { "coding": [{ "system": "s", "code": "x" }] }, "valueString": "y" },
        ],
        "effectivePeriod": { "start": "2020-01-01", "end": "2020-02" },
    })
}

/// Worked from the text of the specification: three-valued logic, precedence, types, paths.
#[test]
fn own_cases() {
    let mut failures = Vec::new();
    for (expression, expected) in [
        ("status = 'final'", "true"),
        ("missing = 1", ""),
        ("missing = 1 or true", "true"),
        ("missing = 1 and false", "false"),
        ("missing.exists() xor true", "true"),
        ("status in ('final' | 'draft')", "true"),
        ("('a' | 'b') contains status", "false"),
        ("note.tail().text = 'b'", "true"),
        ("note[1].text", "b"),
        ("component.value", "2 y"),
        ("component.value.ofType(string)", "y"),
        ("(component.value as integer) + 1", "3"),
        ("value is Quantity", "true"),
        ("value.is(FHIR.Quantity)", "true"),
        ("value = 15 'mm'", "true"),
        ("value < 2 'cm' and value > 1.4 'cm'", "true"),
        ("value < 2 's'", ""),
        ("value.value * 2", "3.0"),
        ("effective.start < effective.end", "true"),
        ("effective.end < @2020-02-10", ""),
        ("issued > @2020-01-01", ""),
        ("issued > @2019-12-31", "true"),
        ("language.exists()", "true"),
        ("language.hasValue()", "false"),
        ("language.extension('u').exists()", "true"),
        ("Observation.status", "final"),
        ("%resource.status", "final"),
        ("%context.status", "final"),
        ("component.code.where(coding.intersect(%resource.code.coding).exists()).count()", "1"),
        ("component.select(code.coding.code).isDistinct()", "true"),
        ("note.text.combine(note.text).distinct().count()", "2"),
        ("-7.abs()", "-7"),
        ("2 + 3 * 4 - 1", "13"),
        ("7 div 2 + 7 mod 2", "4"),
        ("1 | 2 = 2", "false"),
        ("true and false or true", "true"),
        ("(1 | 2 | 3).select($this * $index)", "0 2 6"),
        ("'abc'.substring(1, 1) & 'z'", "bz"),
        ("'2020-02-30'.convertsToDate()", "false"),
        ("@2020-01-31 + 1 month", "@2020-02-29"),
        ("@2020 + 24 months", "@2022"),
        ("@T23:30 + 1 hour", "@00:30"),
        ("iif(status = 'draft', 1, 2)", "2"),
        ("missing.iif(empty(), 'none', 'some')", "none"),
        ("status.iif(empty(), 'none', 'some')", "some"),
        ("trueish.empty()", "true"),
        ("daysOfWeek.empty()", "true"),
        ("code.coding.descendants().count()", "4"),
        ("type().name", "Observation"),
        ("component.type().name", "BackboneElement BackboneElement"),
        ("'a.b'.matches('^a\\.b$')", "true"),
        ("'a\\'b'.length()", "3"),
        ("%`vs-observation-status`", "http://hl7.org/fhir/ValueSet/observation-status"),
        ("code.coding.where(code = 'c').system", "s"),
        ("{ }.empty()", "true"),
        ("1.25.round(1)", "1.3"),
        ("10.power(2) + 2.power(3)", "108"),
        ("1 / 0", ""),
        ("9223372036854775807 + 1", ""),
        ("'x'.toChars().allTrue().empty()", "!"),
        ("status > 1", "!"),
        ("note.text + 'a'", "!"),
        ("unknown(1)", "!"),
        ("status.", "!"),
        ("status is Nothing", "!"),
        ("'unended", "!"),
        ("%nothing", "!"),
        ("'a'.matches('(')", "!"),
    ] {
        let found = match evaluate(expression, &resource()) {
            Ok(items) => items.join(" "),
            Err(_) => "!".to_owned(),
        };
        if found != expected {
            failures.push(format!("{expression}: {expected} is expected, {found} is found"));
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// Whatever is nested without end is refused, and quickly.
#[test]
fn endless_expressions_are_refused() {
    for text in [
        "(".repeat(100_000),
        "-".repeat(100_000),
        format!("a{}", ".b".repeat(100_000)),
        format!("1{}", " + 1".repeat(100_000)),
        format!("a{}", "[0]".repeat(100_000)),
        "not(".repeat(50_000),
    ] {
        assert!(Expression::parse(&text).is_err());
    }
    assert!(Expression::parse(&format!("1{}", " | 1".repeat(100))).is_ok());
}

/// Expressions of the standard that cannot be read; none.
const UNREADABLE: &[&str] = &[];

/// Every constraint of the types and profiles that are held can be read. Those that are held to
/// elsewhere are read all the same.
#[test]
fn every_constraint_can_be_read() {
    let definitions = Definitions::embedded().unwrap();
    let mut constraints = Vec::new();
    for name in definitions.type_names() {
        collect(&definitions.type_schema(name).unwrap().unwrap(), &mut constraints);
    }
    for url in definitions.structure_urls() {
        let schema = crate::definitions::profile::schema(&definitions, url).unwrap();
        collect(&schema, &mut constraints);
    }
    constraints.sort();
    constraints.dedup();
    assert!(constraints.len() > 200, "{}", constraints.len());
    let read = |(key, text): &&(String, String)| Expression::parse(corrected(key, text)).is_err();
    let unreadable: Vec<String> =
        constraints.iter().filter(read).map(|(key, _)| key.clone()).collect();
    assert_eq!(unreadable, UNREADABLE);
    assert!(
        ELSEWHERE
            .iter()
            .filter(|key| **key != "txt-1")
            .all(|key| { constraints.iter().any(|(held, _)| held == key) })
    );
}

fn collect(schema: &Value, constraints: &mut Vec<(String, String)>) {
    for constraint in schema.at("x-invariant").as_array().into_iter().flatten() {
        let text = |name: &str| constraint.at(name).as_str().unwrap().to_owned();
        constraints.push((text("key"), text("expression")));
    }
    match schema {
        Value::Object(object) => object.values().for_each(|v| collect(v, constraints)),
        Value::Array(list) => list.iter().for_each(|v| collect(v, constraints)),
        _ => {}
    }
}
