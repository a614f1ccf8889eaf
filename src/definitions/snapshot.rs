//! A profile with all that it inherits, as a tree of elements.
//!
//! The differentials of a profile and of the profiles it rests on are laid over one another, the
//! oldest first; what the core type itself says is not repeated, because a resource is held to its
//! type's schema in any case. Slices hang below the element that they slice, slices of slices below
//! those; `valueQuantity` is the slice of `value[x]` that it is short for. A profile whose base is
//! not held is read from its own snapshot, if it brings one.
//! Source: <http://hl7.org/fhir/R4/profiling.html#snapshot>,
//! <http://hl7.org/fhir/R4/elementdefinition.html#id>.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::Value;

use super::element::{Element, canonical_tail};
use super::merge::merge;
use super::place::Place;
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
    /// What the profile allows beyond what it rests on, each with the id of the element. The
    /// narrower rule stands.
    pub widened: Vec<String>,
}

impl Snapshot {
    /// The snapshot of the profile or extension of that canonical.
    ///
    /// # Errors
    /// [`Fault`] for a definition that is missing, has a broken element, contradicts what it rests
    /// on, or rests on itself.
    pub fn of(definitions: &Definitions, canonical: &str) -> Result<Self, Fault> {
        let definition = definitions.structure(canonical)?;
        let definition =
            definition.ok_or_else(|| Fault::new(canonical, "is no profile that is held"))?;
        Self::of_definition(definitions, canonical, definition)
    }

    /// The snapshot of that definition, whether it is held itself or not.
    ///
    /// # Errors
    /// As [`Snapshot::of`].
    pub fn of_definition(
        definitions: &Definitions,
        canonical: &str,
        definition: Arc<Value>,
    ) -> Result<Self, Fault> {
        let layers = layers(definitions, canonical, definition)?;
        let oldest = layers.last().map(|(definition, _)| definition.at("type"));
        let kind = oldest.and_then(Value::as_str).unwrap_or_default().to_owned();
        let place = Place::of_type(definitions, canonical_tail(&kind))?;
        let place =
            place.ok_or_else(|| Fault::new(canonical, format!("{kind} is no type of R4")))?;
        let mut root = Node { name: kind.clone(), ..Node::default() };
        let mut widened = Vec::new();
        for (definition, list) in layers.iter().rev() {
            for element in elements(canonical, definition, list)? {
                if element.path.split('.').next() != Some(kind.as_str()) {
                    let message = format!("{} does not start with {kind}", element.id);
                    return Err(Fault::new(canonical, message));
                }
                let id = element.id.clone();
                let laid = root.lay(definitions, &place, element)?;
                let more =
                    laid.map_err(|message| Fault::new(canonical, format!("{id} {message}")))?;
                widened.extend(more.into_iter().map(|message| format!("{id} {message}")));
            }
        }
        Ok(Self { kind, root, widened })
    }
}

impl Node {
    /// The child of that name.
    pub fn child(&self, name: &str) -> Option<&Self> {
        self.children.iter().find(|child| child.name == name)
    }

    /// Lays an element over what is here; the inner error says how it contradicts that.
    fn lay(
        &mut self,
        definitions: &Definitions,
        root: &Place,
        element: Element,
    ) -> Result<Result<Vec<String>, String>, Fault> {
        let mut node = self;
        let mut place = Some(root.clone());
        for step in element.id.split('.').skip(1) {
            let (name, slice) = step.split_once(':').map_or((step, None), |(n, s)| (n, Some(s)));
            let choice = place.as_ref().and_then(|place| place.choice_of(name)).map(str::to_owned);
            let typed = match (&choice, name.strip_suffix("[x]")) {
                (Some(base), _) => Some((base.as_str(), Some(name))),
                (None, Some(base)) => Some((base, None)),
                (None, None) => None,
            };
            let Some((base, short)) = typed else {
                node = find(&mut node.children, name);
                place = below(definitions, place.as_ref(), name, node)?;
                if let Some(slice) = slice {
                    node = find_slice(node, slice);
                }
                continue;
            };
            node = find(&mut node.children, &format!("{base}[x]"));
            if let Some(slice) = short.or(slice) {
                node = find_slice(node, slice);
            }
            place = below_choice(definitions, place.as_ref(), base, node)?;
        }
        Ok(merge(&mut node.rules, element))
    }
}

/// Where the children of an element are to be found.
fn below(
    definitions: &Definitions,
    place: Option<&Place>,
    name: &str,
    node: &Node,
) -> Result<Option<Place>, Fault> {
    // What stands below a primitive are the members of the element that it is.
    let element = match place {
        Some(place) if place.is_primitive() => Place::of_type(definitions, "Element")?,
        place => place.cloned(),
    };
    let property = element.as_ref().and_then(|place| place.property(name));
    match property.map(|property| property.value(definitions)).transpose()?.flatten() {
        Some(place) => Ok(Some(place)),
        None => of_only_type(definitions, node),
    }
}

