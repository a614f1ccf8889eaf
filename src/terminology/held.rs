//! What is held: finding it by canonical and version, adding to it, taking from it.
//!
//! Where several versions of a thing were added, its bare canonical means the one added last.
//! Source: <http://hl7.org/fhir/R4/references.html#canonical>.

use std::sync::{Arc, OnceLock};

use serde_json::Value;

use super::supplement::Supplement;
use super::{CodeSystem, ReadSet, Terminology, TerminologyError, ValueSet, implicit, plain};

impl Terminology {
    pub(super) fn held_system(
        &self,
        key: &str,
    ) -> Option<Result<&Arc<CodeSystem>, &TerminologyError>> {
        match self.supplemented.get(key) {
            Some(system) => Some(Ok(system)),
            None => self.original(key),
        }
    }

    /// The system without what supplements add to it.
    pub(super) fn original(
        &self,
        key: &str,
    ) -> Option<Result<&Arc<CodeSystem>, &TerminologyError>> {
        let cell = self.systems.get(key)?;
        let held = cell.get_or_init(|| match self.definitions.code_system(key) {
            Ok(Some(value)) => CodeSystem::read(&value).map(Arc::new),
            Ok(None) => Err(TerminologyError::not_found(format!("{key} is not held here"))),
            Err(fault) => Err(TerminologyError::invalid(fault.to_string())),
        });
        Some(held.as_ref())
    }

    pub(super) fn held_set(&self, key: &str) -> Option<Result<&ReadSet, &TerminologyError>> {
        let cell = self.sets.get(key)?;
        let held = cell.get_or_init(|| match self.definitions.value_set(key) {
            Ok(Some(value)) => Ok(Arc::new((ValueSet::read(&value), value))),
            Ok(None) => Err(TerminologyError::not_found(format!("{key} is not held here"))),
            Err(fault) => Err(TerminologyError::invalid(fault.to_string())),
        });
        Some(held.as_ref())
    }

    /// The code system of that URL and, where given, that version.
    ///
    /// # Errors
    /// [`TerminologyError`] if it is not held, or not in that version, or is broken.
    pub fn find_system(
        &self,
        url: &str,
        version: Option<&str>,
    ) -> Result<&CodeSystem, TerminologyError> {
        let pinned = version.map(|version| format!("{url}|{version}"));
        let held = pinned.and_then(|key| self.held_system(&key)).or_else(|| self.held_system(url));
        let Some(held) = held else {
            return Err(TerminologyError::not_found(format!(
                "the code system {url} is not held here"
            )));
        };
        let system = held.map_err(Clone::clone)?;
        match (version, &system.version) {
            (Some(wanted), Some(held)) if !same_version(wanted, held) => {
                Err(TerminologyError::not_found(format!(
                    "the code system {url} is held in version {held}, not {wanted}"
                )))
            }
            _ => Ok(system),
        }
    }

    /// Whether a system is held in the version that its canonical names; so is one that says no
    /// version, and one that is not held at all, which is told otherwise.
    pub(super) fn holds_version(&self, pinned: &str, url: &str) -> bool {
        let wanted = pinned.strip_prefix(url).and_then(|rest| rest.strip_prefix('|'));
        let held = self.code_system(pinned).and_then(|system| system.version.as_deref());
        match (wanted, held) {
            (Some(wanted), Some(held)) => same_version(wanted, held),
            _ => true,
        }
    }

