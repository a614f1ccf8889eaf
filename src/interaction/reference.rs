//! References within a resource, found and judged without knowing its type.
//!
//! Source: <http://hl7.org/fhir/R4/references.html#literal>,
//! <http://hl7.org/fhir/R4/http.html#trules>.

use std::fmt::Write as _;

use serde_json::Value;

use crate::fhir::{Issue, IssueType, Reference, Resource, ResourceType};

/// Errors about conditional references, which have a meaning only within a transaction.
pub(super) fn conditional(resource: &Resource) -> Vec<Issue> {
    let message = "A conditional reference is legal within a transaction only.";
    refuse(resource, message, is_conditional)
}

/// Whether the text is `Type?query`.
pub(super) fn is_conditional(text: &str) -> bool {
    matches!(Reference::parse(text), Reference::Conditional { .. })
}

/// Errors about the references for which `is_wrong` holds.
pub(super) fn refuse(
    resource: &Resource,
    message: &str,
    is_wrong: impl Fn(&str) -> bool,
) -> Vec<Issue> {
    let found = find(resource, is_wrong).into_iter();
    found.map(|(place, _)| Issue::error(IssueType::Structure, message).at(place)).collect()
}

/// Place and text of the references for which `is_wanted` holds. A Bundle is stored as it is, so
/// what its entries refer to is not looked at.
pub(super) fn find(resource: &Resource, is_wanted: impl Fn(&str) -> bool) -> Vec<(String, String)> {
    let mut all = Vec::new();
    if resource.kind().as_str() == "Bundle" {
        return all;
    }
    visit(resource.value(), &mut Vec::new(), &mut |path, text| {
        if is_wanted(text) {
            all.push((expression(resource.kind(), path), text.to_owned()));
        }
    });
    all
}

enum Step<'a> {
    Member(&'a str),
    Item(usize),
}

/// Calls `found` for each `Reference.reference`, with its place and text.
fn visit<'a>(
    value: &'a Value,
    path: &mut Vec<Step<'a>>,
    found: &mut dyn FnMut(&[Step<'a>], &'a str),
) {
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                path.push(Step::Member(name));
                match value {
                    Value::String(text) if name == "reference" => found(path, text),
                    _ => visit(value, path, found),
                }
                path.pop();
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                path.push(Step::Item(index));
                visit(item, path, found);
                path.pop();
            }
        }
        _ => {}
    }
}

fn expression(kind: ResourceType, path: &[Step<'_>]) -> String {
    let mut text = kind.to_string();
    for step in path {
        // Writing to a String cannot fail.
        let _written = match step {
            Step::Member(name) => write!(text, ".{name}"),
            Step::Item(index) => write!(text, "[{index}]"),
        };
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn conditional_references_are_out_of_place() {
        let resource = Resource::from_value(json!({
            "resourceType": "Observation",
            "subject": { "reference": "Patient?identifier=a|b" },
            "performer": [{ "reference": "Practitioner/1" }, { "reference": "Patient?name=x" }],
        }));
        let places: Vec<_> =
            conditional(&resource.unwrap()).into_iter().filter_map(|i| i.expression).collect();
        let expected = ["Observation.subject.reference", "Observation.performer[1].reference"];
        assert_eq!(places, expected);
    }
}
