//! The definitions that the server obeys: what is under `schemas/`, found by name or canonical.
//!
//! Loading is cheap: files are sorted by what they are, and a document is parsed when somebody asks
//! for it. Nothing here judges a resource (see `validation`), and nothing reads a disk: files come
//! as names and bytes.
//! Source: <http://hl7.org/fhir/R4/conformance-module.html>.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, OnceLock};

use serde_json::Value;

use self::canonical::split;
use crate::fhir::json::At;
use canonical::{Canonical, compare_versions};

pub mod canonical;
pub mod compartment;
pub mod compile;
pub mod element;
pub mod joint;
pub mod model;
pub mod package;
pub mod search_parameter;
#[cfg(test)]
pub(crate) mod source;
pub mod embedded;
mod place;
mod merge;
pub mod profile;
pub mod snapshot;

/// A definition that is not as it must be, and where.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{place}: {message}")]
pub struct Fault {
    /// The file, line or canonical.
    pub place: String,
    /// What is wrong with it.
    pub message: String,
}

impl Fault {
    /// A fault at that place.
    pub fn new(place: impl Into<String>, message: impl Into<String>) -> Self {
        Self { place: place.into(), message: message.into() }
    }
}

/// One JSON document, parsed on first use.
struct Document {
    place: String,
    bytes: Box<[u8]>,
    value: OnceLock<Result<Arc<Value>, Fault>>,
}

impl Document {
    fn new(place: String, bytes: &[u8]) -> Self {
        Self { place, bytes: bytes.into(), value: OnceLock::new() }
    }

    fn parsed(place: String, value: Arc<Value>) -> Self {
        Self { place, bytes: Box::default(), value: OnceLock::from(Ok(value)) }
    }

    fn value(&self) -> Result<Arc<Value>, Fault> {
        let parsed = self.value.get_or_init(|| {
            let value = serde_json::from_slice(&self.bytes);
            value.map(Arc::new).map_err(|e| Fault::new(&self.place, format!("not JSON: {e}")))
        });
        parsed.clone()
    }
}

/// Documents by canonical URL (without version) or, for schemas, by type name.
type Documents = BTreeMap<String, Arc<Document>>;

/// Whose a definition is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Origin {
    /// The standard's.
    Standard,
    /// Ours, under `schemas/profile/` or `schemas/operation/`.
    Own,
    /// Somebody else's, added to ours.
    Added,
}

/// All definitions. A copy shares its documents.
#[derive(Clone, Default)]
pub struct Definitions {
    resources: Documents,
    datatypes: Documents,
    structures: Documents,
    code_systems: Documents,
    value_sets: Documents,
    others: Documents,
    /// Canonical to the path of an authored definition of another kind.
    artefacts: BTreeMap<String, String>,
}

