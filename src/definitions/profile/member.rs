//! What a profile says about one element as a member of an object: how often, where, and what.

use serde_json::{Map, Value, json};

use super::{Members, Writer, add};
use crate::definitions::Fault;
use crate::definitions::element::Max;
use crate::definitions::place::{Place, Property, is_kind_of};
use crate::definitions::snapshot::Node;

impl Writer<'_> {
    pub(super) fn member(
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
        if let (Some(place), Some(property)) = (place, &property) {
            self.narrows(child, place, property)?;
        }
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
        let below = self.place_below(child, property.as_ref())?;
        if let Some(schema) = self.beside(child, below.as_ref())? {
            add(&mut members.beside, name, schema);
        }
        let repeats = property.as_ref().map_or(child.rules.repeats(), |p| p.repeats);
        let schema = self.values(child, below.as_ref(), repeats)?;
        if !schema.is_empty() {
            members.add(name, Value::Object(schema));
        }
        Ok(())
    }

    /// The schema of an element's value, or of the array of its values.
    fn values(
        &self,
        child: &Node,
        below: Option<&Place>,
        repeats: bool,
    ) -> Result<Map<String, Value>, Fault> {
        let value = self.value(child, None, below)?;
        let mut schema = if repeats { Map::new() } else { value.clone() };
        if repeats {
            match child.rules.min {
                Some(min) if min > 1 => schema.insert("minItems".into(), json!(min)),
                _ => None,
            };
            if let Some(Max::Times(max)) = child.rules.max {
                schema.insert("maxItems".into(), json!(max));
            }
            if !value.is_empty() {
                schema.insert("items".into(), Value::Object(value));
            }
        }
        if !child.slices.is_empty() {
            schema.insert("x-slice".into(), self.slices(child, below)?);
        }
        Ok(schema)
    }

    /// What is asked of the object beside a primitive: its extensions.
    pub(super) fn beside(
        &self,
        node: &Node,
        place: Option<&Place>,
    ) -> Result<Option<Value>, Fault> {
        let said: Vec<Node> =
            node.children.iter().filter(|child| child.name != "value").cloned().collect();
        if said.is_empty() || !place.is_some_and(Place::is_primitive) {
            return Ok(None);
        }
        let element = Place::of_type(self.definitions, "Element")?;
        let schema = self.object(&said, element.as_ref())?;
        Ok((!schema.is_empty()).then_some(Value::Object(schema)))
    }

    /// A profile may only narrow what its type allows, and must leave something.
    fn narrows(&self, child: &Node, place: &Place, property: &Property<'_>) -> Result<(), Fault> {
        let rules = &child.rules;
        let base = property.type_name();
        // The values of ids and urls are strings of the language that definitions are written in.
        let is_value = base.starts_with(|c: char| c.is_ascii_lowercase());
        let allows = |code: &str| is_kind_of(code, base) || is_value && code == "string";
        if let Some(kind) = rules.types.iter().find(|kind| !allows(&kind.code)) {
            let message = format!("has the type {}, which the base does not allow", kind.code);
            return Err(self.fault(child, &message));
        }
        if rules.max.is_some_and(Max::repeats) && !property.repeats {
            self.widens(child, "allows more than the base does");
        }
        if rules.min == Some(0) && place.requires(&child.name) {
            self.widens(child, "asks for 0 where the base asks for 1");
        }
        self.can_be_met(child)
    }

    /// Whether what the slices ask fits into what the sliced element allows.
    pub(super) fn can_be_met(&self, node: &Node) -> Result<(), Fault> {
        let Some(Max::Times(max)) = node.rules.max else { return Ok(()) };
        let asked: u64 = node.slices.iter().map(|slice| slice.rules.min.unwrap_or(0)).sum();
        if asked > max {
            let message =
                format!("can never be met: its slices ask for {asked}, but at most {max}");
            return Err(self.fault(node, &message));
        }
        Ok(())
    }

    /// Where the children of an element are to be found.
    pub(super) fn place_below(
        &self,
        child: &Node,
        property: Option<&Property<'_>>,
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
}