    /// The resource of a value set, by canonical with version or without.
    ///
    /// # Errors
    /// [`TerminologyError`] if it is not held, or not in that version, or is broken.
    pub fn find_value_set(&self, canonical: &str) -> Result<Arc<Value>, TerminologyError> {
        let (url, version) = match canonical.split_once('|') {
            Some((url, version)) => (url, Some(version)),
            None => (canonical, None),
        };
        let Some(held) = self.held_set(canonical).or_else(|| self.held_set(url)) else {
            return implicit::value_set(self, canonical).map(Arc::new).ok_or_else(|| {
                TerminologyError::not_found(format!("the value set {url} is not held here"))
            });
        };
        let (_, resource) = &**held.map_err(Clone::clone)?;
        match (version, resource["version"].as_str()) {
            (Some(wanted), Some(held)) if !same_version(wanted, held) => {
                Err(TerminologyError::not_found(format!(
                    "the value set {url} is held in version {held}, not {wanted}"
                )))
            }
            _ => Ok(Arc::clone(resource)),
        }
    }

    /// A concept map, by canonical.
    ///
    /// # Errors
    /// [`TerminologyError`] if it is not held.
    pub fn find_concept_map(&self, canonical: &str) -> Result<&Value, TerminologyError> {
        let found = self.maps.get(canonical).or_else(|| self.maps.get(plain(canonical)));
        found.map(|map| &**map).ok_or_else(|| {
            TerminologyError::not_found(format!("the concept map {canonical} is not held here"))
        })
    }

    /// The maps among the definitions; few and small, so they are read at once.
    pub(super) fn add_own_maps(&mut self, is_wanted: impl Fn(&str) -> bool) {
        let files = self.definitions.others().filter(|(path, _)| path.contains("/concept-map-"));
        // One that is not JSON was refused when the definitions were loaded.
        let maps: Vec<Value> = files.filter_map(|(_, b)| serde_json::from_slice(b).ok()).collect();
        for (map, url) in maps.iter().filter_map(|map| Some((map, map["url"].as_str()?))) {
            if is_wanted(url) {
                self.add_concept_map(url, map);
            }
        }
    }

    fn add_concept_map(&mut self, url: &str, map: &Value) {
        let held = Arc::new(map.clone());
        for key in keys(url, map["version"].as_str()) {
            self.maps.insert(key, Arc::clone(&held));
        }
    }

    /// The concept maps, each once, in the order of their canonicals.
    pub(super) fn concept_maps(&self) -> Vec<&Value> {
        let mut maps: Vec<_> = self.maps.iter().filter(|(key, _)| !key.contains('|')).collect();
        maps.sort_by_key(|(key, _)| *key);
        maps.into_iter().map(|(_, map)| &**map).collect()
    }

    /// The URLs of the code systems that are held, sorted.
    pub fn urls(&self) -> Vec<&str> {
        let keys = self.systems.keys().map(String::as_str);
        // A URL may have a bar of its own; what was added without a version is there without one.
        let mut urls: Vec<&str> = keys.filter(|key| !self.is_pinned(key)).collect();
        urls.sort_unstable();
        urls
    }

    fn is_pinned(&self, key: &str) -> bool {
        key.contains('|') && self.systems.contains_key(plain(key))
    }

    /// The versions of a code system that are held, in the order of their names.
    pub fn versions(&self, url: &str) -> Vec<&CodeSystem> {
        let is_of = |key: &&String| *key == url || plain(key) == url;
        let mut keys: Vec<&String> = self.systems.keys().filter(is_of).collect();
        keys.sort_unstable();
        let mut versions: Vec<&CodeSystem> = Vec::new();
        for key in keys {
            if let Some(Ok(system)) = self.held_system(key)
                && !versions.iter().any(|held| held.version == system.version)
            {
                versions.push(system);
            }
        }
        versions.sort_by(|a, b| a.version.cmp(&b.version));
        versions
    }

    pub(super) fn system_of_value_set(&self, url: &str) -> Option<&CodeSystem> {
        let read = self.systems.values().filter_map(OnceLock::get);
        let mut systems = read.filter_map(|held| held.as_deref().ok());
        systems.find(|system| system.value_set.as_deref() == Some(url))
    }