impl Definitions {
    /// Takes the files of `schemas/`: pairs of path under it and content.
    ///
    /// # Errors
    /// [`Fault`] for an authored file that is not JSON or lacks its `url`, and for a canonical that
    /// is defined twice.
    pub fn load<'a>(files: impl Iterator<Item = (&'a str, &'a [u8])>) -> Result<Self, Fault> {
        let mut definitions = Self::default();
        for (path, bytes) in files {
            definitions.add(path, bytes)?;
        }
        Ok(definitions)
    }

    /// The definitions in the binary.
    ///
    /// # Errors
    /// As [`Definitions::load`].
    pub fn embedded() -> Result<Self, Fault> {
        Self::load(embedded::files())
    }

    fn add(&mut self, path: &str, bytes: &[u8]) -> Result<(), Fault> {
        let stem =
            path.rsplit('/').next().and_then(|name| name.rsplit_once('.')).unwrap_or((path, ""));
        match (path.split('/').next().unwrap_or(path), stem) {
            ("resource", (name, "json")) => insert(&mut self.resources, name, path, bytes),
            ("datatype", (name, "json")) => insert(&mut self.datatypes, name, path, bytes),
            ("code-system", (_, "ndjson")) => lines(&mut self.code_systems, path, bytes),
            ("value-set", (_, "ndjson")) => lines(&mut self.value_sets, path, bytes),
            ("structure-definition", (_, "ndjson")) => lines(&mut self.structures, path, bytes),
            ("profile", (_, "json")) => self.add_authored(path, bytes),
            _ => insert(&mut self.others, path, path, bytes),
        }
    }

    /// A definition in its published form, as authored by us or stored by a user.
    fn add_authored(&mut self, path: &str, bytes: &[u8]) -> Result<(), Fault> {
        let document = Document::new(path.to_owned(), bytes);
        let value = document.value()?;
        let list = match value.at("resourceType").as_str() {
            Some("StructureDefinition") => &mut self.structures,
            Some("CodeSystem") => &mut self.code_systems,
            Some("ValueSet") => &mut self.value_sets,
            _ => {
                if let Some(url) = value.at("url").as_str() {
                    self.artefacts.insert(url.to_owned(), path.to_owned());
                }
                return insert(&mut self.others, path, path, bytes);
            }
        };
        let url = value.at("url").as_str().ok_or(Fault::new(path, "has no url"))?;
        insert_document(list, url, document)
    }

    /// The JSON Schema of a resource type.
    ///
    /// # Errors
    /// [`Fault`] if the file is not JSON.
    pub fn resource_schema(&self, kind: &str) -> Result<Option<Arc<Value>>, Fault> {
        self.resources.get(kind).map(|held| held.value()).transpose()
    }

    /// The JSON Schema of a data type.
    ///
    /// # Errors
    /// [`Fault`] if the file is not JSON.
    pub fn datatype_schema(&self, name: &str) -> Result<Option<Arc<Value>>, Fault> {
        self.datatypes.get(name).map(|held| held.value()).transpose()
    }

    /// The JSON Schema of a resource type or data type.
    ///
    /// # Errors
    /// [`Fault`] if the file is not JSON.
    pub fn type_schema(&self, name: &str) -> Result<Option<Arc<Value>>, Fault> {
        match self.resource_schema(name)? {
            Some(schema) => Ok(Some(schema)),
            None => self.datatype_schema(name),
        }
    }

    /// The names of all types that have a schema, resource types first.
    pub fn type_names(&self) -> impl Iterator<Item = &str> {
        self.resources.keys().chain(self.datatypes.keys()).map(String::as_str)
    }

    /// Whether the name is that of a resource type.
    pub fn is_resource(&self, name: &str) -> bool {
        self.resources.contains_key(name)
    }

    /// The StructureDefinition (profile or extension) of a canonical. Where the canonical names a
    /// version, the definition must not be of another.
    ///
    /// # Errors
    /// [`Fault`] if the document is not JSON.
    pub fn structure(&self, canonical: &str) -> Result<Option<Arc<Value>>, Fault> {
        let (url, version) = split(canonical);
        let pinned = version.and_then(|_| self.structures.get(canonical));
        let Some(document) = pinned.or_else(|| self.structures.get(url)) else {
            return Ok(None);
        };
        let value = document.value()?;
        let held = value.at("version").as_str();
        Ok((version.is_none() || held.is_none() || version == held).then_some(value))
    }

    /// These and the profiles and extensions of others. Where several have one URL, the bare URL
    /// means the latest version, and the others are found with their version only.
    #[must_use]
    pub fn with<'a>(&self, added: impl Iterator<Item = &'a Canonical>) -> Self {
        let mut all = self.clone();
        let mut latest: BTreeMap<&str, &Canonical> = BTreeMap::new();
        for definition in added {
            let older = match latest.entry(&definition.url) {
                Entry::Vacant(place) => {
                    place.insert(definition);
                    continue;
                }
                Entry::Occupied(mut held) => {
                    let versions = (definition.version.as_deref(), held.get().version.as_deref());
                    match compare_versions(versions.0, versions.1).is_gt() {
                        true => held.insert(definition),
                        false => definition,
                    }
                }
            };
            let key = format!("{}|{}", older.url, older.version.as_deref().unwrap_or_default());
            all.structures.insert(key.clone(), added_document(&key, older));
        }
        for (url, definition) in latest {
            all.structures.insert(url.to_owned(), added_document(url, definition));
        }
        all
    }

    /// Whose the definition of that type and canonical is, and its version; none where there is no
    /// such definition.
    ///
    /// # Errors
    /// [`Fault`] if the document is not JSON.
    pub fn origin(&self, kind: &str, url: &str) -> Result<Option<(Origin, Option<String>)>, Fault> {
        let list = match kind {
            "StructureDefinition" if is_core_type(self, url) => {
                return Ok(Some((Origin::Standard, Some(R4.to_owned()))));
            }
            "StructureDefinition" => &self.structures,
            "CodeSystem" => &self.code_systems,
            "ValueSet" => &self.value_sets,
            _ => return Ok(None),
        };
        let Some(document) = list.get(url) else { return Ok(None) };
        let version = document.value()?.at("version").as_str().map(str::to_owned);
        let origin = match document.place.split('/').next() {
            Some("profile") => Origin::Own,
            Some(ADDED) => Origin::Added,
            _ => Origin::Standard,
        };
        Ok(Some((origin, version)))
    }

    /// Our own definitions, in the form in which they are published.
    ///
    /// # Errors
    /// [`Fault`] if a document is not JSON.
    pub fn own(&self) -> Result<Vec<Arc<Value>>, Fault> {
        let lists = [&self.structures, &self.code_systems, &self.value_sets, &self.others];
        let documents = lists.into_iter().flat_map(|list| list.values());
        let own = documents.filter(|document| {
            ["profile/", "operation/"].iter().any(|start| document.place.starts_with(start))
        });
        own.map(|document| document.value()).collect()
    }

    /// The canonicals of all profiles and extensions.
    pub fn structure_urls(&self) -> impl Iterator<Item = &str> {
        self.structures.keys().map(String::as_str)
    }

    /// Those URLs, and those of the profiles and extensions that are made with the help of them:
    /// that rest on one, or name one as the profile of a value, an extension or a target.
    ///
    /// # Errors
    /// [`Fault`] if a document is not JSON.
    pub fn dependents(&self, changed: &BTreeSet<String>) -> Result<BTreeSet<String>, Fault> {
        // Nothing that the standard publishes rests on what is not the standard's.
        let movable = self.structures.iter().filter(|(_, document)| {
            ["profile", ADDED].iter().any(|s| document.place.starts_with(s))
        });
        let mut named = Vec::new();
        for (key, document) in movable {
            let mut urls = BTreeSet::new();
            canonicals(&*document.value()?, &mut urls);
            named.push((split(key).0, urls));
        }
        let mut all = changed.clone();
        loop {
            let more: Vec<&str> = named
                .iter()
                .filter(|(url, urls)| !all.contains(*url) && !urls.is_disjoint(&all))
                .map(|(url, _)| *url)
                .collect();
            if more.is_empty() {
                return Ok(all);
            }
            all.extend(more.into_iter().map(str::to_owned));
        }
    }

    /// The code system of that URL.
    ///
    /// # Errors
    /// [`Fault`] if the document is not JSON.
    pub fn code_system(&self, url: &str) -> Result<Option<Arc<Value>>, Fault> {
        // Some published URLs have a bar of their own (v2 tables by version).
        let held = self.code_systems.get(url).or_else(|| self.code_systems.get(split(url).0));
        held.map(|held| held.value()).transpose()
    }

    /// The URLs of all code systems.
    pub fn code_system_urls(&self) -> impl Iterator<Item = &str> {
        self.code_systems.keys().map(String::as_str)
    }

    /// The value set of that canonical, whatever version it names.
    ///
    /// # Errors
    /// [`Fault`] if the document is not JSON.
    pub fn value_set(&self, canonical: &str) -> Result<Option<Arc<Value>>, Fault> {
        self.value_sets.get(split(canonical).0).map(|held| held.value()).transpose()
    }

    /// The URLs of all value sets.
    pub fn value_set_urls(&self) -> impl Iterator<Item = &str> {
        self.value_sets.keys().map(String::as_str)
    }

    /// The authored definition of another kind (a Questionnaire, a Measure) with that canonical.
    /// Where the canonical names a version, the definition must not be of another.
    pub fn artefact(&self, canonical: &str) -> Option<Arc<Value>> {
        let (url, version) = split(canonical);
        let value = self.others.get(self.artefacts.get(url)?)?.value().ok()?;
        let held = value.at("version").as_str();
        (version.is_none() || held.is_none() || version == held).then_some(value)
    }

    /// Every other file (search parameters, models, operations), by its path under `schemas/`.
    pub fn others(&self) -> impl Iterator<Item = (&str, &[u8])> {
        self.others.iter().map(|(path, document)| (path.as_str(), &*document.bytes))
    }
}

