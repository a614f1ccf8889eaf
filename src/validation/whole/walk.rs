//! A walk through the elements of a resource, each with its type and place.

use std::fmt::Write as _;

use serde_json::Value;

use crate::fhir::json::At;
use crate::validation::fhirpath::Kind;

/// One step to an element: its name, and which of several it is.
#[derive(Clone, Copy)]
pub(super) struct Step<'v> {
    name: &'v str,
    item: Option<usize>,
}

/// The way to an element as a path below the resource: `.contact[1].name`.
pub(super) fn path(steps: &[Step<'_>]) -> String {
    let mut path = String::new();
    for step in steps {
        // Writing to a String cannot fail.
        let _written = match step.item {
            Some(item) => write!(path, ".{}[{item}]", step.name),
            None => write!(path, ".{}", step.name),
        };
    }
    path
}

/// Called with an object, its type where it is known, and the way to it.
pub(super) type Visit<'a, 'v> = dyn FnMut(&'v Value, Option<Kind>, &[Step<'v>]) + 'a;

/// Visits every object of the resource, itself first, what is contained too. Resources in entries
/// and parameters are left out: they stand on their own.
pub(super) fn objects<'v>(resource: &'v Value, visit: &mut Visit<'_, 'v>) {
    let kind = resource.at("resourceType").as_str().and_then(Kind::of);
    go(resource, kind, &mut Vec::new(), visit);
}

fn go<'v>(
    value: &'v Value,
    kind: Option<Kind>,
    steps: &mut Vec<Step<'v>>,
    visit: &mut Visit<'_, 'v>,
) {
    let Some(object) = value.as_object() else { return };
    visit(value, kind, steps);
    for (key, child) in object {
        let key = key.strip_prefix('_').unwrap_or(key);
        let name = kind.and_then(|kind| kind.element(key)).unwrap_or(key);
        let below = kind.and_then(|kind| kind.json(key));
        match child {
            Value::Object(_) => {
                if child.get("resourceType").is_none() {
                    steps.push(Step { name, item: None });
                    go(child, below, steps, visit);
                    steps.pop();
                }
            }
            Value::Array(list) => {
                for (item, child) in list.iter().enumerate().filter(|(_, child)| child.is_object())
                {
                    let own = child.at("resourceType").as_str().and_then(Kind::of);
                    steps.push(Step { name, item: Some(item) });
                    go(child, own.or(below), steps, visit);
                    steps.pop();
                }
            }
            _ => {}
        }
    }
}
