//! Extensions that can only be judged with the whole resource in sight: those that a FHIRPath
//! expression allows where they are, and those that ask something of the element which has them.
//!
//! Source: <http://hl7.org/fhir/R4/defining-extensions.html#context>,
//! <http://hl7.org/fhir/R4/structuredefinition-definitions.html#StructureDefinition.contextInvariant>.

use serde_json::{Map, Value};

use super::fhirpath::{Element, Fault, Item};
use super::finding::Finding;
use super::scope::{Pending, Scope};
use super::sight::Sight;
use super::usage::Usage;
use crate::fhir::IssueType;
use crate::fhir::json::At;

/// An extension, and the element that has it.
struct Placed<'v> {
    extension: &'v Value,
    at_home: bool,
    path: String,
    owner: Element<'v>,
}

/// What is wrong with the placing of the extensions of the resource that were kept in mind.
pub(super) fn findings(scope: &Scope, pending: &[Pending]) -> Vec<Finding> {
    if pending.is_empty() {
        return Vec::new();
    }
    let sight = Sight::new(scope, None);
    // What is found must be compared by where it lies, so the search is in the same memory.
    let Some(Item::Element(Element { value: Some(root), kind, .. })) = sight.resource() else {
        return Vec::new();
    };
    let mut placed = Vec::new();
    let owner = Element { value: Some(root), sibling: None, kind, resource: None };
    search(pending, owner, root, "", &mut placed);
    placed.iter().flat_map(|placed| judge(scope, &sight, placed)).collect()
}

fn judge(scope: &Scope, sight: &Sight<'_>, placed: &Placed<'_>) -> Vec<Finding> {
    let url = placed.extension.at("url").as_str().unwrap_or_default();
    let held = scope.catalog.profile(url).and_then(|at| scope.catalog.compiled(at).ok());
    let Some(usage) = held.and_then(|held| held.context.usage.as_ref()) else { return Vec::new() };
    let mut found = Vec::new();
    if !placed.at_home {
        found.extend(misplaced(sight, usage, placed));
    }
    for invariant in &usage.invariants {
        let env = sight.env(placed.owner);
        match invariant.as_ref().map_err(Clone::clone).and_then(|expression| expression.holds(&env))
        {
            Ok(true) => {}
            Ok(false) => {
                let text = "The element that has the extension is not as its definition asks.";
                found.push(Finding::error(IssueType::Extension, text));
            }
            Err(fault) => found.push(untold(&fault)),
        }
    }
    found.into_iter().map(|finding| finding.rule(url).below(&placed.path)).collect()
}

/// What is to be said where no expression finds the element that has the extension.
fn misplaced(sight: &Sight<'_>, usage: &Usage, placed: &Placed<'_>) -> Option<Finding> {
    let mut untellable = None;
    for expression in usage.paths() {
        let root = sight.resource()?;
        let Item::Element(root) = root else { return None };
        let env = sight.env(root);
        let items = expression.as_ref().map_err(Clone::clone);
        match items.and_then(|expression| expression.evaluate(&env)) {
            Ok(items) if items.iter().any(|item| is_same(item, &placed.owner)) => return None,
            Ok(_) => {}
            Err(fault) => untellable = Some(untold(&fault)),
        }
    }
    let text = "The definition of the extension does not allow it here.";
    Some(untellable.unwrap_or_else(|| Finding::error(IssueType::Extension, text)))
}

fn untold(fault: &Fault) -> Finding {
    let text = format!("Whether the extension is allowed here cannot be told: {fault}.");
    Finding::warning(IssueType::NotSupported, text)
}

/// Whether the item is that element: by where its value, or what is said beside it, lies.
fn is_same(item: &Item<'_>, owner: &Element<'_>) -> bool {
    let Item::Element(element) = item else { return false };
    let same = |a: Option<&Value>, b: Option<&Value>| match (a, b) {
        (Some(a), Some(b)) => std::ptr::eq(a, b),
        _ => false,
    };
    same(element.value, owner.value) || same(element.sibling, owner.sibling)
}

/// Looks for the extensions in the value that `owner` is or is said beside.
fn search<'v>(
    pending: &[Pending],
    owner: Element<'v>,
    value: &'v Value,
    path: &str,
    placed: &mut Vec<Placed<'v>>,
) {
    let Some(object) = value.as_object() else { return };
    for (key, member) in object {
        let is_list = key == "extension" || key == "modifierExtension";
        for (at, extension) in member.as_array().into_iter().flatten().enumerate() {
            let address = std::ptr::from_ref(extension).addr();
            if let Some(kept) = pending.iter().find(|kept| is_list && kept.address == address) {
                let path = format!("{path}.{key}[{at}]");
                placed.push(Placed { extension, at_home: kept.at_home, path, owner });
            }
        }
        let name = key.strip_prefix('_').unwrap_or(key);
        let kind = owner.kind.and_then(|kind| kind.json(name));
        let choice = owner.kind.and_then(|kind| kind.choice_of(name));
        let element = choice.unwrap_or(name);
        for (at, item) in items(member) {
            let path = match at {
                Some(at) => format!("{path}.{element}[{at}]"),
                None => format!("{path}.{element}"),
            };
            let owner = if key.starts_with('_') {
                let value = primitive(object, name, at);
                Element { value, sibling: Some(item), kind, resource: None }
            } else {
                Element { value: Some(item), sibling: None, kind, resource: None }
            };
            search(pending, owner, item, &path, placed);
        }
    }
}

fn items(value: &Value) -> Vec<(Option<usize>, &Value)> {
    match value {
        Value::Array(items) => {
            items.iter().enumerate().map(|(at, item)| (Some(at), item)).collect()
        }
        value => vec![(None, value)],
    }
}

fn primitive<'v>(
    object: &'v Map<String, Value>,
    name: &str,
    at: Option<usize>,
) -> Option<&'v Value> {
    let value = object.get(name)?;
    match at {
        Some(at) => value.get(at).filter(|value| !value.is_null()),
        None => Some(value),
    }
}
