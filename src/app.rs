//! The application: settings, store and rules, put together once at start.
//!
//! Everything above works with a `&App`. What changes while the server runs is the store, and the
//! definitions that are in force ([`App::held`]).

use std::sync::{Arc, PoisonError, RwLock};

use crate::config::Config;
use crate::definitions::search_parameter::Unusable;
use crate::definitions::{Fault, model};
use crate::store::{self, SledStore, Store};

mod held;

pub use held::{Held, Standard};

/// What every interaction and operation works with.
pub struct App {
    /// The settings.
    pub config: Config,
    /// Where the rows lie.
    pub store: Box<dyn Store>,
    held: RwLock<Arc<Held>>,
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
        let held = RwLock::new(Arc::new(Held::new(standard, Some(base))));
        Ok(Self { config, store, held })
    }

    /// The definitions that are in force now. Ask once for each request, or each attempt at a
    /// write, and work with the answer to the end: the next may be another.
    pub fn held(&self) -> Arc<Held> {
        Arc::clone(&self.held.read().unwrap_or_else(PoisonError::into_inner))
    }
}