/// Where the children of a choice element, or of one of its slices, are to be found.
fn below_choice(
    definitions: &Definitions,
    place: Option<&Place>,
    base: &str,
    node: &Node,
) -> Result<Option<Place>, Fault> {
    let typed = place.and_then(|place| place.property(&node.name));
    match typed.map(|property| property.value(definitions)).transpose()?.flatten() {
        Some(place) if node.name.starts_with(base) => Ok(Some(place)),
        _ => of_only_type(definitions, node),
    }
}

fn of_only_type(definitions: &Definitions, node: &Node) -> Result<Option<Place>, Fault> {
    match node.rules.types.as_slice() {
        [only] if only.code != "Resource" => Place::of_type(definitions, &only.code),
        _ => Ok(None),
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

/// The slice of that name; `a/b` is the slice `b` of the slice `a`, where there is one of that name.
fn find_slice<'a>(node: &'a mut Node, name: &str) -> &'a mut Node {
    let mut slices = &mut node.slices;
    for (at, _) in name.match_indices('/') {
        let whole = name.get(..at).unwrap_or(name);
        if slices.iter().any(|slice| slice.name == whole) {
            slices = &mut find(slices, whole).slices;
        }
    }
    find(slices, name)
}

/// The definition and those that it rests on, newest first, without the core type; each with the
/// place of its elements.
fn layers(
    definitions: &Definitions,
    canonical: &str,
    newest: Arc<Value>,
) -> Result<Vec<(Arc<Value>, &'static str)>, Fault> {
    let mut layers: Vec<(Arc<Value>, &'static str)> = Vec::new();
    let mut next = Some(newest);
    while let Some(definition) = next {
        if layers.len() >= MAX_DEPTH {
            return Err(Fault::new(canonical, "rests on itself"));
        }
        let base = definition.at("baseDefinition").as_str();
        let base = base.ok_or_else(|| Fault::new(canonical, "has no baseDefinition"))?.to_owned();
        let held = definitions.structure(&base)?;
        let is_type = Place::of_type(definitions, canonical_tail(&base))?.is_some();
        let has = |pointer: &str| definition.pointer(pointer).is_some_and(Value::is_array);
        let list = ["/differential/element", "/element"].into_iter().find(|list| has(list));
        match list {
            Some(list) if held.is_some() || is_type => layers.push((definition, list)),
            _ if has("/snapshot/element") => {
                layers.push((definition, "/snapshot/element"));
                return Ok(layers);
            }
            Some(_) => {
                return Err(Fault::new(canonical, format!("rests on {base}, which is not held")));
            }
            None => return Err(Fault::new(canonical, "has no elements")),
        }
        next = held;
    }
    Ok(layers)
}

fn elements(canonical: &str, definition: &Value, list: &str) -> Result<Vec<Element>, Fault> {
    let is_whole = list == "/snapshot/element";
    let list = definition.pointer(list).and_then(Value::as_array).into_iter().flatten();
    let parsed = list.map(|element| {
        if is_whole { Element::parse(&without_core(element)) } else { Element::parse(element) }
    });
    let parsed = parsed.collect::<Result<Vec<_>, _>>();
    let mut elements = parsed.map_err(|message| Fault::new(canonical, message))?;
    if elements.iter().any(|element| !is_named(element)) {
        name_slices(&mut elements);
    }
    Ok(elements)
}

/// An element of a published snapshot without the invariants of the core types, to which a resource
/// is held in any case.
fn without_core(element: &Value) -> Value {
    let mut element = element.clone();
    if let Some(list) = element.pointer_mut("/constraint").and_then(Value::as_array_mut) {
        list.retain(|constraint| {
            let core = "http://hl7.org/fhir/StructureDefinition/";
            let source = constraint.at("source").as_str();
            let name = source.and_then(|source| source.strip_prefix(core));
            // The core types have names, its profiles and extensions have ids.
            !name.is_some_and(|name| name.starts_with(|c: char| c.is_ascii_uppercase()))
                && !["ele-1", "ext-1"].iter().any(|key| constraint.at("key") == *key)
        });
    }
    element
}

/// Whether the id of an element is its path with the names of slices in it.
fn is_named(element: &Element) -> bool {
    let mut path = element.path.split('.');
    let fits = element.id.split('.').all(|step| {
        let (name, slice) = step.split_once(':').map_or((step, None), |(n, s)| (n, Some(s)));
        path.next().is_some_and(|step| step == name || Some(step) == slice)
    });
    let says_slice = element.id.rsplit('.').next().is_some_and(|step| step.contains(':'));
    fits && path.next().is_none() && (says_slice || element.slice_name.is_none())
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
        let mut rules = Element::default();
        for value in [
            json!({ "id": "X.a", "path": "X.a", "min": 0, "max": "1",
                "constraint": [{ "key": "k1", "severity": "error", "expression": "true" }] }),
            json!({ "id": "X.a", "path": "X.a", "max": "0",
                "constraint": [{ "key": "k2", "severity": "error", "expression": "true" }] }),
        ] {
            merge(&mut rules, Element::parse(&value).unwrap()).unwrap();
        }
        assert_eq!((rules.min, rules.constraints.len()), (Some(0), 2));
        assert_eq!(rules.max, Some(super::super::element::Max::Times(0)));
    }
}