/// The canonicals of profiles that the value names, without versions.
fn canonicals(value: &Value, urls: &mut BTreeSet<String>) {
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                match (name.as_str(), value) {
                    ("baseDefinition", Value::String(url)) => {
                        urls.insert(split(url).0.to_owned());
                    }
                    ("profile" | "targetProfile", Value::Array(list)) => {
                        let listed = list.iter().filter_map(Value::as_str);
                        urls.extend(listed.map(|url| split(url).0.to_owned()));
                    }
                    // A discriminator may lead through what an extension's definition says.
                    ("path", Value::String(path)) => {
                        let through = path.split("extension('").skip(1);
                        let named = through.filter_map(|rest| rest.split_once('\''));
                        urls.extend(named.map(|(url, _)| split(url).0.to_owned()));
                    }
                    _ => canonicals(value, urls),
                }
            }
        }
        Value::Array(list) => list.iter().for_each(|item| canonicals(item, urls)),
        _ => {}
    }
}

/// The folder that definitions of others are said to be in.
const ADDED: &str = "stored";

/// The version of the standard.
const R4: &str = "4.0.1";

fn added_document(key: &str, definition: &Canonical) -> Arc<Document> {
    Arc::new(Document::parsed(format!("{ADDED}/{key}"), Arc::clone(&definition.value)))
}

