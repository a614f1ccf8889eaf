//! What resources are held to at one moment: the definitions, and what is made of them.
//!
//! A [`Held`] never changes; when definitions change, another takes its place in
//! [`App`](super::App). Who works with one from start to end sees one set of rules, however many
//! changes come meanwhile. How the next is made is told in [`super::next`].

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{Broken, check, is_effective};
use crate::definitions::canonical::Canonical;
use crate::definitions::search_parameter::SearchParameters;
use crate::definitions::{Definitions, model};
use crate::fhir::json::At;
use crate::fhir::{Id, Issue, Resource, ResourceType};
use crate::index::format::{Fingerprints, fingerprints};
use crate::index::{self, Entry, Rules};
use crate::store::Seq;
use crate::subscription;
use crate::terminology::Terminology;
use crate::terminology::kept::Kept;
use crate::validation::Validator;

/// What is in force.
pub struct Held {
    /// What resources are held to.
    pub standard: Arc<Standard>,
    /// What resources are indexed and searched by.
    pub rules: Rules,
    /// What was there before anything was stored.
    pub(super) base: Arc<Standard>,
    /// The definitions among the stored resources, in force or not.
    pub(super) stored: BTreeMap<(ResourceType, Id), StoredDefinition>,
    /// The commit that changed the definitions last; none if none ever did.
    pub(super) generation: Option<Seq>,
}

/// A definition in the store.
#[derive(Clone)]
pub(super) struct StoredDefinition {
    pub(super) canonical: Arc<Canonical>,
    pub(super) in_force: bool,
}

/// The definitions of the standard and of the profiles, and what is made of them.
pub struct Standard {
    /// The files of `schemas/`, and the profiles and extensions that were added to them.
    pub definitions: Arc<Definitions>,
    /// The code systems, value sets and concept maps.
    pub terminology: Arc<Terminology>,
    /// The rules for content.
    pub validator: Validator,
    /// The element model.
    pub model: Arc<model::Model>,
    /// The search parameters, those of the standard, our own, and those that were added.
    pub parameters: SearchParameters,
    /// What we publish.
    pub own: Arc<Own>,
    /// What the rows of the program's own search parameters are made by.
    pub fingerprints: Arc<Fingerprints>,
}

/// Our own definitions, as resources.
#[derive(Default)]
pub struct Own {
    resources: BTreeMap<(ResourceType, Id), Arc<serde_json::Value>>,
    urls: BTreeSet<String>,
}

/// The types that the record of an episode is made of, the most frequent first.
const CLINIC: [&str; 14] = [
    "Observation",
    "Procedure",
    "Encounter",
    "Patient",
    "EpisodeOfCare",
    "Condition",
    "Bundle",
    "Practitioner",
    "Organization",
    "ServiceRequest",
    "CarePlan",
    "Goal",
    "Consent",
    "AdverseEvent",
];

impl Standard {
    /// What is built into the program.
    ///
    /// # Errors
    /// [`Broken`] if a file was damaged before the build.
    pub fn embedded() -> Result<Self, Broken> {
        let definitions = Arc::new(Definitions::embedded()?);
        let parameters = SearchParameters::load(&definitions)?;
        let own = Own::of(&definitions)?;
        let terminology = Arc::new(Terminology::new(Arc::clone(&definitions)));
        Ok(Self {
            fingerprints: Arc::new(fingerprints(&parameters)),
            validator: Validator::over(Arc::clone(&definitions), Arc::clone(&terminology)),
            model: Arc::clone(model::Model::shared()?),
            parameters,
            terminology,
            definitions,
            own: Arc::new(own),
        })
    }
}

impl Standard {
    /// The same with the terminology that a site has loaded.
    ///
    /// # Errors
    /// [`Broken`] if a file of it cannot be read.
    pub fn with_kept(self, kept: &Kept) -> Result<Self, Broken> {
        let mut terminology = (*self.terminology).clone();
        if kept.add_to(&mut terminology)? == 0 {
            return Ok(self);
        }
        let terminology = Arc::new(Terminology::over(Arc::new(terminology)));
        let shared = (Arc::clone(&self.definitions), Arc::clone(&terminology));
        Ok(Self { validator: Validator::over(shared.0, shared.1), terminology, ..self })
    }
}

