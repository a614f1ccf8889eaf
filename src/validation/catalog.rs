//! Definitions in, compiled schemas out: one for each type and profile, made on first use.
//!
//! Types refer to one another by name and not by copy, so that each is compiled once however often
//! it is used.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use serde_json::{Map, Value};

use super::fhirpath::Kind;
use super::quick::Table;
use super::usage::Usage;
use super::{keyword, standing};
use crate::definitions::element::canonical_tail;
use crate::definitions::{Definitions, Fault, profile};
use crate::fhir::json::At;
use crate::terminology::Terminology;

/// All types and profiles.
pub(super) struct Catalog {
    definitions: Arc<Definitions>,
    pub(super) terminology: Arc<Terminology>,
    types: Arc<Table<String, usize>>,
    profiles: Table<String, usize>,
    slots: Vec<Arc<Slot>>,
    /// A number that no other catalog has.
    pub(super) generation: u64,
}

fn new_generation() -> u64 {
    static NEXT: AtomicU64 = AtomicU64::new(1);
    NEXT.fetch_add(1, Ordering::Relaxed)
}

/// A type or profile, and its schema once it has been needed. Catalogs that have the same
/// definition of it share it.
struct Slot {
    name: String,
    is_profile: bool,
    compiled: OnceLock<Result<Compiled, String>>,
}

impl Slot {
    fn new(name: &str, is_profile: bool) -> Self {
        Self { name: name.to_owned(), is_profile, compiled: OnceLock::new() }
    }
}

/// A schema ready for use.
pub(super) struct Compiled {
    pub(super) validator: jsonschema::Validator,
    pub(super) context: Arc<Context>,
    /// The type that a profile is for.
    pub(super) kind: Option<String>,
}

impl Compiled {
    /// Whether the profile is for resources of that type.
    pub(super) fn is_for(&self, kind: Option<&str>) -> bool {
        match self.kind.as_deref() {
            Some("Resource") => kind.is_some(),
            Some("DomainResource") => {
                kind.is_some_and(|kind| !["Bundle", "Binary", "Parameters"].contains(&kind))
            }
            held => held == kind,
        }
    }
}

/// What is known of the schema that a keyword stands in.
#[derive(Clone, Default)]
pub(super) struct Context {
    /// From the JSON names of choice elements to the element's name: `valueQuantity` to `value`.
    pub(super) choices: HashMap<String, String>,
    /// The name of the type, or the canonical of the profile, that the schema is of.
    pub(super) name: String,
    /// The profile that the schema is of.
    pub(super) profile: Option<String>,
    /// Where it may be used, if it is that of an extension.
    pub(super) usage: Option<Arc<Usage>>,
    /// The type of the values that the schema is for.
    pub(super) start: Option<Kind>,
    /// Names that are no choice elements, however they look.
    plain: HashSet<String>,
    types: Arc<Table<String, usize>>,
}

impl Context {
    /// The type of the values at that place of the schema.
    pub(super) fn kind_at(&self, location: &str) -> Option<Kind> {
        let mut kind = self.start;
        let mut steps = location.split('/');
        while let Some(step) = steps.next() {
            kind = match step {
                "$defs" => Kind::of(steps.next()?),
                "properties" => kind?.json(steps.next()?),
                _ => kind,
            };
        }
        kind
    }

    /// The position of a type in the catalog.
    pub(super) fn type_at(&self, name: &str) -> Option<usize> {
        self.types.get(name).copied()
    }

    /// Whether the JSON name is that of the choice element `base`, here or in a type further down.
    pub(super) fn is_choice(&self, name: &str, base: &str) -> bool {
        match self.choices.get(name) {
            Some(held) => held == base,
            None => self.is_typed(name, base) && !self.plain.contains(name),
        }
    }

    /// Whether the JSON name is that of a choice element in some type: `valueQuantity` of `value`.
    pub(super) fn is_typed(&self, name: &str, base: &str) -> bool {
        let Some(kind) = name.strip_prefix(base) else { return false };
        let mut chars = kind.chars();
        let Some(first) = chars.next().filter(char::is_ascii_uppercase) else { return false };
        let primitive = || first.to_ascii_lowercase().to_string() + chars.as_str();
        self.types.contains_key(kind) || self.types.contains_key(&primitive())
    }
}

