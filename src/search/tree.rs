//! Hierarchies of resources of one type, such as locations that are part of locations.
//!
//! They are walked by the index rows of the reference that makes the hierarchy, each resource once,
//! so that a circle ends. Source: <http://hl7.org/fhir/R4/search.html#recursive>.

use std::collections::BTreeSet;

use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Id, ResourceType};
use crate::index::{Parameter, Rules};
use crate::repository::key;
use crate::search::Error;
use crate::search::query::Limits;
use crate::search::read::Rows;
use crate::store::View;

/// The codes of parameters that make a hierarchy.
const CODES: [&str; 2] = ["partof", "part-of"];

/// The reference of that type to the same type that puts one resource below another.
pub(super) fn parameter(rules: &Rules, kind: ResourceType) -> Option<&Parameter> {
    CODES.iter().find_map(|code| {
        let found = rules.parameter(kind, code)?;
        let definition = &found.definition;
        let own = definition.target.iter().any(|target| target == kind.as_str());
        let usable = definition.kind == ParameterType::Reference && !found.sources.is_empty();
        (own && usable).then_some(found)
    })
}

/// The resources where the walk starts, and all below them, or above them.
///
/// # Errors
/// [`Error::TooCostly`] when they are too many; [`Error::Repository`].
pub(super) fn walk(
    view: &dyn View,
    rules: &Rules,
    limits: Limits,
    (starts, above): (&BTreeSet<(ResourceType, Id)>, bool),
    label: &str,
) -> Result<BTreeSet<(ResourceType, Id)>, Error> {
    let mut seen = starts.clone();
    let mut open: Vec<_> = starts.iter().cloned().collect();
    while let Some((kind, id)) = open.pop() {
        let Some(parameter) = parameter(rules, kind) else { continue };
        let sources = &parameter.sources;
        let next = if above {
            parents(view, kind, &id, sources)?
        } else {
            children(view, kind, &id, sources)?
        };
        for found in next.into_iter().map(|id| (kind, id)) {
            if seen.insert(found.clone()) {
                open.push(found);
            }
        }
        if seen.len() > limits.listed {
            let message = format!("the hierarchy has more than {} resources", limits.listed);
            return Err(Error::costly(Some(label), &message));
        }
    }
    Ok(seen)
}

fn parents(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    sources: &[String],
) -> Result<Vec<Id>, Error> {
    Rows::read(view, kind, id)?.targets(sources, kind)
}

fn children(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    sources: &[String],
) -> Result<Vec<Id>, Error> {
    let mut found = Vec::new();
    let parts = [id.as_str().as_bytes(), kind.as_str().as_bytes()];
    for source in sources {
        for row in view.scan(key::index_range(kind, source, &parts, &[])) {
            found.extend(key::index_parts(&row?.key).map(|(_, id)| id));
        }
    }
    Ok(found)
}
