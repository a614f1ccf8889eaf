//! The functions that view definitions have beside those of the language.
//!
//! A key is `Type/id`: it tells apart resources of different types with one id, so that what refers
//! to several types can be joined too. A reference has a key where it is relative; what is absolute,
//! contained or known by an identifier only may be anywhere, and has none.
//! Source: <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition.html>, Required Additional
//! Functions.

use super::super::item::Item;
use super::super::{Answer, Fault, Node};
use super::{Call, Entry, entry};
use crate::fhir::{Reference, ResourceType};
use crate::validation::quick;

pub(super) const FUNCTIONS: &[Entry] =
    &[entry("getResourceKey", 0..=0, resource_key), entry(REFERENCE_KEY, 0..=1, reference_key)];

const REFERENCE_KEY: &str = "getReferenceKey";

/// That the argument of `getReferenceKey` is the name of a type of resource.
///
/// # Errors
/// A sentence where it is not.
pub(in crate::validation::fhirpath) fn check(
    entry: &Entry,
    arguments: &[Node],
) -> Result<(), Fault> {
    match arguments.first() {
        Some(argument) if entry.name == REFERENCE_KEY && wanted(argument).is_none() => Err(
            Fault::new("the argument of getReferenceKey is the name of a type of resource of R4"),
        ),
        _ => Ok(()),
    }
}

/// The type of resource that an argument names; the standard's text writes it with quotes too.
fn wanted(argument: &Node) -> Option<ResourceType> {
    match argument {
        Node::Head(name) => ResourceType::parse(name),
        Node::Literal(item) => ResourceType::parse(item.text()?),
        Node::Member(space, name) if matches!(&**space, Node::Head(head) if head == "FHIR") => {
            ResourceType::parse(name)
        }
        _ => None,
    }
}

fn key<'v>(kind: &str, id: &str) -> Item<'v> {
    Item::Text(format!("{kind}/{id}").into())
}

fn resource_key<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let one = |item: Item<'v>| {
        // What is contained has no identity of its own.
        let element = item.element().filter(|element| element.resource.is_none())?;
        let value = element.value?;
        Some(key(quick::text(value, "resourceType")?, quick::text(value, "id")?))
    };
    Ok(left.into_iter().filter_map(one).collect())
}

fn reference_key<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let only = call.arguments.first().and_then(wanted);
    let one = |item: Item<'v>| {
        let text = quick::text(item.element()?.value?, "reference")?;
        match Reference::parse(text) {
            Reference::Resource { base: None, kind, id, .. }
                if only.is_none_or(|only| only == kind) =>
            {
                Some(key(kind.as_str(), id.as_str()))
            }
            _ => None,
        }
    };
    Ok(left.into_iter().filter_map(one).collect())
}
