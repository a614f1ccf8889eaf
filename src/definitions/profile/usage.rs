//! Where and how often an extension may be used, from its definition.
//!
//! Source: <http://hl7.org/fhir/R4/defining-extensions.html#context>.

use serde_json::{Value, json};

use crate::definitions::element::Max;
use crate::definitions::place::Place;
use crate::definitions::snapshot::Snapshot;
use crate::definitions::{Definitions, Fault};
use crate::fhir::json::At;

/// The value of `x-usage`: `contexts` (pairs of type and expression), `invariants`, whether it is a
/// `modifier`, and how often one element may have it (`max`, null for any number).
pub(super) fn usage(
    definitions: &Definitions,
    snapshot: &Snapshot,
    definition: &Value,
) -> Result<Value, Fault> {
    let mut contexts = Vec::new();
    for context in definition.at("context").as_array().into_iter().flatten() {
        let kind = context.at("type").as_str().unwrap_or("element");
        let expression = context.at("expression").as_str().unwrap_or_default();
        let expression = match kind {
            "element" => element(definitions, expression)?,
            _ => expression.to_owned(),
        };
        contexts.push(json!({ "type": kind, "expression": expression }));
    }
    let max = match snapshot.root.rules.max {
        Some(Max::Times(max)) => json!(max),
        _ => Value::Null,
    };
    let modifier = snapshot.root.rules.is_modifier.unwrap_or(false);
    let invariants = definition.at("contextInvariant").as_array().cloned().unwrap_or_default();
    Ok(json!({ "contexts": contexts, "invariants": invariants, "modifier": modifier, "max": max }))
}

/// The path of the element as the schemas of the core types have it: without slices and types of
/// choices, and where the element has the content of another, the path of that.
fn element(definitions: &Definitions, expression: &str) -> Result<String, Fault> {
    // `[url]#[id]` is an element of a profile; its id without slices is the path in the type.
    let id = expression.rsplit('#').next().unwrap_or(expression);
    let id = if id.contains('/') { id.rsplit('/').next().unwrap_or(id) } else { id };
    let mut steps = id.split('.').map(|step| {
        let name = step.split(':').next().unwrap_or(step);
        name.strip_suffix("[x]").unwrap_or(name)
    });
    let mut path = steps.next().unwrap_or_default().to_owned();
    let mut place = Place::of_type(definitions, &path)?;
    for step in steps {
        let property = place.as_ref().and_then(|place| place.property(step));
        let below = property.map(|property| property.value(definitions)).transpose()?.flatten();
        let choice = place.as_ref().and_then(|place| place.choice_of(step));
        path = format!("{path}.{}", choice.unwrap_or(step));
        match below {
            // A backbone element, or what has the content of one.
            Some(below) if below.path().contains('.') => {
                below.path().clone_into(&mut path);
                place = Some(below);
            }
            // From here on the element is one of a data type; its path is told from the outside.
            _ => place = None,
        }
    }
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_of_contexts() {
        let definitions = Definitions::embedded().unwrap();
        for (expression, expected) in [
            ("Patient", "Patient"),
            ("Patient.contact.name", "Patient.contact.name"),
            ("Questionnaire.item.item", "Questionnaire.item"),
            ("Questionnaire.item.item.text", "Questionnaire.item.text"),
            ("Observation.value[x]", "Observation.value"),
            ("Observation.component:systolic.valueQuantity", "Observation.component.value"),
            ("http://hl7.org/fhir/StructureDefinition/bp#Observation.code", "Observation.code"),
            ("http://hl7.org/fhir/StructureDefinition/Patient", "Patient"),
            ("Element", "Element"),
        ] {
            assert_eq!(element(&definitions, expression).unwrap(), expected, "{expression}");
        }
    }
}