/// Whether that is the canonical of a type of the standard, abstract ones included.
fn is_core_type(definitions: &Definitions, url: &str) -> bool {
    let name = url.strip_prefix("http://hl7.org/fhir/StructureDefinition/");
    name.is_some_and(|name| {
        definitions.is_resource(name)
            || definitions.datatypes.contains_key(name)
            || ["Resource", "DomainResource"].contains(&name)
    })
}

fn insert(list: &mut Documents, key: &str, path: &str, bytes: &[u8]) -> Result<(), Fault> {
    insert_document(list, key, Document::new(path.to_owned(), bytes))
}

fn insert_document(list: &mut Documents, key: &str, document: Document) -> Result<(), Fault> {
    match list.entry(key.to_owned()) {
        Entry::Vacant(place) => {
            place.insert(Arc::new(document));
            Ok(())
        }
        Entry::Occupied(held) => {
            let message = format!("{key} is defined in {} already", held.get().place);
            Err(Fault::new(document.place, message))
        }
    }
}

/// One document a line; each starts with its url, so that no line is parsed before it is needed.
fn lines(list: &mut Documents, path: &str, bytes: &[u8]) -> Result<(), Fault> {
    for (number, line) in bytes.split(|byte| *byte == b'\n').enumerate() {
        if line.is_empty() {
            continue;
        }
        let place = format!("{path}:{}", number + 1);
        let url =
            line.strip_prefix(br#"{"url":""#).and_then(|rest| rest.split(|b| *b == b'"').next());
        let url = url.and_then(|url| std::str::from_utf8(url).ok());
        let url = url.ok_or_else(|| Fault::new(&place, "does not start with its url"))?;
        insert(list, url, &place, line)?;
    }
    Ok(())
}