impl Catalog {
    pub(super) fn new(definitions: Arc<Definitions>, terminology: Arc<Terminology>) -> Self {
        let mut slots = Vec::new();
        let mut add = |name: &str, is_profile| {
            slots.push(Arc::new(Slot::new(name, is_profile)));
            (name.to_owned(), slots.len() - 1)
        };
        let types = definitions.type_names().map(|name| add(name, false)).collect();
        let profiles = definitions.structure_urls().map(|url| add(url, true)).collect();
        let (types, generation) = (Arc::new(types), new_generation());
        Self { definitions, terminology, types, profiles, slots, generation }
    }

    /// The catalog of other definitions, which differ from these in the `changed` profiles and in
    /// those alone; what is compiled of the others is shared.
    pub(super) fn next(
        &self,
        definitions: Arc<Definitions>,
        terminology: Arc<Terminology>,
        changed: &BTreeSet<String>,
    ) -> Self {
        // Compiled schemas know types by their positions, so those stay.
        let mut slots: Vec<_> = self.slots.iter().take(self.types.len()).cloned().collect();
        let mut profiles = Table::default();
        for key in definitions.structure_urls() {
            let url = key.split('|').next().unwrap_or(key);
            let held = self.profiles.get(key).filter(|_| !changed.contains(url));
            let shared = held.and_then(|at| self.slots.get(*at)).cloned();
            slots.push(shared.unwrap_or_else(|| Arc::new(Slot::new(key, true))));
            profiles.insert(key.to_owned(), slots.len() - 1);
        }
        let (types, generation) = (Arc::clone(&self.types), new_generation());
        Self { definitions, terminology, types, profiles, slots, generation }
    }

    /// The compiled schema at that position.
    pub(super) fn compiled(&self, at: usize) -> Result<&Compiled, &str> {
        let slot = self.slots.get(at).ok_or("no such definition")?;
        let compiled = slot.compiled.get_or_init(|| self.compile(slot));
        compiled.as_ref().map_err(String::as_str)
    }

    /// The position of a resource type.
    pub(super) fn resource(&self, name: &str) -> Option<usize> {
        let at = self.types.get(name).copied()?;
        self.definitions.is_resource(name).then_some(at)
    }

    /// The position of a profile or extension; a version that the canonical names must be the one
    /// that is held.
    pub(super) fn profile(&self, canonical: &str) -> Option<usize> {
        if let Some(at) = self.profiles.get(canonical) {
            return Some(*at);
        }
        let url = canonical.split('|').next().unwrap_or(canonical);
        let at = self.profiles.get(url).copied()?;
        matches!(self.definitions.structure(canonical), Ok(Some(_))).then_some(at)
    }

    /// Whether the canonical is that of a profile or type that is held, abstract ones included.
    pub(super) fn is_defined(&self, canonical: &str) -> bool {
        let tail = canonical_tail(canonical);
        let is_abstract = ["Resource", "DomainResource"].contains(&tail);
        self.profile(canonical).is_some() || is_abstract || self.types.contains_key(tail)
    }

    /// What is wrong with a profile that need not be held.
    pub(super) fn faults_of(&self, definition: &Arc<Value>) -> Vec<Fault> {
        profile::faults(&self.definitions, definition)
    }

    /// The definition of another kind (a Questionnaire, a Measure) with that canonical.
    pub(super) fn artefact(&self, canonical: &str) -> Option<Arc<Value>> {
        self.definitions.artefact(canonical)
    }

    /// Whether the canonical is that of a profile, a value set or a code system.
    pub(super) fn is_other_definition(&self, canonical: &str) -> bool {
        self.profile(canonical).is_some()
            || self.terminology.value_set(canonical).is_some()
            || self.terminology.code_system(canonical).is_some()
    }

    /// The name of what is at that position.
    pub(super) fn name(&self, at: usize) -> &str {
        self.slots.get(at).map_or("", |slot| &slot.name)
    }

    /// Compiles a type and all types that it refers to.
    pub(super) fn warm(&self, name: &str) {
        let mut seen = HashSet::new();
        let mut todo = vec![name.to_owned()];
        while let Some(name) = todo.pop() {
            if let Some(at) = self.types.get(&name) {
                // A fault is told to whoever uses the type.
                self.compiled(*at).ok();
            }
            if let Ok(Some(schema)) = self.definitions.type_schema(&name)
                && seen.insert(name)
            {
                let mut names = Vec::new();
                references(&schema, &mut names);
                todo.extend(names.into_iter().filter(|name| !seen.contains(name)));
            }
        }
    }

