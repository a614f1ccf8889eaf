//! The application: settings, store and rules, put together once at start.
//!
//! Everything above works with a `&App`; nothing in it changes while the server runs but the
//! store.

use crate::config::Config;
use crate::fhir::{Issue, Resource};
use crate::index::Entry;
use crate::store::{self, SledStore, Store};

/// What every interaction and operation works with.
pub struct App {
    /// The settings.
    pub config: Config,
    /// Where the rows lie.
    pub store: Box<dyn Store>,
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
        Self::on(config, Box::new(store))
    }

    /// The application on a given store.
    ///
    /// # Errors
    /// [`Broken`] when the settings are unusable.
    pub fn on(config: Config, store: Box<dyn Store>) -> Result<Self, Broken> {
        config.check()?;
        Ok(Self { config, store })
    }

    /// What the rules of the standard and of the profiles it claims say about a resource.
    pub fn check(&self, _resource: &Resource) -> Vec<Issue> {
        Vec::new()
    }

    /// The index entries of a resource.
    pub fn entries(&self, _resource: &Resource) -> Vec<Entry> {
        Vec::new()
    }
}
