//! A profile with all that it inherits, as a tree of elements.
//!
//! The differentials of a profile and of the profiles it rests on are laid over one another, the
//! oldest first; what the core type itself says is not repeated, because a resource is held to its
//! type's schema in any case. Slices hang below the element that they slice.
//! Source: <http://hl7.org/fhir/R4/profiling.html#snapshot>,
//! <http://hl7.org/fhir/R4/elementdefinition.html#id>.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::Value;

use super::element::{Element, canonical_tail};
use super::{Definitions, Fault};
use crate::fhir::json::At;

/// How many profiles may rest on one another.
const MAX_DEPTH: usize = 32;

/// An element and what the profile says about it, its children and its slices.
#[derive(Clone, Default, Debug)]
pub struct Node {
    /// The element's name (`value[x]` for choices); for a slice, the slice's name.
    pub name: String,
    /// What the profile says; absent where it says nothing.
    pub rules: Element,
    /// Elements below this one that the profile mentions.
    pub children: Vec<Node>,
    /// Slices of this element.
    pub slices: Vec<Node>,
}

/// A profile's tree and the type that it constrains.
#[derive(Debug)]
pub struct Snapshot {
    /// The core type's name.
    pub kind: String,
    /// The root element.
    pub root: Node,
}

impl Snapshot {
    /// The snapshot of the profile or extension of that canonical.
    ///
    /// # Errors
    /// [`Fault`] for a definition that is missing, has a broken element, or rests on itself.
    pub fn of(definitions: &Definitions, canonical: &str) -> Result<Self, Fault> {
        let chain = chain(definitions, canonical)?;
        let kind = chain.first().and_then(|d| d.at("type").as_str()).unwrap_or_default().to_owned();
        let mut root = Node { name: kind.clone(), ..Node::default() };
        for definition in chain.iter().rev() {
            for element in elements(canonical, definition)? {
                root.lay(element);
            }
        }
        Ok(Self { kind, root })
    }
}

impl Node {
    /// The child of that name.
    pub fn child(&self, name: &str) -> Option<&Self> {
        self.children.iter().find(|child| child.name == name)
    }

    fn lay(&mut self, element: Element) {
        let mut node = self;
        for step in element.id.split('.').skip(1) {
            let (name, slice) = step.split_once(':').map_or((step, None), |(n, s)| (n, Some(s)));
            node = find(&mut node.children, name);
            if let Some(slice) = slice {
                node = find(&mut node.slices, slice);
            }
        }
        merge(&mut node.rules, element);
    }
}

fn find<'a>(nodes: &'a mut Vec<Node>, name: &str) -> &'a mut Node {
    let at = nodes.iter().position(|node| node.name == name).unwrap_or_else(|| {
        nodes.push(Node { name: name.to_owned(), ..Node::default() });
        nodes.len() - 1
    });
    #[expect(clippy::indexing_slicing, reason = "the position was found or made a line above")]
    &mut nodes[at]
}

/// Later words replace earlier ones, except that invariants add up.
fn merge(into: &mut Element, from: Element) {
    let mut constraints = std::mem::take(&mut into.constraints);
    constraints.retain(|c| from.constraints.iter().all(|new| new.key != c.key));
    constraints.extend(from.constraints);
    *into = Element {
        id: from.id,
        path: from.path,
        slice_name: from.slice_name.or(into.slice_name.take()),
        min: from.min.or(into.min),
        max: from.max.or(into.max),
        types: if from.types.is_empty() { std::mem::take(&mut into.types) } else { from.types },
        content_reference: from.content_reference.or(into.content_reference.take()),
        binding: from.binding.or(into.binding.take()),
        constraints,
        fixed: from.fixed.or(into.fixed.take()),
        pattern: from.pattern.or(into.pattern.take()),
        slicing: from.slicing.or(into.slicing.take()),
        min_value: from.min_value.or(into.min_value.take()),
        max_value: from.max_value.or(into.max_value.take()),
        max_length: from.max_length.or(into.max_length),
    };
}

