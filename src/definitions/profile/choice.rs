//! What a profile says about a choice element, type by type.
//!
//! Source: <http://hl7.org/fhir/R4/formats.html#choice>,
//! <http://hl7.org/fhir/R4/profiling.html#slicing>.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::{Members, Writer, add};
use crate::definitions::Fault;
use crate::definitions::element::{ElementType, Max, choice_property};
use crate::definitions::place::{Place, is_kind_of};
use crate::definitions::snapshot::Node;

impl Writer<'_> {
    pub(super) fn choice(
        &self,
        members: &mut Members,
        child: &Node,
        base: &str,
        place: Option<&Place>,
    ) -> Result<(), Fault> {
        let all = place.and_then(|place| place.choice(base));
        let all = all.ok_or_else(|| self.fault(child, "is no choice element of the type"))?;
        self.can_be_met(child)?;
        if child.rules.min == Some(0) && place.is_some_and(|place| place.requires(&child.name)) {
            self.widens(child, "asks for 0 where the base asks for 1");
        }
        if child.rules.max.is_some_and(Max::repeats) {
            self.widens(child, "allows more than the base does");
        }
        let spoken_of = all.iter().map(|name| (name.clone(), base.to_owned()));
        self.choices.borrow_mut().extend(spoken_of);
        let slices = self.by_property(child, base, &all)?;
        let allowed = self.allowed(child, base, &all, &slices)?;
        let names: Vec<String> = allowed.iter().map(|(name, _)| name.clone()).collect();
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
        for (property, slices) in &slices {
            self.typed_slices(members, (child, property), slices, place)?;
        }
        Ok(())
    }

    /// The slices by the JSON name of the type that they are for.
    fn by_property<'n>(
        &self,
        child: &'n Node,
        base: &str,
        all: &[String],
    ) -> Result<BTreeMap<String, Vec<&'n Node>>, Fault> {
        let mut slices: BTreeMap<String, Vec<&Node>> = BTreeMap::new();
        for slice in &child.slices {
            let properties: Vec<String> = match slice.rules.types.as_slice() {
                _ if all.contains(&slice.name) => vec![slice.name.clone()],
                // A name alone says nothing.
                [] if slice.children.is_empty() && slice.rules.min.is_none() => continue,
                [] => match child.rules.types.as_slice() {
                    [only] => vec![choice_property(base, &only.code)],
                    _ => return Err(self.fault(slice, "is a slice without a type")),
                },
                kinds => kinds.iter().map(|kind| choice_property(base, &kind.code)).collect(),
            };
            for property in properties {
                slices.entry(property).or_default().push(slice);
            }
        }
        Ok(slices)
    }

    /// The JSON names that the profile leaves, each with what it says of that type.
    fn allowed(
        &self,
        child: &Node,
        base: &str,
        all: &[String],
        slices: &BTreeMap<String, Vec<&Node>>,
    ) -> Result<Vec<(String, Option<ElementType>)>, Fault> {
        let mut allowed = Vec::new();
        match child.rules.types.as_slice() {
            _ if child.rules.max == Some(Max::Times(0)) => {}
            [] => allowed.extend(all.iter().map(|property| (property.clone(), None))),
            types => {
                for kind in types {
                    let property = choice_property(base, &kind.code);
                    // The name of a type that specialises is that of the type which it specialises.
                    let held = all.iter().find(|name| {
                        let code = name.strip_prefix(base).unwrap_or(name);
                        **name == property || is_kind_of(&kind.code, code)
                    });
                    let message =
                        format!("has the type {}, which the base does not allow", kind.code);
                    let held = held.ok_or_else(|| self.fault(child, &message))?;
                    allowed.push((held.clone(), Some(kind.clone())));
                }
            }
        }
        let slicing = child.rules.slicing.as_ref();
        if slicing.is_some_and(|slicing| slicing.rules == "closed") && !slices.is_empty() {
            allowed.retain(|(name, _)| slices.contains_key(name));
        }
        Ok(allowed)
    }

    /// What the slices for one type say.
    fn typed_slices(
        &self,
        members: &mut Members,
        (child, property): (&Node, &str),
        slices: &[&Node],
        place: Option<&Place>,
    ) -> Result<(), Fault> {
        let kind = |slice: &Node| {
            let kinds = &slice.rules.types;
            let of = |kind: &&ElementType| property.ends_with(&choice_property("", &kind.code));
            kinds.iter().find(of).or(kinds.first()).cloned()
        };
        let slicing = child.rules.slicing.as_ref();
        let is_by_type =
            slicing.is_none_or(|s| s.discriminators.iter().all(|(kind, _)| kind == "type"));
        if let ([only], true) = (slices, is_by_type) {
            match (only.rules.max, only.rules.min) {
                (Some(Max::Times(0)), _) => members.add(property, json!(false)),
                (_, Some(1..)) => members.require(property, &[property.to_owned()]),
                _ => {}
            }
            return self.typed_choice(members, only, property, kind(only).as_ref(), place);
        }
        // Which of the slices the value belongs to must be told.
        for slice in slices.iter().filter(|slice| slice.rules.min.unwrap_or(0) > 0) {
            members.require(&format!("{}:{}", child.name, slice.name), &[property.to_owned()]);
        }
        let held = place.and_then(|place| place.property(property));
        let held = held.ok_or_else(|| self.fault(child, "has a type that the element lacks"))?;
        let below = held.value(self.definitions)?;
        let mut sliced = child.clone();
        sliced.slices = slices.iter().map(|slice| (*slice).clone()).collect();
        members.add(property, json!({ "x-slice": self.slices(&sliced, below.as_ref())? }));
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
        if let Some(schema) = self.beside(node, below.as_ref())? {
            add(&mut members.beside, property, schema);
        }
        let mut value = self.value(node, kind, below.as_ref())?;
        if !held.is_bindable() {
            value.remove("x-binding");
        }
        if !value.is_empty() {
            members.add(property, Value::Object(value));
        }
        Ok(())
    }
}
