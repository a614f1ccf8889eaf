//! What resources are held to at one moment: the definitions, and what is made of them.
//!
//! A [`Held`] never changes; when definitions change, another takes its place in
//! [`App`](super::App). Who works with one from start to end sees one set of rules, however many
//! changes come meanwhile.

use std::sync::Arc;

use super::Broken;
use crate::definitions::search_parameter::SearchParameters;
use crate::definitions::{Definitions, model};
use crate::fhir::{Issue, Resource, ResourceType};
use crate::index::{self, Entry, Rules};
use crate::terminology::Terminology;
use crate::terminology::kept::Kept;
use crate::validation::Validator;

/// What is in force.
pub struct Held {
    /// What resources are held to.
    pub standard: Arc<Standard>,
    /// What resources are indexed and searched by.
    pub rules: Rules,
}

/// The definitions of the standard and of the profiles, and what is made of them.
pub struct Standard {
    /// The files of `schemas/`, and what was added to them.
    pub definitions: Arc<Definitions>,
    /// The code systems, value sets and concept maps.
    pub terminology: Arc<Terminology>,
    /// The rules for content.
    pub validator: Validator,
    /// The element model.
    pub model: Arc<model::Model>,
    /// The search parameters, those of the standard and our own.
    pub parameters: SearchParameters,
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
        let terminology = Arc::new(Terminology::new(Arc::clone(&definitions)));
        Ok(Self {
            validator: Validator::over(Arc::clone(&definitions), Arc::clone(&terminology)),
            model: Arc::new(model::Model::standard()?),
            parameters,
            terminology,
            definitions,
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

impl Held {
    /// The rules of those definitions, for a server of that base URL.
    pub fn new(standard: Arc<Standard>, own_base: Option<String>) -> Self {
        let model = Arc::clone(&standard.model);
        let rules = Rules::new(model, standard.parameters.clone(), own_base)
            .with_terminology(Arc::clone(&standard.terminology));
        Self { standard, rules }
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
        self.standard.validator.check(resource)
    }

    /// The index entries of a resource.
    pub fn entries(&self, resource: &Resource) -> Vec<Entry> {
        index::entries(&self.rules, resource)
    }
}