impl Standard {
    /// The same without the search parameters for words, `_text` and `_content`: their rows are half of
    /// all rows of a resource, and for codes and addresses of no use.
    pub(super) fn without_words(&self) -> Self {
        let mut parameters = self.parameters.clone();
        for code in ["content", "text"] {
            parameters.remove(&format!("http://hl7.org/fhir/SearchParameter/Resource-{code}"));
            parameters
                .remove(&format!("http://hl7.org/fhir/SearchParameter/DomainResource-{code}"));
        }
        Self {
            definitions: Arc::clone(&self.definitions),
            terminology: Arc::clone(&self.terminology),
            validator: self.validator.clone(),
            model: Arc::clone(&self.model),
            parameters,
            own: Arc::clone(&self.own),
            fingerprints: Arc::clone(&self.fingerprints),
        }
    }
}

impl Own {
    fn of(definitions: &Definitions) -> Result<Self, Broken> {
        let mut own = Self::default();
        let topics = subscription::resources().into_iter().map(Arc::new);
        for value in definitions.own()?.into_iter().chain(topics) {
            let text = |key: &str| value.at(key).as_str();
            let kind = text("resourceType").and_then(ResourceType::parse);
            let (Some(kind), Some(id)) = (kind, text("id").and_then(Id::parse)) else { continue };
            own.urls.extend(text("url").map(str::to_owned));
            own.resources.insert((kind, id), value);
        }
        Ok(own)
    }

    /// Each with its type and id.
    pub fn resources(
        &self,
    ) -> impl Iterator<Item = (&(ResourceType, Id), &Arc<serde_json::Value>)> {
        self.resources.iter()
    }

    /// Whether the resource of that type and id is ours, so that nobody else may change it.
    pub fn has(&self, kind: ResourceType, id: &Id) -> bool {
        self.resources.contains_key(&(kind, id.clone()))
    }

    /// Whether the canonical is that of one of ours.
    pub fn has_url(&self, url: &str) -> bool {
        self.urls.contains(url)
    }
}

impl Held {
    /// The rules of those definitions, for a server of that base URL, with nothing stored.
    pub fn new(standard: Arc<Standard>, own_base: Option<String>) -> Self {
        let model = Arc::clone(&standard.model);
        let rules = Rules::new(model, standard.parameters.clone(), own_base)
            .with_terminology(Arc::clone(&standard.terminology));
        let base = Arc::clone(&standard);
        Self { standard, rules, base, stored: BTreeMap::new(), generation: None }
    }

    /// The commit that changed the definitions last; none if none ever did.
    pub fn generation(&self) -> Option<Seq> {
        self.generation
    }

    /// The definitions that are in force because they were stored, by type and id.
    pub fn in_force(&self) -> impl Iterator<Item = (&(ResourceType, Id), &Canonical)> {
        let stored = self.stored.iter().filter(|(_, stored)| stored.in_force);
        stored.map(|(key, stored)| (key, &*stored.canonical))
    }

    /// Makes the rules of the types ready that a clinic uses most; others follow when they are met.
    pub fn warm(&self) {
        for kind in CLINIC.iter().filter_map(|name| ResourceType::parse(name)) {
            self.standard.validator.warm(std::iter::once(kind));
            let _compiled = self.rules.parameters(kind).count();
        }
    }

    /// What the rules of the standard and of the profiles it claims say about a resource.
    pub fn check(&self, resource: &Resource) -> Vec<Issue> {
        self.placed(resource, self.standard.validator.check(resource))
    }

    /// The same issues and, where they refuse a definition, those of its elements: the rules for
    /// content often name no more than the whole.
    pub(super) fn placed(&self, resource: &Resource, mut issues: Vec<Issue>) -> Vec<Issue> {
        if is_effective(resource.kind())
            && issues.iter().any(Issue::is_error)
            && let Some(definition) = Canonical::of(Arc::new(resource.value().clone()))
        {
            let found = check::places(&self.standard, &definition).into_iter();
            let is_new = |new: &Issue| issues.iter().all(|held| held.expression != new.expression);
            let new: Vec<Issue> = found.filter(is_new).collect();
            issues.extend(new);
        }
        issues
    }

    /// The index entries of a resource.
    pub fn entries(&self, resource: &Resource) -> Vec<Entry> {
        index::entries(&self.rules, resource)
    }
}
