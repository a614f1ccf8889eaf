//! The FHIRPath engine, for expressions that routes cannot say.
//!
//! It knows no other resources, so `resolve() is Patient` is answered from the reference's own
//! text. Slower than routes by far; users' parameters may need it, the standard's do not.
//! Source: <http://hl7.org/fhir/R4/fhirpath.html>.

use rh_fhirpath::ast::TypeOperator;
use rh_fhirpath::{
    EvaluationContext, Expression, FhirPathEvaluator, FhirPathExpression, FhirPathParser,
    FhirPathValue, Invocation, Literal, Term, TypeSpecifier,
};
use serde_json::Value;

use super::route::is_resolve;

/// Reads an expression.
///
/// # Errors
/// The parser's message for a syntax fault.
pub(super) fn parse(text: &str) -> Result<FhirPathExpression, String> {
    FhirPathParser::new().parse(text).map_err(|error| error.to_string())
}

/// R4's expressions write `as` over collections where `ofType` is meant.
const OF_TYPE: &str = "ofType";

/// The expression as the engine can evaluate it: each `resolve() is Type` in terms that need no other
/// resource, `as` as `ofType`, and an abstract type at its head as the resource itself.
pub(super) fn prepare(expression: FhirPathExpression) -> FhirPathExpression {
    FhirPathExpression { root: rewrite(expression.root) }
}

/// The values that the expression finds in a resource, each with the name of its type. An
/// evaluation that errs finds nothing: it is the definition's fault, not the resource's.
pub(super) fn values(expression: &FhirPathExpression, resource: &Value) -> Vec<(String, Value)> {
    let context = EvaluationContext::new(resource.clone());
    let mut found = Vec::new();
    match FhirPathEvaluator::new().evaluate(expression, &context) {
        Ok(value) => collect(value, &mut found),
        Err(error) => tracing::debug!(%error, "a search expression could not be evaluated"),
    }
    found
}

fn collect(value: FhirPathValue, found: &mut Vec<(String, Value)>) {
    let json = value.to_json();
    let kind = match value {
        FhirPathValue::Collection(items) | FhirPathValue::UnorderedCollection(items) => {
            for item in items {
                collect(item, found);
            }
            return;
        }
        FhirPathValue::Empty => return,
        FhirPathValue::FhirPrimitive { inner, .. } => return collect(*inner, found),
        FhirPathValue::TypedObject { fhir_type, .. } => fhir_type,
        FhirPathValue::Object(value) => kind_of_object(&value).to_owned(),
        FhirPathValue::Boolean(_) | FhirPathValue::TypedBoolean { .. } => "boolean".to_owned(),
        FhirPathValue::Number(_) | FhirPathValue::Integer(_) | FhirPathValue::Long(_) => {
            "decimal".to_owned()
        }
        FhirPathValue::Date(_)
        | FhirPathValue::DateTime(_)
        | FhirPathValue::TypedDateTime { .. } => "dateTime".to_owned(),
        FhirPathValue::Quantity { .. } => "Quantity".to_owned(),
        _ => "string".to_owned(),
    };
    found.push((kind, json));
}

/// The engine does not always say the type of an object; the members that only one type has do.
fn kind_of_object(value: &Value) -> &str {
    let has = |name: &str| value.get(name).is_some();
    match value.get("resourceType").and_then(Value::as_str) {
        Some(kind) => kind,
        None if has("coding") => "CodeableConcept",
        None if has("reference") || has("identifier") => "Reference",
        None if has("family") || has("given") => "HumanName",
        None if has("start") || has("end") => "Period",
        None if has("code") && has("value") => "Quantity",
        None if has("code") => "Coding",
        None if has("system") && has("value") => "Identifier",
        None if has("low") || has("high") => "Range",
        None => "Element",
    }
}

