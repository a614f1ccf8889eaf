//! From the discriminators of a slicing to the schema that an item of the slice must meet.
//!
//! Source: <http://hl7.org/fhir/R4/profiling.html#discriminator>.

use serde_json::{Map, Value, json};

use super::Writer;
use crate::definitions::Fault;
use crate::definitions::element::{ElementType, Max, canonical_tail, choice_property};
use crate::definitions::place::Place;
use crate::definitions::snapshot::{Node, Snapshot};

/// One step of a discriminator's path.
enum Step<'a> {
    Resolve,
    OfType(&'a str),
    Extension(&'a str),
    Member(&'a str),
}

/// How many definitions a discriminator may lead through.
const MAX_DEPTH: usize = 8;

/// Where a walk along a discriminator's path stands.
#[derive(Clone, Copy)]
struct At<'a> {
    /// What the profile says here.
    node: Option<&'a Node>,
    /// What the type says here.
    place: Option<&'a Place>,
    /// How many other definitions the walk has gone into.
    depth: usize,
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
            let steps = steps(path).ok_or_else(|| {
                self.fault(slice, &format!("cannot be told apart by {path}, which is no path"))
            })?;
            parts.extend(self.walk(kind, &steps, At { node: Some(slice), place, depth: 0 })?);
        }
        // A slice need not speak of every discriminator, but of one.
        if parts.is_empty() {
            let paths: Vec<&str> = discriminators.iter().map(|(_, path)| path.as_str()).collect();
            let message = format!("does not say by {} what belongs to it", paths.join(", "));
            return Err(self.fault(slice, &message));
        }
        Ok(if parts.len() == 1 { parts.remove(0) } else { json!({ "allOf": parts }) })
    }

    fn walk(&self, kind: &str, steps: &[Step<'_>], at: At<'_>) -> Result<Option<Value>, Fault> {
        // What is said of the whole says it of the part: a pattern on `code` tells `code.coding`.
        let said = at.node.and_then(|n| n.rules.fixed.as_ref().or(n.rules.pattern.as_ref()));
        if let (Some(said), "value" | "pattern", [_, ..]) = (said, kind, steps)
            && let Some(part) = part(said, steps)
        {
            return Ok(Some(json!({ "x-pattern": part })));
        }
        let found = match steps {
            [] => self.here(kind, at)?,
            [Step::Resolve, rest @ ..] => self.resolve(kind, rest, at)?,
            [Step::OfType(_), rest @ ..] => self.walk(kind, rest, at)?,
            [Step::Extension(url), rest @ ..] => self.extension(kind, url, rest, at)?,
            [Step::Member(name), rest @ ..] => self.step(kind, name, rest, at)?,
        };
        match found {
            Some(found) => Ok(Some(found)),
            None => self.by_type_profile(kind, steps, at),
        }
    }

    /// What the profiles on the type of the element say, where the profile itself says nothing.
    fn by_type_profile(
        &self,
        kind: &str,
        steps: &[Step<'_>],
        at: At<'_>,
    ) -> Result<Option<Value>, Fault> {
        let Some(node) = at.node.filter(|_| at.depth < MAX_DEPTH && kind != "profile") else {
            return Ok(None);
        };
        let mut any = Vec::new();
        for profile in node.rules.types.iter().flat_map(|kind| &kind.profiles) {
            if self.definitions.structure(profile)?.is_none() {
                return Ok(None);
            }
            let snapshot = Snapshot::of(self.definitions, profile)?;
            let place = Place::of_type(self.definitions, &snapshot.kind)?;
            let root = Some(&snapshot.root);
            let inner = At { node: root, place: place.as_ref(), depth: at.depth + 1 };
            match self.walk(kind, steps, inner)? {
                Some(found) => any.push(found),
                None => return Ok(None),
            }
        }
        Ok(match any.len() {
            0 => None,
            1 => any.pop(),
            _ => Some(json!({ "anyOf": any })),
        })
    }

    /// A step to the resource that a reference leads to.
    fn resolve(&self, kind: &str, rest: &[Step<'_>], at: At<'_>) -> Result<Option<Value>, Fault> {
        let types = at.node.map(|node| node.rules.types.as_slice()).unwrap_or_default();
        let Some(reference) = types.iter().find(|kind| !kind.targets.is_empty()) else {
            return Ok(None);
        };
        if rest.is_empty() && kind == "type" {
            let names = self.targets(reference)?;
            return Ok(names.map(|names| json!({ "x-target": { "types": names } })));
        }
        if rest.is_empty() && kind == "profile" {
            return Ok(Some(json!({ "x-target": { "profiles": reference.targets } })));
        }
        let mut any = Vec::new();
        for target in reference.targets.iter().filter(|_| at.depth < MAX_DEPTH) {
            if self.definitions.structure(target)?.is_none() {
                return Ok(None);
            }
            let snapshot = Snapshot::of(self.definitions, target)?;
            let place = Place::of_type(self.definitions, &snapshot.kind)?;
            let root = Some(&snapshot.root);
            let inner = At { node: root, place: place.as_ref(), depth: at.depth + 1 };
            let Some(found) = self.walk(kind, rest, inner)? else { return Ok(None) };
            any.push(json!({ "x-target": { "types": [snapshot.kind], "schema": found } }));
        }
        Ok((!any.is_empty()).then(|| json!({ "anyOf": any })))
    }

    /// A step to the extension of that url.
    fn extension(
        &self,
        kind: &str,
        url: &str,
        rest: &[Step<'_>],
        at: At<'_>,
    ) -> Result<Option<Value>, Fault> {
        let slices = at.node.and_then(|n| n.child("extension")).map(|n| n.slices.as_slice());
        let mut found = None;
        for slice in slices.unwrap_or_default() {
            if self.url_of(slice)?.as_deref() == Some(url) {
                found = Some(slice);
            }
        }
        let by_url = json!({ "properties": { "url": { "const": url } }, "required": ["url"] });
        if kind == "exists" && rest.is_empty() {
            let has = json!({ "properties": { "extension": { "contains": by_url } },
                "required": ["extension"] });
            return Ok(found.and_then(|node| presence(node, has)));
        }
        let extension = Place::of_type(self.definitions, "Extension")?;
        let inner = At { node: found, place: extension.as_ref(), depth: at.depth };
        let mut inner = self.walk(kind, rest, inner)?;
        // The definition of the extension may say what the profile does not repeat.
        if inner.is_none() && at.depth < MAX_DEPTH && self.definitions.structure(url)?.is_some() {
            let snapshot = Snapshot::of(self.definitions, url)?;
            let root = Some(&snapshot.root);
            let at = At { node: root, place: extension.as_ref(), depth: at.depth + 1 };
            inner = self.walk(kind, rest, at)?;
        }
        Ok(inner.map(|inner| {
            json!({ "properties": { "extension": { "contains": { "allOf": [by_url, inner] } } },
                "required": ["extension"] })
        }))
    }

    fn step(
        &self,
        kind: &str,
        name: &str,
        rest: &[Step<'_>],
        at: At<'_>,
    ) -> Result<Option<Value>, Fault> {
        let At { node, place, depth } = at;
        if let Some(properties) = place.and_then(|place| place.choice(name)) {
            return self.choice_step(kind, (name, &properties), rest, at);
        }
        let child = node.and_then(|n| n.child(name));
        if kind == "exists" && rest.is_empty() {
            return Ok(child.and_then(|child| presence(child, json!({ "required": [name] }))));
        }
        // An extension's definition is known by its url, even where that is not repeated.
        if let (None, "url", Some(node)) = (child, name, node)
            && let Some(url) = self.url_of(node)?
        {
            let member = Map::from_iter([(name.to_owned(), json!({ "const": url }))]);
            return Ok(Some(json!({ "properties": member, "required": [name] })));
        }
        if child.is_some_and(|child| child.rules.max == Some(Max::Times(0))) {
            return Ok(Some(json!({ "not": { "required": [name] } })));
        }
        let property = place.and_then(|place| place.property(name));
        let below = match (child, &property) {
            (Some(child), property) => self.place_below(child, property.as_ref())?,
            (None, Some(property)) => property.value(self.definitions)?,
            (None, None) => None,
        };
        let inner = |node| At { node, place: below.as_ref(), depth };
        let mut found = self.walk(kind, rest, inner(child))?;
        // An item that must be there in a slice of its own tells as much.
        let slices = child.into_iter().flat_map(|child| &child.slices);
        for slice in slices.filter(|slice| slice.rules.min.unwrap_or(0) > 0) {
            if found.is_none() {
                found = self.walk(kind, rest, inner(Some(slice)))?;
            }
        }
        let Some(found) = found else { return Ok(None) };
        let repeats = property.is_some_and(|p| p.repeats);
        let found = if repeats { json!({ "contains": found }) } else { found };
        let member = Map::from_iter([(name.to_owned(), found)]);
        Ok(Some(json!({ "properties": member, "required": [name] })))
    }

    /// A step into a choice element: the value may stand under any of its typed names.
    fn choice_step(
        &self,
        kind: &str,
        (base, properties): (&str, &[String]),
        rest: &[Step<'_>],
        at: At<'_>,
    ) -> Result<Option<Value>, Fault> {
        let Some(node) = at.node else { return Ok(None) };
        let mut any = Vec::new();
        for (name, child) in typed_children(node, base, properties) {
            if matches!(rest, [Step::OfType(code), ..] if choice_property(base, code) != *name) {
                continue;
            }
            if kind == "type" || kind == "exists" {
                any.push(json!({ "required": [name] }));
                continue;
            }
            let property = at.place.and_then(|place| place.property(name));
            let below = property.map(|p| p.value(self.definitions)).transpose()?.flatten();
            let inner = At { node: Some(child), place: below.as_ref(), depth: at.depth };
            if let Some(inner) = self.walk(kind, rest, inner)? {
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
    fn here(&self, kind: &str, at: At<'_>) -> Result<Option<Value>, Fault> {
        let Some(node) = at.node else { return Ok(None) };
        let rules = &node.rules;
        match kind {
            "type" => {
                let mut names = Vec::new();
                for kind in &rules.types {
                    match kind.code.as_str() {
                        // Any resource, but of the types that the profiles are for.
                        "Resource" => {
                            for profile in &kind.profiles {
                                names.extend(self.type_of(profile)?);
                            }
                        }
                        code => names.push(canonical_tail(code).to_owned()),
                    }
                }
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
                if at.place.is_some_and(Place::is_primitive) {
                    return Ok(None);
                }
                let schema = self.object(&node.children, at.place)?;
                Ok((!schema.is_empty()).then_some(Value::Object(schema)))
            }
        }
    }

    /// The type that a profile is for: a core type's own canonical, or that of a held profile.
    fn type_of(&self, profile: &str) -> Result<Option<String>, Fault> {
        let tail = canonical_tail(profile);
        if self.definitions.is_resource(tail) {
            return Ok(Some(tail.to_owned()));
        }
        let held = self.definitions.structure(profile)?;
        Ok(held.and_then(|held| held.get("type")?.as_str().map(str::to_owned)))
    }

    /// The url of an extension slice: as said, or from the profile on its type.
    fn url_of(&self, slice: &Node) -> Result<Option<String>, Fault> {
        if let Some(url) = slice.child("url").and_then(|n| n.rules.fixed.as_ref()) {
            return Ok(url.as_str().map(str::to_owned));
        }
        let kind = slice.rules.types.first().filter(|kind| kind.code == "Extension");
        let Some(profile) = kind.and_then(|kind| kind.profiles.first()) else { return Ok(None) };
        let url = self.extension_url(profile)?;
        Ok(url.or_else(|| profile.split('|').next().map(str::to_owned)))
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
    // Where only slices are spoken of, nothing is said of the other types.
    let says = |whole: &Node| {
        let rules = &whole.rules;
        let is_sliced = !whole.slices.is_empty();
        !is_sliced || !rules.types.is_empty() || rules.fixed.is_some() || rules.pattern.is_some()
    };
    let mut found = Vec::new();
    for name in properties {
        let is_of = |slice: &&Node| {
            slice.name == *name || !slice.rules.types.is_empty() && is_said(slice, name)
        };
        let slice = whole.and_then(|whole| whole.slices.iter().find(is_of));
        let child = slice.or(whole.filter(|whole| says(whole) && is_said(whole, name)));
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

/// The steps of a path; none where it has something that the restricted FHIRPath of discriminators
/// does not.
fn steps(path: &str) -> Option<Vec<Step<'_>>> {
    let mut steps = Vec::new();
    let mut rest = path;
    while !rest.is_empty() {
        // Dots inside a function's argument do not part steps.
        let end = match rest.find(['.', '(']) {
            Some(at) if rest.get(at..)?.starts_with('(') => rest.find(')')? + 1,
            Some(at) => at,
            None => rest.len(),
        };
        let (step, tail) = rest.split_at(end);
        rest = match tail.strip_prefix('.') {
            Some(rest) => rest,
            None if tail.is_empty() => tail,
            None => return None,
        };
        let argument = |name: &str| step.strip_prefix(name)?.strip_prefix('(')?.strip_suffix(')');
        steps.push(match step {
            "$this" => continue,
            "resolve()" => Step::Resolve,
            _ => match (argument("ofType"), argument("extension")) {
                (Some(code), _) => Step::OfType(code),
                (_, Some(url)) => Step::Extension(url.trim_matches(['\'', '"'])),
                _ if step.contains('(') || step.is_empty() => return None,
                _ => Step::Member(step.strip_suffix("[x]").unwrap_or(step)),
            },
        });
    }
    Some(steps)
}
