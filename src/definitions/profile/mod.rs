//! JSON Schema of a profile: what it asks beyond the core type.
//!
//! The schema says only what the profile adds; a resource is held to its type's schema as well. So
//! no fault is found twice, and a profile of a profile is one schema.
//! Source: <http://hl7.org/fhir/R4/profiling.html>.

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

mod base;
mod discriminator;

use base::Place;
pub(crate) use base::type_name;

use super::element::{Binding, Element, ElementType, Max, canonical_tail, choice_property};
use super::snapshot::{Node, Snapshot};
use super::{Definitions, Fault};
use crate::fhir::json::At;

/// The schema of the profile or extension of that canonical.
///
/// # Errors
/// [`Fault`] for a definition that is missing, or that speaks of an element which its type lacks.
pub fn schema(definitions: &Definitions, canonical: &str) -> Result<Value, Fault> {
    let snapshot = Snapshot::of(definitions, canonical)?;
    let writer = Writer { definitions, canonical, choices: RefCell::default() };
    let place = Place::of_type(definitions, &snapshot.kind)?;
    let mut schema = Map::new();
    schema.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("x-constrains".into(), json!(snapshot.kind));
    schema.extend(writer.value(&snapshot.root, None, place.as_ref())?);
    schema.insert("x-choices".into(), json!(writer.choices.into_inner()));
    Ok(Value::Object(schema))
}

struct Writer<'a> {
    definitions: &'a Definitions,
    canonical: &'a str,
    /// The JSON names of choice elements that are spoken of, with the element's name.
    choices: RefCell<BTreeMap<String, String>>,
}

/// What a schema says about the members of an object.
#[derive(Default)]
struct Members {
    properties: Map<String, Value>,
    present: Map<String, Value>,
    choice_types: Map<String, Value>,
}

impl Members {
    fn add(&mut self, name: &str, schema: Value) {
        match self.properties.get_mut(name) {
            Some(held) => *held = json!({ "allOf": [held.take(), schema] }),
            None => {
                self.properties.insert(name.to_owned(), schema);
            }
        }
    }

    fn require(&mut self, element: &str, properties: &[String]) {
        self.present.insert(element.to_owned(), json!(properties));
    }
}

