//! The application: settings, store and rules, put together once at start.
//!
//! Everything above works with a `&App`; nothing in it changes while the server runs but the
//! store.

use std::sync::Arc;

use crate::config::Config;
use crate::definitions::compartment::Compartments;
use crate::definitions::search_parameter::{SearchParameters, Unusable};
use crate::definitions::{Definitions, Fault, model};
use crate::fhir::{Issue, Resource, ResourceType};
use crate::index::{self, Entry, Rules};
use crate::store::{self, SledStore, Store};
use crate::terminology::Terminology;
use crate::validation::Validator;

/// What every interaction and operation works with.
pub struct App {
    /// The settings.
    pub config: Config,
    /// Where the rows lie.
    pub store: Box<dyn Store>,
    /// What resources are held to.
    pub standard: Arc<Standard>,
    /// What resources are indexed and searched by.
    pub rules: Rules,
}

/// The definitions of the standard and of the profiles, and what is made of them.
pub struct Standard {
    /// The files of `schemas/`.
    pub definitions: Arc<Definitions>,
    /// The code systems and value sets.
    pub terminology: Arc<Terminology>,
    /// Which resources belong to which compartments.
    pub compartments: Compartments,
    /// The rules for content.
    pub validator: Validator,
    /// The element model.
    pub model: Arc<model::Model>,
    /// The search parameters, those of the standard and our own.
    pub parameters: SearchParameters,
}

/// Why the application could not be put together.
#[derive(Debug, thiserror::Error)]
pub enum Broken {
    /// The settings are unusable.
    #[error(transparent)]
    Config(#[from] crate::config::Unusable),
    /// The store cannot be opened.
    #[error("the store in {directory} cannot be opened")]
    Store {
        /// The directory of the store.
        directory: String,
        /// What the store says.
        source: store::Error,
    },
    /// A file of `schemas/` is broken.
    #[error("a definition is broken")]
    Definition(#[from] Fault),
    /// The element model is broken.
    #[error("the element model is broken")]
    Model(#[from] model::Broken),
    /// A search parameter is broken.
    #[error("a search parameter is broken")]
    Parameter(#[from] Unusable),
    /// A compartment is broken.
    #[error("a compartment is broken: {0}")]
    Compartment(String),
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
        let compartments = Compartments::load(&definitions).map_err(Broken::Compartment)?;
        Ok(Self {
            terminology,
            compartments,
            validator: Validator::new(Arc::clone(&definitions)),
            model: Arc::new(model::Model::standard()?),
            parameters,
            definitions,
        })
    }
}

impl App {
    /// The application on the store in the configured directory.
    ///
    /// # Errors
    /// [`Broken`] when the settings are unusable or the store cannot be opened.
    pub fn open(config: Config) -> Result<Self, Broken> {
        config.check()?;
        let cache = u64::try_from(config.cache).unwrap_or(u64::MAX);
        let store = SledStore::open(&config.data, cache).map_err(|source| Broken::Store {
            directory: config.data.display().to_string(),
            source,
        })?;
        Self::on(config, Box::new(store), Arc::new(Standard::embedded()?))
    }

    /// The application on a given store.
    ///
    /// # Errors
    /// [`Broken`] when the settings are unusable.
    pub fn on(
        config: Config,
        store: Box<dyn Store>,
        standard: Arc<Standard>,
    ) -> Result<Self, Broken> {
        config.check()?;
        let base = config.public_base().map(str::to_owned);
        let base = base.unwrap_or_else(|| format!("http://{}/fhir", config.listen));
        let model = Arc::clone(&standard.model);
        let rules = Rules::new(model, standard.parameters.clone(), Some(base))
            .with_terminology(Arc::clone(&standard.terminology));
        Ok(Self { config, store, standard, rules })
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
