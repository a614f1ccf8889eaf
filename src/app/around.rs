//! What rules may look at beyond the resource that is held to them: what is stored, and the time.
//!
//! A resource is found by type and id, by its URL on this server, or by its canonical; of several
//! versions of a definition it is the latest, unless one is named. What the same request is about to
//! write counts as stored, what it deletes does not. Nothing is looked for before a rule asks, and
//! nothing is ever fetched from elsewhere.
//! Source: <http://hl7.org/fhir/R4/references.html#literal>,
//! <http://hl7.org/fhir/R4/references.html#canonical>.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use serde_json::Value;

use super::{App, Held, Standard};
use crate::definitions::canonical::compare_versions;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType, VersionId};
use crate::repository::{self, Error, key};
use crate::store::{Store, View};
use crate::validation::{Around, Outside};

/// What belongs to the request that a resource came with.
pub struct Beside {
    now: Instant,
    /// What the request writes; none for what it deletes.
    own: HashMap<(ResourceType, Id), Option<Arc<Value>>>,
}

impl Beside {
    /// A request at that time, which writes nothing so far.
    pub fn at(now: Instant) -> Self {
        Self { now, own: HashMap::new() }
    }

    /// It writes that resource under that id.
    pub fn write(&mut self, id: &Id, resource: &Resource) {
        self.own.insert((resource.kind(), id.clone()), Some(resource.shared()));
    }

    /// It deletes that resource.
    pub fn delete(&mut self, kind: ResourceType, id: &Id) {
        self.own.insert((kind, id.clone()), None);
    }
}

impl App {
    /// Runs `work` with what rules may look at.
    ///
    /// # Errors
    /// [`Error`] when the store failed or was found damaged where a rule looked.
    pub fn looking<R>(
        &self,
        held: &Held,
        beside: &Arc<Beside>,
        work: impl FnOnce(&Around) -> R,
    ) -> Result<R, Error> {
        let shelf = Shelf {
            store: Arc::clone(&self.store),
            standard: Arc::clone(&held.standard),
            base: Arc::clone(&self.base),
            beside: Arc::clone(beside),
        };
        let failed = Arc::new(Mutex::new(None));
        let failure = Arc::clone(&failed);
        let outside: Arc<Outside> = Arc::new(move |text: &str| {
            shelf.find(text).unwrap_or_else(|error| {
                *failure.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
                None
            })
        });
        let answer = work(&Around { outside: Some(outside), now: Some(beside.now) });
        let failure = failed.lock().unwrap_or_else(PoisonError::into_inner).take();
        failure.map_or(Ok(answer), Err)
    }
}

/// Where resources are looked for.
struct Shelf {
    store: Arc<dyn Store>,
    standard: Arc<Standard>,
    base: Arc<str>,
    beside: Arc<Beside>,
}

/// The search parameter by whose rows canonicals are found.
const URL: &str = "url";

impl Shelf {
    /// The resource of that literal reference or canonical.
    fn find(&self, text: &str) -> Result<Option<Arc<Value>>, Error> {
        let (url, version) = match text.split_once('|') {
            Some((url, version)) => (url, Some(version)),
            None => (text, None),
        };
        match Reference::parse(url) {
            Reference::Resource { base, kind, id, version: number } => {
                if base.as_deref().is_none_or(|base| *base == *self.base) {
                    let found = self.by_id(kind, &id, number)?;
                    if let Some(found) = found.filter(|found| is_version(found, version)) {
                        return Ok(Some(found));
                    }
                }
                // What has the form of a resource's URL may be the canonical of a definition.
                if base.is_none() || !self.has_canonicals(kind) {
                    return Ok(None);
                }
                self.by_canonical(url, version)
            }
            Reference::Url(_) | Reference::Urn(_) => self.by_canonical(url, version),
            _ => Ok(None),
        }
    }

    fn by_id(
        &self,
        kind: ResourceType,
        id: &Id,
        number: Option<VersionId>,
    ) -> Result<Option<Arc<Value>>, Error> {
        let own = self.beside.own.get(&(kind, id.clone()));
        if let (Some(own), None) = (own, number) {
            return Ok(own.clone());
        }
        let view = self.store.view()?;
        let stored = match number {
            Some(number) => repository::version(&*view, kind, id, number)?,
            None => repository::current(&*view, kind, id)?,
        };
        stored.and_then(|stored| stored.body).map(|body| parse(&body)).transpose()
    }

    fn has_canonicals(&self, kind: ResourceType) -> bool {
        self.standard.parameters.get(kind, URL).is_some()
    }

    /// The definition of that canonical, the latest version where none is named.
    fn by_canonical(&self, url: &str, version: Option<&str>) -> Result<Option<Arc<Value>>, Error> {
        let own = self.beside.own.values().flatten();
        let own = own.filter(|value| value.at("url") == url).cloned();
        let mut found: Vec<Arc<Value>> = own.collect();
        let view = self.store.view()?;
        for kind in ResourceType::all().filter(|kind| self.has_canonicals(*kind)) {
            found.extend(self.stored(&*view, kind, url)?);
        }
        found.retain(|value| is_version(value, version));
        let version = |value: &Arc<Value>| value.at("version").as_str().map(str::to_owned);
        Ok(found.into_iter().max_by(|one, other| {
            compare_versions(version(one).as_deref(), version(other).as_deref())
        }))
    }

    /// The definitions of that type with that canonical which the request leaves as they are.
    fn stored(
        &self,
        view: &dyn View,
        kind: ResourceType,
        url: &str,
    ) -> Result<Vec<Arc<Value>>, Error> {
        let mut found = Vec::new();
        for row in view.scan(key::index_range(kind, URL, &[url.as_bytes()], &[])) {
            let (_, id) = key::index_parts(&row?.key).ok_or(Error::Damaged(key::INDEX))?;
            if self.beside.own.contains_key(&(kind, id.clone())) {
                continue;
            }
            let stored = repository::current(view, kind, &id)?;
            let body = stored.and_then(|stored| stored.body);
            found.extend(body.map(|body| parse(&body)).transpose()?);
        }
        Ok(found)
    }
}

fn parse(body: &[u8]) -> Result<Arc<Value>, Error> {
    serde_json::from_slice(body).map(Arc::new).map_err(|_| Error::Damaged(key::VERSION))
}

/// Whether a definition is of the version that a canonical names. One that says none is of any.
fn is_version(value: &Value, version: Option<&str>) -> bool {
    let held = value.at("version").as_str();
    version.is_none() || held.is_none() || version == held
}
