//! From the discriminators of a slicing to the schema that an item of the slice must meet.
//!
//! Source: <http://hl7.org/fhir/R4/profiling.html#discriminator>.

use serde_json::{Map, Value, json};

use super::Writer;
use super::base::Place;
use crate::definitions::Fault;
use crate::definitions::element::{ElementType, Max, canonical_tail, choice_property};
use crate::definitions::snapshot::Node;

/// One step of a discriminator's path.
enum Step<'a> {
    Resolve,
    OfType(&'a str),
    Extension(&'a str),
    Member(&'a str),
}

impl Writer<'_> {
    /// The schema that says whether an item belongs to the slice.
    pub(super) fn matching(
        &self,
        slice: &Node,
        discriminators: &[(String, String)],
        place: Option<&Place>,
    ) -> Result<Value, Fault> {
        let mut parts = Vec::new();
        for (kind, path) in discriminators {
            let steps = steps(path);
            parts.extend(self.walk(kind, &steps, Some(slice), place)?);
        }
        // A slice need not speak of every discriminator, but of one.
        if parts.is_empty() {
            let paths: Vec<&str> = discriminators.iter().map(|(_, path)| path.as_str()).collect();
            let message = format!("does not say by {} what belongs to it", paths.join(", "));
            return Err(self.fault(slice, &message));
        }
        Ok(if parts.len() == 1 { parts.remove(0) } else { json!({ "allOf": parts }) })
    }

    fn walk(
        &self,
        kind: &str,
        steps: &[Step<'_>],
        node: Option<&Node>,
        place: Option<&Place>,
    ) -> Result<Option<Value>, Fault> {
        // What is said of the whole says it of the part: a pattern on `code` tells `code.coding`.
        let said = node.and_then(|n| n.rules.fixed.as_ref().or(n.rules.pattern.as_ref()));
        if let (Some(said), "value" | "pattern", [_, ..]) = (said, kind, steps)
            && let Some(part) = part(said, steps)
        {
            return Ok(Some(json!({ "x-pattern": part })));
        }
        match steps {
            [] => self.here(kind, node, place),
            [Step::Resolve, ..] => {
                let kind = node.and_then(|n| n.rules.types.first());
                let names = kind.map(|kind| self.targets(kind)).transpose()?.flatten();
                Ok(names.map(|names| json!({ "x-reference-target": names })))
            }
            [Step::OfType(_), rest @ ..] => self.walk(kind, rest, node, place),
            [Step::Extension(url), rest @ ..] => {
                let found = node.and_then(|n| n.child("extension")).and_then(|extensions| {
                    extensions.slices.iter().find(|slice| extension_url(slice) == Some(url))
                });
                let extension = Place::of_type(self.definitions, "Extension")?;
                if kind == "exists" {
                    let has = json!({ "properties": { "extension": { "contains": { "properties": { "url": { "const": url } } } } }, "required": ["extension"] });
                    return Ok(found.and_then(|node| presence(node, has)));
                }
                let inner = self.walk(kind, rest, found, extension.as_ref())?;
                Ok(inner.map(|inner| {
                    json!({ "properties": { "extension": { "contains":
                    { "allOf": [{ "properties": { "url": { "const": url } } }, inner] } } },
                    "required": ["extension"] })
                }))
            }
            [Step::Member(name), rest @ ..] => self.step(kind, name, rest, node, place),
        }
    }

    fn step(
        &self,
        kind: &str,
        name: &str,
        rest: &[Step<'_>],
        node: Option<&Node>,
        place: Option<&Place>,
    ) -> Result<Option<Value>, Fault> {
        if let Some(properties) = place.and_then(|place| place.choice(name)) {
            return self.choice_step(kind, (name, &properties), rest, node, place);
        }
        let child = node.and_then(|n| n.child(name));
        if kind == "exists" && rest.is_empty() {
            return Ok(child.and_then(|child| presence(child, json!({ "required": [name] }))));
        }
        // An extension's definition is known by its canonical, even where its url is not repeated.
        if let (None, "url", Some(url)) = (child, name, node.and_then(extension_url)) {
            let member = Map::from_iter([(name.to_owned(), json!({ "const": url }))]);
            return Ok(Some(json!({ "properties": member, "required": [name] })));
        }
        if child.is_some_and(|child| child.rules.max == Some(Max::Times(0))) {
            return Ok(Some(json!({ "not": { "required": [name] } })));
        }
        let property = place.and_then(|place| place.property(name));
        let below = property.as_ref().map(|p| p.value(self.definitions)).transpose()?.flatten();
        let mut inner = self.walk(kind, rest, child, below.as_ref())?;
        // An item that must be there in a slice of its own tells as much.
        let slices = child.into_iter().flat_map(|child| &child.slices);
        for slice in slices.filter(|slice| slice.rules.min.unwrap_or(0) > 0) {
            if inner.is_none() {
                inner = self.walk(kind, rest, Some(slice), below.as_ref())?;
            }
        }
        let Some(inner) = inner else { return Ok(None) };
        let repeats = property.is_some_and(|p| p.repeats);
        let inner = if repeats { json!({ "contains": inner }) } else { inner };
        let member = Map::from_iter([(name.to_owned(), inner)]);
        Ok(Some(json!({ "properties": member, "required": [name] })))
    }

    /// A step into a choice element: the value may stand under any of its typed names.
    fn choice_step(
        &self,
        kind: &str,
        (base, properties): (&str, &[String]),
        rest: &[Step<'_>],
        node: Option<&Node>,
        place: Option<&Place>,
    ) -> Result<Option<Value>, Fault> {
        let Some(node) = node else { return Ok(None) };
        let mut any = Vec::new();
        for (name, child) in typed_children(node, base, properties) {
            if matches!(rest, [Step::OfType(code), ..] if choice_property(base, code) != *name) {
                continue;
            }
            if kind == "type" || kind == "exists" {
                any.push(json!({ "required": [name] }));
                continue;
            }
            let property = place.and_then(|place| place.property(name));
            let below = property.map(|p| p.value(self.definitions)).transpose()?.flatten();
            if let Some(inner) = self.walk(kind, rest, Some(child), below.as_ref())? {
                let member = Map::from_iter([(name.clone(), inner)]);
                any.push(json!({ "properties": member, "required": [name] }));
            }
        }
        let found = (!any.is_empty()).then(|| json!({ "anyOf": any }));
        let whole = node.child(&format!("{base}[x]"));
        Ok(match (kind, whole) {
            ("exists", Some(whole)) => found.and_then(|has| presence(whole, has)),
            _ => found,
        })
    }

    /// What the element at the end of the path must be.
    fn here(
        &self,
        kind: &str,
        node: Option<&Node>,
        place: Option<&Place>,
    ) -> Result<Option<Value>, Fault> {
        let Some(node) = node else { return Ok(None) };
        let rules = &node.rules;
        match kind {
            "type" => {
                let names: Vec<&str> =
                    rules.types.iter().map(|t| canonical_tail(&t.code)).collect();
                let by_type = json!({ "properties": { "resourceType": { "enum": names } } });
                Ok((!names.is_empty()).then_some(by_type))
            }
            "profile" => {
                let profiles: Vec<&String> = rules.types.iter().flat_map(|t| &t.profiles).collect();
                Ok((!profiles.is_empty()).then(|| json!({ "x-profile": profiles })))
            }
            "exists" => Ok(presence(node, json!(true))),
            _ => {
                if let Some(fixed) = &rules.fixed {
                    return Ok(Some(json!({ "x-fixed": fixed })));
                }
                if let Some(pattern) = &rules.pattern {
                    return Ok(Some(json!({ "x-pattern": pattern })));
                }
                if let Some(binding) = rules.binding.as_ref().filter(|b| b.strength == "required") {
                    let rule = json!({ "strength": "required", "valueSet": binding.value_set });
                    return Ok(Some(json!({ "x-binding": rule })));
                }
                if node.children.is_empty() {
                    return Ok(None);
                }
                Ok(Some(Value::Object(self.value(node, None, place)?)))
            }
        }
    }
}

/// Only what lies on the path.
fn part(value: &Value, steps: &[Step<'_>]) -> Option<Value> {
    match (value, steps) {
        (Value::Array(items), _) => {
            let parts: Vec<Value> = items.iter().filter_map(|item| part(item, steps)).collect();
            (!parts.is_empty()).then_some(Value::Array(parts))
        }
        (_, []) => Some(value.clone()),
        (Value::Object(object), [Step::Member(name), rest @ ..]) => {
            let member = part(object.get(*name)?, rest)?;
            Some(Value::Object(Map::from_iter([((*name).to_owned(), member)])))
        }
        _ => None,
    }
}

/// The typed names of a choice element of which the profile speaks, and where it does.
fn typed_children<'n>(
    node: &'n Node,
    base: &str,
    properties: &'n [String],
) -> Vec<(&'n String, &'n Node)> {
    let whole = node.child(&format!("{base}[x]"));
    let is_said = |child: &Node, name: &str| {
        let typed = |kind: &ElementType| choice_property(base, &kind.code) == name;
        child.rules.types.is_empty() || child.rules.types.iter().any(typed)
    };
    let mut found = Vec::new();
    for name in properties {
        let slice = whole.and_then(|w| w.slices.iter().find(|slice| slice.name == *name));
        let child = node.child(name).or(slice).or(whole.filter(|child| is_said(child, name)));
        found.extend(child.map(|child| (name, child)));
    }
    found
}

/// `has` where the element must be there, its contrary where it must not.
fn presence(node: &Node, has: Value) -> Option<Value> {
    match (node.rules.min, node.rules.max) {
        (_, Some(Max::Times(0))) => Some(json!({ "not": has })),
        (Some(1..), _) => Some(has),
        _ => None,
    }
}

/// The url of an extension slice: as said, or from the profile on its type.
fn extension_url(slice: &Node) -> Option<&str> {
    if let Some(url) = slice.child("url").and_then(|n| n.rules.fixed.as_ref()) {
        return url.as_str();
    }
    let profile = slice.rules.types.first()?.profiles.first()?;
    profile.split('|').next()
}

fn steps(path: &str) -> Vec<Step<'_>> {
    let mut steps = Vec::new();
    let mut rest = path;
    while !rest.is_empty() {
        // Dots inside a function's argument do not part steps.
        let end = match rest.find(['.', '(']) {
            Some(at) if rest[at..].starts_with('(') => {
                rest.find(')').map_or(rest.len(), |at| at + 1)
            }
            Some(at) => at,
            None => rest.len(),
        };
        let (step, tail) = rest.split_at(end);
        rest = tail.strip_prefix('.').unwrap_or(tail);
        let argument = |name: &str| step.strip_prefix(name)?.strip_prefix('(')?.strip_suffix(')');
        steps.push(match step {
            "$this" => continue,
            "resolve()" => Step::Resolve,
            _ => match (argument("ofType"), argument("extension")) {
                (Some(code), _) => Step::OfType(code),
                (_, Some(url)) => Step::Extension(url.trim_matches(['\'', '"'])),
                _ => Step::Member(step),
            },
        });
    }
    steps
}