fn rewrite(expression: Expression) -> Expression {
    let again = |inner: Box<Expression>| Box::new(rewrite(*inner));
    match expression {
        Expression::Type { left, operator: TypeOperator::Is, type_specifier }
            if is_resolve(&left) =>
        {
            refers_to(&type_specifier)
        }
        Expression::Type { left, operator: TypeOperator::As, type_specifier } => {
            let name = type_specifier.qualified_name.last().cloned().unwrap_or_default();
            cast(rewrite(*left), &name)
        }
        Expression::Term(Term::Invocation(Invocation::Member(name)))
            if ["Resource", "DomainResource"].contains(&name.as_str()) =>
        {
            Expression::Term(Term::Invocation(Invocation::This))
        }
        Expression::Term(Term::Parenthesized(inner)) => {
            Expression::Term(Term::Parenthesized(again(inner)))
        }
        Expression::Term(Term::Invocation(call)) => {
            Expression::Term(Term::Invocation(invoke(call)))
        }
        Expression::Invocation { left, invocation: Invocation::Function { name, parameters } }
            if ["as", OF_TYPE].contains(&name.as_str()) =>
        {
            match parameters.first().map(ToString::to_string) {
                Some(kind) => cast(rewrite(*left), kind.rsplit('.').next().unwrap_or(&kind)),
                None => rewrite(*left),
            }
        }
        Expression::Invocation { left, invocation } => {
            Expression::Invocation { left: again(left), invocation: invoke(invocation) }
        }
        Expression::Indexer { left, index } => Expression::Indexer { left: again(left), index },
        Expression::Union { left, right } => {
            Expression::Union { left: again(left), right: again(right) }
        }
        Expression::And { left, right } => {
            Expression::And { left: again(left), right: again(right) }
        }
        Expression::Or { left, operator, right } => {
            Expression::Or { left: again(left), operator, right: again(right) }
        }
        other => other,
    }
}

/// The values of a type: by `ofType`, and, as the engine cannot tell the types of objects in a
/// choice, by the name that a choice has in JSON (`valueQuantity`).
fn cast(left: Expression, kind: &str) -> Expression {
    let member = Expression::Term(Term::Invocation(Invocation::Member(kind.to_owned())));
    let named = |name: &str| {
        let mut letters = kind.chars();
        let first = letters.next().map(|letter| letter.to_ascii_uppercase());
        Invocation::Member([name, &String::from_iter(first), letters.as_str()].concat())
    };
    let choice = match &left {
        Expression::Invocation { left, invocation: Invocation::Member(name) } => {
            Some(Expression::Invocation { left: left.clone(), invocation: named(name) })
        }
        Expression::Term(Term::Invocation(Invocation::Member(name))) => {
            Some(Expression::Term(Term::Invocation(named(name))))
        }
        _ => None,
    };
    let invocation = Invocation::Function { name: OF_TYPE.to_owned(), parameters: vec![member] };
    let of_type = Expression::Invocation { left: Box::new(left), invocation };
    match choice {
        // The engine would make a quantity of its own kind of it, without system and code.
        Some(choice) if kind == "Quantity" => choice,
        Some(choice) => {
            let both = Expression::Union { left: Box::new(choice), right: Box::new(of_type) };
            Expression::Term(Term::Parenthesized(Box::new(both)))
        }
        None => of_type,
    }
}

fn invoke(invocation: Invocation) -> Invocation {
    match invocation {
        Invocation::Function { name, parameters } => {
            Invocation::Function { name, parameters: parameters.into_iter().map(rewrite).collect() }
        }
        other => other,
    }
}

/// `reference.matches('…Type/id…')`.
fn refers_to(kind: &TypeSpecifier) -> Expression {
    let name = kind.qualified_name.last().map_or("", String::as_str);
    let pattern = format!("^(.*/)?{name}/[A-Za-z0-9.-]+(/_history/[0-9]+)?$");
    let reference = Term::Invocation(Invocation::Member("reference".to_owned()));
    let parameters = vec![Expression::Term(Term::Literal(Literal::String(pattern)))];
    Expression::Invocation {
        left: Box::new(Expression::Term(reference)),
        invocation: Invocation::Function { name: "matches".to_owned(), parameters },
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn check(expression: &str, expected: &[(&str, Value)]) {
        let resource = json!({
            "resourceType": "Observation", "status": "final", "id": "o",
            "effectiveDateTime": "2026-01-02", "valueQuantity": { "value": 1, "code": "d" },
            "subject": { "reference": "Patient/p1" }, "performer": [{ "reference": "Device/d" }],
            "code": { "coding": [{ "code": "c" }], "text": "t" },
        });
        let found = values(&prepare(parse(expression).unwrap()), &resource);
        let found: Vec<_> =
            found.iter().map(|(kind, value)| (kind.as_str(), value.clone())).collect();
        assert_eq!(found, expected, "{expression}");
    }

    #[test]
    fn values_with_their_types() {
        check(
            "Observation.subject.where(resolve() is Patient).reference",
            &[("string", json!("Patient/p1"))],
        );
        check("Observation.performer.where(resolve() is Patient)", &[]);
        check("Observation.code.coding.code.lower()", &[("string", json!("c"))]);
        check("Observation.status = 'final'", &[("boolean", json!(true))]);
        check("Observation.effective as dateTime", &[("dateTime", json!("2026-01-02"))]);
        check(
            "Observation.value.as(Quantity)",
            &[("Quantity", json!({ "value": 1, "code": "d" }))],
        );
        check("Resource.id", &[("string", json!("o"))]);
    }
}