impl Writer<'_> {
    fn fault(&self, node: &Node, message: &str) -> Fault {
        let id = if node.rules.id.is_empty() { &node.name } else { &node.rules.id };
        Fault::new(self.canonical, format!("{id} {message}"))
    }

    /// The schema of one value of the element `node`, in the type `kind` where it has several.
    fn value(
        &self,
        node: &Node,
        kind: Option<&ElementType>,
        place: Option<&Place>,
    ) -> Result<Map<String, Value>, Fault> {
        let mut members = Members::default();
        for child in &node.children {
            self.member(&mut members, child, place)?;
        }
        let mut schema = Map::new();
        for (key, rules) in [
            ("x-required", members.present),
            ("x-choice-type", members.choice_types),
            ("properties", members.properties),
        ] {
            if !rules.is_empty() {
                schema.insert(key.to_owned(), Value::Object(rules));
            }
        }
        let kind = kind.or(match node.rules.types.as_slice() {
            [only] => Some(only),
            _ => None,
        });
        self.rules(&mut schema, &node.rules, kind)?;
        Ok(schema)
    }

    /// What the element itself says about its value.
    fn rules(
        &self,
        schema: &mut Map<String, Value>,
        rules: &Element,
        kind: Option<&ElementType>,
    ) -> Result<(), Fault> {
        let mut say = |key: &str, value: Option<Value>| {
            if let Some(value) = value {
                schema.insert(key.to_owned(), value);
            }
        };
        say("x-fixed", rules.fixed.clone());
        say("x-pattern", rules.pattern.clone());
        say("maxLength", rules.max_length.map(|length| json!(length)));
        say("x-minimum", rules.min_value.clone());
        say("x-maximum", rules.max_value.clone());
        let binding = rules.binding.as_ref();
        say("x-binding", binding.map(Binding::schema));
        let constraints: Vec<Value> = rules.constraints.iter().map(|c| {
            json!({ "key": c.key, "severity": c.severity, "expression": c.expression, "human": c.human })
        }).collect();
        // An element that holds any resource may name several types, each with its profiles.
        if kind.is_none() && rules.types.iter().all(|t| !t.profiles.is_empty()) {
            let profiles: Vec<&String> = rules.types.iter().flat_map(|t| &t.profiles).collect();
            let is_resource = rules.types.iter().all(|t| self.definitions.is_resource(&t.code));
            say("x-profile", (is_resource && !profiles.is_empty()).then(|| json!(profiles)));
        }
        say("x-invariant", (!constraints.is_empty()).then(|| Value::Array(constraints)));
        if let Some(kind) = kind {
            // Known extensions are held to their definition wherever they occur.
            if !kind.profiles.is_empty() && kind.code != "Extension" {
                say("x-profile", Some(json!(kind.profiles)));
            }
            if !kind.targets.is_empty() && kind.code == "Reference" {
                say("x-reference-target", self.targets(kind)?.map(|names| json!(names)));
            }
        }
        Ok(())
    }

    /// The resource types that a reference may point to; none where a profile is not known.
    fn targets(&self, kind: &ElementType) -> Result<Option<Vec<String>>, Fault> {
        let mut names = Vec::new();
        for target in &kind.targets {
            let tail = canonical_tail(target);
            if tail == "Resource" {
                return Ok(None);
            }
            if self.definitions.is_resource(tail) {
                names.push(tail.to_owned());
            } else {
                let Some(profile) = self.definitions.structure(target)? else { return Ok(None) };
                names.extend(profile.at("type").as_str().map(str::to_owned));
            }
        }
        names.dedup();
        Ok(Some(names))
    }

    fn member(
        &self,
        members: &mut Members,
        child: &Node,
        place: Option<&Place>,
    ) -> Result<(), Fault> {
        let name = child.name.as_str();
        if let Some(base) = name.strip_suffix("[x]") {
            return self.choice(members, child, base, place);
        }
        let property = place.and_then(|place| place.property(name));
        if place.is_some() && property.is_none() {
            return Err(self.fault(child, "is no element of the type"));
        }
        let below = self.place_below(child, property.as_ref())?;
        let repeats = property.as_ref().map_or(child.rules.repeats(), |p| p.repeats);
        if child.rules.max == Some(Max::Times(0)) {
            members.add(name, json!(false));
            members.add(&format!("_{name}"), json!(false));
            return Ok(());
        }
        let min = child.rules.min.unwrap_or(0);
        if min > 0 {
            members.require(name, &[name.to_owned()]);
        } else if let Some(slice) = child.slices.iter().find(|s| s.rules.min.unwrap_or(0) > 0) {
            members.require(&format!("{name}:{}", slice.name), &[name.to_owned()]);
        }
        let value = self.value(child, None, below.as_ref())?;
        if !repeats {
            if !value.is_empty() {
                members.add(name, Value::Object(value));
            }
            return Ok(());
        }
        let mut array = Map::new();
        if min > 1 {
            array.insert("minItems".into(), json!(min));
        }
        if let Some(Max::Times(max)) = child.rules.max {
            array.insert("maxItems".into(), json!(max));
        }
        if !value.is_empty() {
            array.insert("items".into(), Value::Object(value));
        }
        if !child.slices.is_empty() {
            array.insert("x-slice".into(), self.slices(child, below.as_ref())?);
        }
        if !array.is_empty() {
            members.add(name, Value::Object(array));
        }
        Ok(())
    }

    /// Where the children of an element are to be found.
    fn place_below(
        &self,
        child: &Node,
        property: Option<&base::Property>,
    ) -> Result<Option<Place>, Fault> {
        let Some(property) = property else { return Ok(None) };
        match property.value(self.definitions)? {
            Some(place) => Ok(Some(place)),
            // An element that holds any resource: the profile may say which.
            None => match child.rules.types.as_slice() {
                [only] if only.code != "Resource" => Place::of_type(self.definitions, &only.code),
                _ => Ok(None),
            },
        }
    }

    fn choice(
        &self,
        members: &mut Members,
        child: &Node,
        base: &str,
        place: Option<&Place>,
    ) -> Result<(), Fault> {
        let all = place.and_then(|place| place.choice(base));
        let all = all.ok_or_else(|| self.fault(child, "is no choice element of the type"))?;
        let with_name =
            |kind: &ElementType| (choice_property(base, &kind.code), Some(kind.clone()));
        let allowed: Vec<(String, Option<ElementType>)> = match child.rules.types.as_slice() {
            _ if child.rules.max == Some(Max::Times(0)) => Vec::new(),
            [] => all.iter().map(|property| (property.clone(), None)).collect(),
            types => types.iter().map(with_name).collect(),
        };
        let names: Vec<String> = allowed.iter().map(|(name, _)| name.clone()).collect();
        let spoken_of = all.iter().map(|name| (name.clone(), base.to_owned()));
        self.choices.borrow_mut().extend(spoken_of);
        let forbidden: Vec<&String> = all.iter().filter(|name| !names.contains(name)).collect();
        if !forbidden.is_empty() {
            let rule = json!({ "allowed": names, "forbidden": forbidden });
            members.choice_types.insert(base.to_owned(), rule);
        }
        if child.rules.min.unwrap_or(0) > 0 {
            // A value of a type that is not allowed is told as such, and not as missing too.
            members.require(&child.name, &all);
        }
        for (typed, kind) in &allowed {
            self.typed_choice(members, child, typed, kind.as_ref(), place)?;
        }
        for slice in &child.slices {
            let property = match slice.rules.types.as_slice() {
                _ if all.contains(&slice.name) => slice.name.clone(),
                [kind, ..] => choice_property(base, &kind.code),
                // A name alone says nothing.
                [] if slice.children.is_empty() && slice.rules.min.is_none() => continue,
                [] => return Err(self.fault(slice, "is a slice without a type")),
            };
            match (slice.rules.max, slice.rules.min) {
                (Some(Max::Times(0)), _) => members.add(&property, json!(false)),
                (_, Some(1..)) => members.require(&property, std::slice::from_ref(&property)),
                _ => {}
            }
            self.typed_choice(members, slice, &property, slice.rules.types.first(), place)?;
        }
        Ok(())
    }

    /// One type of a choice element.
    fn typed_choice(
        &self,
        members: &mut Members,
        node: &Node,
        property: &str,
        kind: Option<&ElementType>,
        place: Option<&Place>,
    ) -> Result<(), Fault> {
        let held = place.and_then(|place| place.property(property));
        let held = held.ok_or_else(|| self.fault(node, "has a type that the element lacks"))?;
        let below = held.value(self.definitions)?;
        let mut value = self.value(node, kind, below.as_ref())?;
        if !held.is_bindable() {
            value.remove("x-binding");
        }
        if !value.is_empty() {
            members.add(property, Value::Object(value));
        }
        Ok(())
    }

    fn slices(&self, node: &Node, place: Option<&Place>) -> Result<Value, Fault> {
        let slicing = node.rules.slicing.as_ref();
        let by_url = [("value".to_owned(), "url".to_owned())];
        let discriminators = match slicing {
            Some(slicing) if !slicing.discriminators.is_empty() => &slicing.discriminators[..],
            _ if ["extension", "modifierExtension"].contains(&node.name.as_str()) => &by_url[..],
            _ => return Err(self.fault(node, "has slices but no discriminator")),
        };
        let mut slices = Vec::new();
        for slice in &node.slices {
            let max = match slice.rules.max {
                Some(Max::Times(max)) => json!(max),
                _ => Value::Null,
            };
            slices.push(json!({
                "name": slice.name,
                "min": slice.rules.min.unwrap_or(0),
                "max": max,
                "match": self.matching(slice, discriminators, place)?,
                "schema": self.value(slice, None, place)?,
            }));
        }
        let rules = slicing.map_or("open", |slicing| slicing.rules.as_str());
        let ordered = slicing.is_some_and(|slicing| slicing.ordered);
        Ok(json!({ "rules": rules, "ordered": ordered, "slices": slices }))
    }
}