/// The definition and those that it rests on, newest first, without the core type.
fn chain(definitions: &Definitions, canonical: &str) -> Result<Vec<Arc<Value>>, Fault> {
    let mut chain = Vec::new();
    let mut next = canonical.to_owned();
    loop {
        let Some(definition) = definitions.structure(&next)? else {
            let is_type = definitions.type_schema(canonical_tail(&next))?.is_some()
                || ["DomainResource", "Resource"].contains(&canonical_tail(&next));
            return if is_type && !chain.is_empty() {
                Ok(chain)
            } else {
                Err(Fault::new(canonical, format!("rests on {next}, which is not held")))
            };
        };
        if chain.len() >= MAX_DEPTH {
            return Err(Fault::new(canonical, "rests on itself"));
        }
        let base = definition.at("baseDefinition").as_str();
        base.ok_or(Fault::new(canonical, "has no baseDefinition"))?.clone_into(&mut next);
        chain.push(definition);
    }
}

fn elements(canonical: &str, definition: &Value) -> Result<Vec<Element>, Fault> {
    let lists = ["/differential/element", "/element", "/snapshot/element"];
    let list = lists.iter().find_map(|pointer| definition.pointer(pointer)?.as_array());
    let parsed = list.into_iter().flatten().map(Element::parse).collect::<Result<Vec<_>, _>>();
    let mut elements = parsed.map_err(|message| Fault::new(canonical, message))?;
    if elements.iter().any(|e| e.slice_name.is_some() && !e.id.contains(':')) {
        name_slices(&mut elements);
    }
    Ok(elements)
}

/// Writes the ids of a differential that has none: an element belongs to the slice that was last
/// named on its way.
fn name_slices(elements: &mut [Element]) {
    let mut open: BTreeMap<String, String> = BTreeMap::new();
    for element in elements {
        let below = format!("{}.", element.path);
        open.retain(|path, _| !path.starts_with(&below));
        match &element.slice_name {
            Some(slice) => open.insert(element.path.clone(), slice.clone()),
            None => open.remove(&element.path),
        };
        let mut path = String::new();
        let mut id = String::new();
        for step in element.path.split('.') {
            let dot = if path.is_empty() { "" } else { "." };
            path.extend([dot, step]);
            id.extend([dot, step]);
            if let Some(slice) = open.get(&path) {
                id.extend([":", slice]);
            }
        }
        element.id.clone_from(&id);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn ids_are_written_where_a_differential_has_none() {
        let of = |path: &str, slice: Option<&str>| {
            let mut value = json!({ "path": path });
            if let Some(slice) = slice {
                value["sliceName"] = json!(slice);
            }
            Element::parse(&value).unwrap()
        };
        let mut elements = [
            of("Observation.component", None),
            of("Observation.component", Some("a")),
            of("Observation.component.code", None),
            of("Observation.component", Some("b")),
            of("Observation.component.code", None),
            of("Observation.status", None),
        ];
        name_slices(&mut elements);
        let ids: Vec<&str> = elements.iter().map(|e| e.id.as_str()).collect();
        assert_eq!(
            ids,
            [
                "Observation.component",
                "Observation.component:a",
                "Observation.component:a.code",
                "Observation.component:b",
                "Observation.component:b.code",
                "Observation.status",
            ]
        );
    }

    #[test]
    fn later_words_replace_earlier_ones_and_invariants_add_up() {
        let mut root = Node::default();
        for value in [
            json!({ "id": "X.a", "path": "X.a", "min": 1, "max": "1",
                "constraint": [{ "key": "k1", "severity": "error", "expression": "true" }] }),
            json!({ "id": "X.a", "path": "X.a", "max": "0",
                "constraint": [{ "key": "k2", "severity": "error", "expression": "true" }] }),
        ] {
            root.lay(Element::parse(&value).unwrap());
        }
        let rules = &root.child("a").unwrap().rules;
        assert_eq!((rules.min, rules.constraints.len()), (Some(1), 2));
        assert_eq!(rules.max, Some(super::super::element::Max::Times(0)));
    }
}