    /// Adds a code system, value set or concept map resource, or puts it in the place of the one with
    /// its canonical. A supplement is applied to the system that it adds to.
    ///
    /// # Errors
    /// [`TerminologyError`] for another resource, one without `url`, and one that is broken.
    pub fn add(&mut self, resource: &Value) -> Result<(), TerminologyError> {
        let url = resource["url"].as_str();
        let kind = resource["resourceType"].as_str().unwrap_or("a value without resourceType");
        match (kind, url) {
            ("CodeSystem" | "ValueSet" | "ConceptMap", None) => {
                Err(TerminologyError::invalid(format!("{kind}.url is missing")))
            }
            ("CodeSystem", Some(_)) => match Supplement::read(resource) {
                Some(supplement) => self.add_supplement(supplement),
                None => self.add_code_system(CodeSystem::read(resource)?),
            },
            ("ValueSet", Some(url)) => {
                let held = Arc::new((ValueSet::read(resource), Arc::new(resource.clone())));
                for key in keys(url, resource["version"].as_str()) {
                    self.sets.insert(key, OnceLock::from(Ok(Arc::clone(&held))));
                }
                Ok(())
            }
            ("ConceptMap", Some(url)) => {
                self.add_concept_map(url, resource);
                Ok(())
            }
            (other, _) => Err(TerminologyError::not_supported(format!(
                "{other} is neither CodeSystem, ValueSet nor ConceptMap"
            ))),
        }
    }

    /// Adds a code system, such as one read from a release.
    ///
    /// # Errors
    /// [`TerminologyError`] where a supplement that is held does not fit it.
    pub fn add_code_system(&mut self, system: CodeSystem) -> Result<(), TerminologyError> {
        let system = Arc::new(system);
        for key in keys(&system.url, system.version.as_deref()) {
            self.systems.insert(key, OnceLock::from(Ok(Arc::clone(&system))));
        }
        self.supplement()
    }

    /// Forgets what was added under that canonical, in all versions; what stood below it, in the
    /// definitions or in the base, is in force again.
    pub fn remove(&mut self, canonical: &str) {
        let url = plain(canonical);
        self.systems.retain(|key, _| plain(key) != url);
        self.sets.retain(|key, _| plain(key) != url);
        self.maps.retain(|key, _| plain(key) != url);
        self.supplements.retain(|supplement| supplement.url != url);
        if let Some(base) = self.base.clone() {
            let is_it = |key: &str| plain(key) == url;
            let systems = base.systems.iter().filter(|(key, _)| is_it(key));
            self.systems.extend(systems.map(|(key, held)| (key.clone(), held.clone())));
            let sets = base.sets.iter().filter(|(key, _)| is_it(key));
            self.sets.extend(sets.map(|(key, held)| (key.clone(), held.clone())));
            let maps = base.maps.iter().filter(|(key, _)| is_it(key));
            self.maps.extend(maps.map(|(key, held)| (key.clone(), Arc::clone(held))));
            self.supplements.extend(base.supplements.iter().filter(|s| s.url == url).cloned());
        } else {
            if self.definitions.code_system_urls().any(|held| held == url) {
                self.systems.insert(url.to_owned(), OnceLock::new());
            }
            if self.definitions.value_set_urls().any(|held| held == url) {
                self.sets.insert(url.to_owned(), OnceLock::new());
            }
            self.add_own_maps(|held| held == url);
        }
        // What fitted before fits when there is less of it.
        self.supplemented.clear();
        self.supplement().ok();
    }
}

fn keys(url: &str, version: Option<&str>) -> Vec<String> {
    let pinned = version.map(|version| format!("{url}|{version}"));
    pinned.into_iter().chain([url.to_owned()]).collect()
}

/// Whether the version held is the one wanted. SNOMED CT names an edition without its date for its
/// newest release (<http://hl7.org/fhir/R4/snomedct.html#versions>).
pub(super) fn same_version(wanted: &str, held: &str) -> bool {
    wanted == held || held.strip_prefix(wanted).is_some_and(|rest| rest.starts_with("/version/"))
}
