//! What a profile says about one value: its children, and the rules of the element itself.

use serde_json::{Map, Value, json};

use super::{Members, Writer};
use crate::definitions::Fault;
use crate::definitions::element::{Binding, Element, ElementType, canonical_tail};
use crate::definitions::place::Place;
use crate::definitions::snapshot::{Node, Snapshot};
use crate::fhir::json::At;

impl Writer<'_> {
    /// The schema of one value of the element `node`, in the type `kind` where it has several.
    pub(super) fn value(
        &self,
        node: &Node,
        kind: Option<&ElementType>,
        place: Option<&Place>,
    ) -> Result<Map<String, Value>, Fault> {
        let mut schema = Map::new();
        // What stands below a primitive stands beside it in JSON.
        if !place.is_some_and(Place::is_primitive) {
            schema = self.object(&node.children, place)?;
        }
        let kind = kind.or(match node.rules.types.as_slice() {
            [only] => Some(only),
            _ => None,
        });
        self.rules(&mut schema, &node.rules, kind)?;
        Ok(schema)
    }

    /// The schema of an object with those members.
    pub(super) fn object(
        &self,
        children: &[Node],
        place: Option<&Place>,
    ) -> Result<Map<String, Value>, Fault> {
        let mut members = Members::default();
        for child in children {
            self.member(&mut members, child, place)?;
        }
        let mut schema = Map::new();
        for (key, rules) in [
            ("x-required", members.present),
            ("x-choice-type", members.choice_types),
            ("x-beside", members.beside),
            ("properties", members.properties),
        ] {
            if !rules.is_empty() {
                schema.insert(key.to_owned(), Value::Object(rules));
            }
        }
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
        say("x-invariant", (!constraints.is_empty()).then(|| Value::Array(constraints)));
        match kind {
            Some(kind) => {
                say("x-profile", self.profiles(kind)?.map(|list| json!(list)));
                if kind.code == "Reference" && !kind.targets.is_empty() {
                    say("x-reference-target", self.targets(kind)?.map(|names| json!(names)));
                    say("x-target-profile", self.target_profiles(kind).map(|list| json!(list)));
                }
            }
            None => say("x-profile", self.resource_profiles(&rules.types).map(|list| json!(list))),
        }
        Ok(())
    }

    /// The profiles of which a value of that type must meet one.
    fn profiles(&self, kind: &ElementType) -> Result<Option<Vec<String>>, Fault> {
        if kind.code != "Extension" {
            return Ok(match kind.profiles.as_slice() {
                [] => self.resource_profiles(std::slice::from_ref(kind)),
                profiles => Some(profiles.to_vec()),
            });
        }
        // A known extension is held to its definition wherever it occurs, by its url. That says
        // nothing of a profile on that extension, which has the url of what it rests on.
        let mut list = Vec::new();
        for profile in &kind.profiles {
            let url = self.extension_url(profile)?;
            if url.as_deref().is_some_and(|url| Some(url) != profile.split('|').next()) {
                list.push(profile.clone());
            }
        }
        Ok((!list.is_empty()).then_some(list))
    }

    /// For an element that holds any resource: what the types say that it must be.
    fn resource_profiles(&self, types: &[ElementType]) -> Option<Vec<String>> {
        let mut list = Vec::new();
        for kind in types {
            match kind.profiles.as_slice() {
                [] if self.definitions.is_resource(&kind.code) => {
                    list.push(format!("http://hl7.org/fhir/StructureDefinition/{}", kind.code));
                }
                [] => return None,
                profiles if kind.code == "Resource" || self.definitions.is_resource(&kind.code) => {
                    list.extend(profiles.iter().cloned());
                }
                _ => return None,
            }
        }
        (!list.is_empty()).then_some(list)
    }

    /// The resource types that a reference may point to; none where a profile is not known.
    pub(super) fn targets(&self, kind: &ElementType) -> Result<Option<Vec<String>>, Fault> {
        let mut names = Vec::new();
        for target in &kind.targets {
            let tail = canonical_tail(target);
            if ["Resource", "DomainResource"].contains(&tail) {
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

    /// The canonicals of which a reference's target must meet one, where one of them is more than a
    /// core type.
    fn target_profiles<'k>(&self, kind: &'k ElementType) -> Option<&'k [String]> {
        let is_type = |target: &String| {
            let tail = canonical_tail(target);
            ["Resource", "DomainResource"].contains(&tail) || self.definitions.is_resource(tail)
        };
        (!kind.targets.iter().all(is_type)).then_some(&kind.targets)
    }

    /// The url by which the extension of that canonical is known; none where it is not held.
    pub(super) fn extension_url(&self, profile: &str) -> Result<Option<String>, Fault> {
        if self.definitions.structure(profile)?.is_none() {
            return Ok(None);
        }
        let snapshot = Snapshot::of(self.definitions, profile)?;
        let url = snapshot.root.child("url").and_then(|node| node.rules.fixed.as_ref());
        Ok(url.and_then(Value::as_str).map(str::to_owned))
    }
}
