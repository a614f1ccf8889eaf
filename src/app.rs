//! The application: settings, store and rules, put together once at start.
//!
//! Everything above works with a `&App`. What changes while the server runs is the store, and the
//! definitions that are in force ([`App::held`]).

use std::sync::{Arc, PoisonError, RwLock};

use crate::clinical::threshold::{ThresholdFault, Thresholds};
use crate::config::{Config, UnknownProfile};
use crate::definitions::search_parameter::Unusable;
use crate::definitions::{Fault, model};
use crate::fhir::{Issue, Resource, outcome};
use crate::store::{self, SledStore, Store};
use crate::terminology::kept::{self, Kept};
use crate::validation::{Around, Policy, policy};

mod held;

pub use held::{Held, Standard};

/// What every interaction and operation works with.
pub struct App {
    /// The settings.
    pub config: Config,
    /// What the settings make of what the rules say.
    pub policy: Policy,
    /// Where the rows lie.
    pub store: Box<dyn Store>,
    /// What changes of scores are judged by.
    pub thresholds: Thresholds,
    held: RwLock<Arc<Held>>,
}

/// Why the application could not be put together.
#[derive(Debug, thiserror::Error)]
pub enum Broken {
    /// The settings are unusable.
    #[error(transparent)]
    Config(#[from] crate::config::Unusable),
    /// The settings of validation are unusable.
    #[error(transparent)]
    Policy(#[from] policy::Unreadable),
    /// The store cannot be opened.
    #[error("the store in {directory} cannot be opened")]
    Store {
        /// The directory of the store.
        directory: String,
        /// What the store says.
        source: store::Error,
    },
    /// The terminology that was loaded cannot be read.
    #[error("the loaded terminology cannot be read")]
    Kept(#[from] kept::Fault),
    /// The file of thresholds cannot be read.
    #[error("the thresholds in {file} cannot be read")]
    Unread {
        /// The file.
        file: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// The thresholds do not keep the rules.
    #[error("the thresholds are unusable")]
    Thresholds(#[from] ThresholdFault),
    /// A file of `schemas/` is broken.
    #[error("a definition is broken")]
    Definition(#[from] Fault),
    /// The element model is broken.
    #[error("the element model is broken")]
    Model(#[from] model::Broken),
    /// A search parameter is broken.
    #[error("a search parameter is broken")]
    Parameter(#[from] Unusable),
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
        let kept = Kept::new(config.terminology());
        let standard = Standard::embedded()?.with_kept(&kept)?;
        Self::on(config, Box::new(store), Arc::new(standard))
    }

    /// The application on a given store.
    ///
    /// # Errors
    /// [`Broken`] when the settings or the thresholds that they name are unusable.
    pub fn on(
        config: Config,
        store: Box<dyn Store>,
        standard: Arc<Standard>,
    ) -> Result<Self, Broken> {
        config.check()?;
        let refuse_unknown = config.unknown_profile == UnknownProfile::Refuse;
        let policy = Policy::read(&config.validation, &config.require_profile, refuse_unknown)?;
        let base = config.public_base().map(str::to_owned);
        let base = base.unwrap_or_else(|| format!("http://{}/fhir", config.listen));
        let thresholds = thresholds(&config)?;
        let held = RwLock::new(Arc::new(Held::new(standard, Some(base))));
        Ok(Self { config, policy, store, thresholds, held })
    }

    /// What the rules in force and the settings say about a resource, if it is to be stored.
    pub fn check(&self, held: &Held, resource: &Resource) -> Vec<Issue> {
        let (required, around) = (self.policy.required(resource), Around::default());
        let issues = held.check(resource);
        self.policy.weigh(held.standard.validator.require(resource, required, &around, issues))
    }

    /// Not more of the issues than are told about one request.
    pub fn limited(&self, issues: Vec<Issue>) -> Vec<Issue> {
        outcome::limited(issues, self.config.max_issues.get())
    }

    /// The definitions that are in force now. Ask once for each request, or each attempt at a
    /// write, and work with the answer to the end: the next may be another.
    pub fn held(&self) -> Arc<Held> {
        Arc::clone(&self.held.read().unwrap_or_else(PoisonError::into_inner))
    }
}

/// The thresholds that ship with the server, and those of the clinic.
fn thresholds(config: &Config) -> Result<Thresholds, Broken> {
    let Some(file) = &config.thresholds else { return Ok(Thresholds::shipped().clone()) };
    let unread = |source| Broken::Unread { file: file.display().to_string(), source };
    Ok(Thresholds::with(&std::fs::read_to_string(file).map_err(unread)?)?)
}
