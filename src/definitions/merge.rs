//! What a later definition says of an element, laid over what an earlier one says.
//!
//! Later words replace earlier ones, except that invariants add up. A later definition may only
//! narrow: where it allows more than its base, the base stands, and that is told.
//! Source: <http://hl7.org/fhir/R4/profiling.html#cardinality>.

use serde_json::Value;

use super::element::{Binding, Element, ElementType, Max, Slicing};
use super::place::is_kind_of;

/// Lays `from` over `into`. Answers what `from` allows beyond `into`, to be read after the name of
/// the element; the narrower rule stands.
///
/// # Errors
/// How the two contradict one another, so that nothing can meet both.
pub(super) fn merge(into: &mut Element, from: Element) -> Result<Vec<String>, String> {
    contradicts(into, &from)?;
    let widened = widens(into, &from);
    let mut constraints = std::mem::take(&mut into.constraints);
    constraints.retain(|c| from.constraints.iter().all(|new| new.key != c.key));
    constraints.extend(from.constraints);
    *into = Element {
        id: from.id,
        path: from.path,
        slice_name: from.slice_name.or(into.slice_name.take()),
        min: from.min.max(into.min),
        max: [from.max, into.max].into_iter().flatten().min(),
        types: types(std::mem::take(&mut into.types), from.types),
        content_reference: from.content_reference.or(into.content_reference.take()),
        binding: binding(into.binding.take(), from.binding),
        constraints,
        fixed: from.fixed.or(into.fixed.take()),
        pattern: from.pattern.or(into.pattern.take()),
        slicing: slicing(into.slicing.take(), from.slicing),
        min_value: from.min_value.or(into.min_value.take()),
        max_value: from.max_value.or(into.max_value.take()),
        max_length: from.max_length.or(into.max_length),
        is_modifier: from.is_modifier.or(into.is_modifier),
    };
    match (into.min, into.max) {
        (Some(min), Some(Max::Times(max))) if min > max => {
            Err(format!("can never be met: at least {min} and at most {max} are asked"))
        }
        _ => Ok(widened),
    }
}

/// What `from` allows and `into` does not.
fn widens(into: &Element, from: &Element) -> Vec<String> {
    let mut widened = Vec::new();
    match (into.min, from.min) {
        (Some(base), Some(min)) if min < base => {
            widened.push(format!("asks for {min} where the base asks for {base}"));
        }
        _ => {}
    }
    match (into.max, from.max) {
        (Some(base), Some(max)) if max > base => {
            widened.push("allows more than the base does".to_owned());
        }
        _ => {}
    }
    if is_required(into.binding.as_ref())
        && from.binding.is_some()
        && !is_required(from.binding.as_ref())
    {
        widened.push("has a weaker binding than the base, which is required".to_owned());
    }
    widened
}

fn is_required(binding: Option<&Binding>) -> bool {
    binding.is_some_and(|binding| binding.strength == "required")
}

fn contradicts(into: &Element, from: &Element) -> Result<(), String> {
    let is_held =
        |kind: &ElementType| into.types.iter().any(|base| is_kind_of(&kind.code, &base.code));
    if let Some(kind) = from.types.iter().find(|kind| !into.types.is_empty() && !is_held(kind)) {
        return Err(format!("has the type {}, which the base does not allow", kind.code));
    }
    if differ(into.fixed.as_ref(), from.fixed.as_ref()) {
        return Err("has another fixed value than the base".to_owned());
    }
    Ok(())
}

/// A later binding replaces an earlier one, unless that is required and the later one is not.
fn binding(into: Option<Binding>, from: Option<Binding>) -> Option<Binding> {
    if is_required(into.as_ref()) && !is_required(from.as_ref()) { into } else { from.or(into) }
}

/// Whether both are said and are not the same.
fn differ(a: Option<&Value>, b: Option<&Value>) -> bool {
    matches!((a, b), (Some(a), Some(b)) if a != b)
}

/// A later list of types replaces an earlier one; what it leaves unsaid of a type stays.
fn types(into: Vec<ElementType>, mut from: Vec<ElementType>) -> Vec<ElementType> {
    if from.is_empty() {
        return into;
    }
    for kind in &mut from {
        if let Some(base) = into.iter().find(|base| base.code == kind.code) {
            if kind.profiles.is_empty() {
                kind.profiles.clone_from(&base.profiles);
            }
            if kind.targets.is_empty() {
                kind.targets.clone_from(&base.targets);
            }
        }
    }
    from
}

/// A later slicing may close or order what an earlier one tells apart.
fn slicing(into: Option<Slicing>, from: Option<Slicing>) -> Option<Slicing> {
    match (into, from) {
        (Some(into), Some(mut from)) => {
            if from.discriminators.is_empty() {
                from.discriminators = into.discriminators;
            }
            from.ordered |= into.ordered;
            if from.rules == "open" && into.rules != "open" {
                from.rules = into.rules;
            }
            Some(from)
        }
        (into, from) => from.or(into),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn check(base: Value, later: Value, expected: &str) {
        let parse = |mut value: Value| {
            value["path"] = json!("X.a");
            Element::parse(&value).unwrap()
        };
        let mut rules = parse(base);
        let told = match merge(&mut rules, parse(later)) {
            Ok(widened) => widened.join(", "),
            Err(contradiction) => contradiction,
        };
        assert_eq!(told, expected);
    }

    /// <http://hl7.org/fhir/R4/profiling.html#cardinality>
    #[test]
    fn a_later_definition_only_narrows() {
        check(json!({ "min": 0, "max": "*" }), json!({ "min": 1, "max": "2" }), "");
        check(json!({ "min": 1 }), json!({ "min": 0 }), "asks for 0 where the base asks for 1");
        check(json!({ "max": "1" }), json!({ "max": "*" }), "allows more than the base does");
        check(
            json!({ "max": "1" }),
            json!({ "min": 2 }),
            "can never be met: at least 2 and at most 1 are asked",
        );
        check(
            json!({ "type": [{ "code": "Quantity" }, { "code": "uri" }] }),
            json!({ "type": [{ "code": "Age" }, { "code": "url" }] }),
            "",
        );
        check(
            json!({ "type": [{ "code": "Quantity" }] }),
            json!({ "type": [{ "code": "string" }] }),
            "has the type string, which the base does not allow",
        );
        check(
            json!({ "fixedCode": "a" }),
            json!({ "fixedCode": "b" }),
            "has another fixed value than the base",
        );
        check(
            json!({ "binding": { "strength": "required", "valueSet": "a" } }),
            json!({ "binding": { "strength": "example", "valueSet": "a" } }),
            "has a weaker binding than the base, which is required",
        );
    }
}