    /// Compiles everything; answers what cannot be.
    pub(super) fn faults(&self) -> Vec<String> {
        let fault = |at| Some(format!("{}: {}", self.name(at), self.compiled(at).err()?));
        (0..self.slots.len()).filter_map(fault).collect()
    }

    fn compile(&self, slot: &Slot) -> Result<Compiled, String> {
        let schema = if slot.is_profile {
            profile::schema(&self.definitions, &slot.name).map(Some)
        } else {
            self.definitions.type_schema(&slot.name).map(|s| s.map(|s| (*s).clone()))
        };
        let mut schema = schema.map_err(|fault| fault.to_string())?.ok_or("no such type")?;
        let mut context = Context { types: Arc::clone(&self.types), ..Context::default() };
        context.name.clone_from(&slot.name);
        context.profile = slot.is_profile.then(|| slot.name.clone());
        context.usage = Usage::parse(schema.at("x-usage"), &slot.name).map(Arc::new);
        if !slot.is_profile {
            standing::mark(&mut schema, &slot.name);
        }
        context.start = Kind::of(schema.at("x-constrains").as_str().unwrap_or(&slot.name));
        collect_names(&schema, &mut context);
        let kind = schema.at("x-constrains").as_str().map(str::to_owned);
        let base = kind.as_deref().map(|kind| self.definitions.type_schema(kind)).transpose();
        if let Some(base) = base.map_err(|fault| fault.to_string())?.flatten() {
            collect_names(&base, &mut context);
        }
        link(&mut schema);
        let context = Arc::new(context);
        let validator = keyword::options(&context).build(&schema);
        let validator =
            validator.map_err(|error| format!("{} at {}", error.masked(), error.schema_path()))?;
        Ok(Compiled { validator, context, kind })
    }
}

/// The names of choice elements, from `x-choice` of types and `x-choices` of profiles, and the
/// other names.
fn collect_names(schema: &Value, context: &mut Context) {
    let choices = &mut context.choices;
    let backbones = schema.at("$defs").as_object().into_iter().flat_map(Map::values);
    for object in backbones.chain([schema]) {
        for (base, names) in object.at("x-choice").as_object().into_iter().flatten() {
            let names = names.as_array().into_iter().flatten().filter_map(Value::as_str);
            choices.extend(names.map(|name| (name.to_owned(), base.clone())));
        }
    }
    for (name, base) in schema.at("x-choices").as_object().into_iter().flatten() {
        choices.extend(base.as_str().map(|base| (name.clone(), base.to_owned())));
    }
    let backbones = schema.at("$defs").as_object().into_iter().flat_map(Map::values);
    if schema.get("x-constrains").is_none() {
        for object in backbones.chain([schema]) {
            let names = object.at("properties").as_object().into_iter().flat_map(Map::keys);
            let plain = names.filter(|name| !choices.contains_key(name.as_str()));
            context.plain.extend(plain.cloned());
        }
    }
}

/// Turns references to other documents into `x-type`, and `anyOf` of something and null into what
/// may be null.
fn link(schema: &mut Value) {
    match schema {
        Value::Object(object) => {
            let nullable = object.get("anyOf").and_then(Value::as_array).is_some_and(
                |list| matches!(list.as_slice(), [_, null] if null.at("type") == "null"),
            );
            if nullable
                && let Some(Value::Array(mut list)) = object.remove("anyOf")
                && let Value::Object(value) = list.swap_remove(0)
            {
                object.extend(value);
                object.insert("x-nullable".into(), Value::Bool(true));
            }
            if let Some(name) = other_document(object).map(str::to_owned) {
                object.remove("$ref");
                object.insert("x-type".into(), Value::String(name));
            }
            object.values_mut().for_each(link);
        }
        Value::Array(list) => list.iter_mut().for_each(link),
        _ => {}
    }
}

/// The type behind the `$ref` of a schema, if it is in another document.
fn other_document(object: &Map<String, Value>) -> Option<&str> {
    let target = object.get("$ref")?.as_str()?;
    (!target.starts_with('#')).then(|| profile::type_name(target))
}

/// The types that a schema refers to.
fn references(schema: &Value, names: &mut Vec<String>) {
    match schema {
        Value::Object(object) => {
            names.extend(other_document(object).map(str::to_owned));
            object.values().for_each(|value| references(value, names));
        }
        Value::Array(list) => list.iter().for_each(|value| references(value, names)),
        _ => {}
    }
}
