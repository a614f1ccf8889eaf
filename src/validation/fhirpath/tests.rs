//! The quick evaluation gives the engine's answers.

use rh_fhirpath::{EvaluationContext, FhirPathEvaluator, FhirPathParser, FhirPathValue};
use serde_json::{Value, json};

use super::{Env, compile};
use crate::definitions::Definitions;
use crate::fhir::json::At;
use crate::validation::catalog::Context;

fn engine(expression: &str, value: &Value) -> Option<bool> {
    let parsed = FhirPathParser::new().parse(expression).unwrap();
    let context = EvaluationContext::new(value.clone());
    let answer = FhirPathEvaluator::new().evaluate(&parsed, &context).ok()?;
    let items = match answer {
        FhirPathValue::Collection(items) => items,
        FhirPathValue::Empty => Vec::new(),
        one => vec![one],
    };
    match items.as_slice() {
        [] => Some(true),
        [FhirPathValue::Boolean(answer)] => Some(*answer),
        _ => None,
    }
}

fn quick(expression: &str, value: &Value) -> Option<bool> {
    let parsed = FhirPathParser::new().parse(expression).unwrap();
    let context = Context::default();
    compile(&parsed.root)?.holds(&Env { focus: value, context: &context })
}

fn resource() -> Value {
    json!({
        "resourceType": "Observation", "status": "final", "note": [{ "text": "a" }, { "text": "b" }],
        "code": { "coding": [{ "system": "s", "code": "c" }, { "system": "t", "code": "d" }] },
        "issued": "2020-01-02T10:00:00Z", "_language": { "extension": [{ "url": "u" }] },
        "component": [
            { "code": { "coding": [{ "system": "s", "code": "c" }] }, "value": 1.50 },
            { "code": { "coding": [{ "system": "s", "code": "x" }] }, "value": 20 },
        ],
        "period": { "start": "2020-01-01", "end": "2020-02" },
    })
}

#[test]
fn answers_are_those_of_the_engine() {
    let value = resource();
    for expression in [
        "status = 'final'",
        "status != 'final'",
        "status.exists()",
        "missing.exists()",
        "missing.empty()",
        "status.empty().not()",
        "note.count() = 2",
        "note.text.isDistinct()",
        "note.first().text = 'a'",
        "note.tail().text = 'b'",
        "note[1].text = 'b'",
        "note.where(text = 'a').exists()",
        "note.exists(text = 'z')",
        "note.all(text.exists())",
        "code.coding.where(system = 's' and code = 'c').exists() implies status = 'draft'",
        "missing = 1",
        "missing = 1 or true",
        "missing = 1 and false",
        "missing.exists() xor true",
        "status in ('final' | 'draft')",
        "('a' | 'b') contains status",
        "component.value.first() > 1",
        "component.value.tail() >= 20",
        "component.value.first() = 1.5",
        "1 + 1 = 2",
        "component.select(code.coding.code).isDistinct()",
        "note.first().text.startsWith('a')",
        "note.first().text.contains('x')",
        "note.first().text & 'a' = 'aa'",
        "period.start <= period.end",
        "code.coding.intersect(component.code.coding).exists()",
        "(note | note).count() = 2",
        "component.code.where(coding.intersect(%resource.code.coding).exists()).empty()",
        "note.combine(note).count() = 4",
        "status.hasValue()",
        "$this.status = 'final'",
        "component.all(value > 1 or value.empty())",
        "component.value.trace('x').count() = 2",
        "Observation.status = 'final'",
        "language.hasValue()",
        "status = 1",
        "issued.exists() and (status = 'final') = true",
        "{}.empty()",
    ] {
        let (found, expected) = (quick(expression, &value), engine(expression, &value));
        assert!(found.is_some(), "{expression} is not handled");
        assert_eq!(found, expected, "{expression}");
    }
}

/// An element that has only extensions is there; the engine says that it is not.
#[test]
fn an_element_with_only_extensions_is_there() {
    assert_eq!(quick("language.exists()", &resource()), Some(true));
    assert_eq!(quick("language.hasValue()", &resource()), Some(false));
}

#[test]
fn what_is_not_handled_is_left_to_the_engine() {
    for expression in [
        "status.matches('[a-z]+')",
        "component.value.first() is decimal",
        "descendants().exists()",
        "status > 'a'",
        "status + note.text",
    ] {
        assert_eq!(quick(expression, &resource()), None, "{expression}");
    }
}

/// Of the constraints in the schemas, only few need the engine.
#[test]
fn most_constraints_are_handled() {
    let definitions = Definitions::embedded().unwrap();
    let mut expressions = Vec::new();
    for name in definitions.type_names() {
        collect(&definitions.type_schema(name).unwrap().unwrap(), &mut expressions);
    }
    expressions.sort();
    expressions.dedup();
    let is_left = |expression: &&String| {
        compile(&FhirPathParser::new().parse(expression).unwrap().root).is_none()
    };
    let left: Vec<&String> = expressions.iter().filter(is_left).collect();
    assert!(expressions.len() > 150, "{}", expressions.len());
    assert!(left.len() <= 25, "{} of {}: {left:#?}", left.len(), expressions.len());
}

fn collect(schema: &Value, expressions: &mut Vec<String>) {
    for constraint in schema.at("x-invariant").as_array().into_iter().flatten() {
        expressions.extend(constraint.at("expression").as_str().map(str::to_owned));
    }
    match schema {
        Value::Object(object) => object.values().for_each(|v| collect(v, expressions)),
        Value::Array(list) => list.iter().for_each(|v| collect(v, expressions)),
        _ => {}
    }
}
