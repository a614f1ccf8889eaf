//! The application: settings, store and rules, put together once at start.
//!
//! Everything above works with a `&App`. What changes while the server runs is the store, and the
//! definitions that are in force ([`App::held`]).
//!
//! Definitions change by commits to the store. One at a time has the turn ([`App::turn`]) to make
//! the next of them, commit, and put them in force; each commit that changes definitions writes one
//! row anew, and every other write expects that row as it was when its own definitions were taken.
//! So nothing is stored by rules that are no longer in force, and none of two changes is lost.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};

use crate::audit::Ledger;
use crate::clinical::threshold::{ThresholdFault, Thresholds};
use crate::config::{Config, UnknownProfile};
use crate::definitions::search_parameter::Unusable;
use crate::definitions::{Fault, model};
use crate::error;
use crate::fhir::{Issue, Resource, ResourceType, outcome};
use crate::index::Pending;
use crate::repository::{self, key};
use crate::smart::{Access, Action};
use crate::store::{self, ReadOnly, Seq, SledStore, Store};
use crate::terminology::kept::{self, Kept};
use crate::validation::{Policy, policy};

mod around;
mod check;
mod held;
mod next;
mod stored;

pub use around::Beside;
pub use held::{Held, Own, Standard};
pub use next::{Edit, Next, Refused, is_descriptive, is_effective};

/// Memory for the cache of the trail's store, which is read seldom.
const TRAIL_CACHE: u64 = 32 << 20;

/// What every interaction and operation works with.
pub struct App {
    /// The settings.
    pub config: Arc<Config>,
    /// What the settings make of what the rules say.
    pub policy: Arc<Policy>,
    /// Where the rows lie.
    pub store: Arc<dyn Store>,
    /// The same as it is for who replaces or deletes what they name: what may be changed is shown
    /// there too, even to one who may not read it. Its content must not be told.
    pub standing: Arc<dyn Store>,
    /// What changes of scores are judged by.
    pub thresholds: Arc<Thresholds>,
    /// The facts of all episodes, for who sees everything; waited for with no view open.
    pub ledger: Arc<RwLock<Ledger>>,
    /// What whoever asks may do; none: everything, as the program itself may.
    pub access: Option<Arc<Access>>,
    /// The application over the store of the audit trail, where one is kept.
    pub trail: Option<Arc<App>>,
    /// The server's own base URL, without a slash at its end.
    base: Arc<str>,
    /// The store as it is for the program itself.
    whole: Arc<dyn Store>,
    force: Arc<Force>,
}

/// The definitions in force, and who may change them.
struct Force {
    held: RwLock<Arc<Held>>,
    turn: Mutex<()>,
    wake: Mutex<Sender<()>>,
    woken: Mutex<Option<Receiver<()>>>,
}

/// The turn to change definitions; it ends when it is dropped.
pub struct Turn<'a> {
    app: &'a App,
    _guard: MutexGuard<'a, ()>,
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
    /// What is stored cannot be read.
    #[error("the definitions in the store cannot be read")]
    Stored(#[from] repository::Error),
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
        let trail = config.has_trail().then(|| config.trail_directory());
        let app = Self::on(config, Box::new(store), Arc::new(standard))?;
        let Some(directory) = trail else { return Ok(app) };
        let store = SledStore::open(&directory, TRAIL_CACHE).map_err(|source| Broken::Store {
            directory: directory.display().to_string(),
            source,
        })?;
        app.with_trail(Box::new(store))
    }

    /// The same application with an audit trail in that store.
    ///
    /// # Errors
    /// [`Broken`] when what is stored cannot be read.
    pub fn with_trail(self, store: Box<dyn Store>) -> Result<Self, Broken> {
        let standard = Arc::new(self.held().base.without_words());
        let trail = Self::on((*self.config).clone(), store, standard)?;
        Ok(Self { trail: Some(Arc::new(trail)), ..self })
    }

    /// The application on a given store.
    ///
    /// # Errors
    /// [`Broken`] when the settings or the thresholds that they name are unusable, or what is stored
    /// cannot be read.
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
        let held = stored::read(&*store, Held::new(standard, Some(base.clone())))?;
        let held = stored::upgrade(&*store, held)?;
        let (wake, woken) = channel();
        let force = Force {
            held: RwLock::new(Arc::new(held)),
            turn: Mutex::new(()),
            wake: Mutex::new(wake),
            woken: Mutex::new(Some(woken)),
        };
        let store: Arc<dyn Store> = Arc::from(store);
        Ok(Self {
            config: Arc::new(config),
            policy: Arc::new(policy),
            standing: Arc::clone(&store),
            whole: Arc::clone(&store),
            store,
            thresholds: Arc::new(thresholds),
            ledger: Arc::default(),
            access: None,
            trail: None,
            base: Arc::from(base),
            force: Arc::new(force),
        })
    }

    /// The same application for one who has that access: `store` shows no more than it permits to
    /// see, `standing` also what it permits to change.
    #[must_use]
    pub fn on_behalf(
        &self,
        store: Arc<dyn Store>,
        standing: Arc<dyn Store>,
        access: Arc<Access>,
    ) -> Self {
        Self { standing, access: Some(access), ..self.over(store) }
    }

    /// The same application, but for what it reads: nothing can be written.
    #[must_use]
    pub fn to_be_read(&self) -> Self {
        self.over(Arc::new(ReadOnly(Arc::clone(&self.store))))
    }

    /// The same application over a store that lies over its own.
    #[must_use]
    pub fn over(&self, store: Arc<dyn Store>) -> Self {
        Self {
            config: Arc::clone(&self.config),
            policy: Arc::clone(&self.policy),
            standing: Arc::clone(&store),
            store,
            thresholds: Arc::clone(&self.thresholds),
            ledger: Arc::clone(&self.ledger),
            access: self.access.clone(),
            trail: self.trail.clone(),
            base: Arc::clone(&self.base),
            whole: Arc::clone(&self.whole),
            force: Arc::clone(&self.force),
        }
    }

    /// The store as it is for the program itself, whoever asks: for what the server must know and does
    /// not tell.
    pub fn whole(&self) -> &dyn Store {
        &*self.whole
    }

    /// The server's own base URL, without a slash at its end: the one that is configured, else that of
    /// the address where it listens.
    pub fn own_base(&self) -> &str {
        &self.base
    }

    /// That whoever asks may do that with some resource of the type.
    ///
    /// # Errors
    /// [`error::Error::Forbidden`].
    pub fn permit(&self, kind: ResourceType, action: Action) -> Result<(), error::Error> {
        let denied = self.access.as_ref().is_some_and(|access| !access.permits(kind, action));
        if denied { Err(error::Error::Forbidden) } else { Ok(()) }
    }

    /// Whether whoever asks may see every resource, whatever it is about.
    pub fn sees_all(&self) -> bool {
        self.access.as_ref().is_none_or(|access| access.sees_all())
    }

    /// What the rules in force and the settings say about a resource, if it is to be stored by that
    /// request. No view may be open.
    ///
    /// # Errors
    /// [`repository::Error`] when the store failed or was found damaged where a rule looked.
    pub fn check(
        &self,
        held: &Held,
        resource: &Resource,
        beside: &Arc<Beside>,
    ) -> Result<Vec<Issue>, repository::Error> {
        let validator = &held.standard.validator;
        let found = self.looking(held, beside, |around| {
            let issues = held.placed(resource, validator.check_around(resource, around.clone()));
            validator.require(resource, self.policy.required(resource), around, issues)
        })?;
        Ok(held.placed(resource, self.policy.weigh(found)))
    }

    /// Not more of the issues than are told about one request.
    pub fn limited(&self, issues: Vec<Issue>) -> Vec<Issue> {
        outcome::limited(issues, self.config.max_issues.get())
    }

    /// The definitions that are in force now. Ask once for each request, or each attempt at a
    /// write, and work with the answer to the end: the next may be another.
    pub fn held(&self) -> Arc<Held> {
        Arc::clone(&self.force.held.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Whether those are the definitions that are in force now.
    pub fn holds(&self, held: &Arc<Held>) -> bool {
        Arc::ptr_eq(&self.force.held.read().unwrap_or_else(PoisonError::into_inner), held)
    }

    /// Waits for the turn to change definitions. Whoever waits must have no view open.
    pub fn turn(&self) -> Turn<'_> {
        Turn { app: self, _guard: self.force.turn.lock().unwrap_or_else(PoisonError::into_inner) }
    }

    /// Waits until the definitions of the last commit that changed any are in force, so that an
    /// attempt that came between commit and effect does not fail again. No view may be open.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn catch_up(&self) -> Result<(), store::Error> {
        let row = self.store.view()?.get(&key::definitions())?;
        if row.map(|row| row.seq) > self.held().generation() {
            drop(self.turn());
        }
        Ok(())
    }

    /// What is told when there is something to index; for one to wait with.
    pub fn indexing(&self) -> Option<Receiver<()>> {
        self.force.woken.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    fn put(&self, held: Held) {
        *self.force.held.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(held);
    }
}

impl Turn<'_> {
    /// Puts the next definitions in force, which that commit made.
    pub fn put(&self, next: Next, commit: Seq) {
        let is_pending = !next.held.rules.pending().is_empty();
        self.app.put(Held { generation: Some(commit), ..next.held });
        if is_pending {
            let wake = self.app.force.wake.lock().unwrap_or_else(PoisonError::into_inner);
            // Where nobody waits, what is pending is found at the next start.
            let _unheard = wake.send(());
        }
    }

    /// All rows of that type are made.
    pub fn indexed(&self, kind: ResourceType) {
        let held = self.app.held();
        let mut pending: Pending = held.rules.pending().clone();
        pending.remove(&kind);
        self.app.put(Held {
            standard: Arc::clone(&held.standard),
            rules: held.rules.awaiting(pending),
            base: Arc::clone(&held.base),
            stored: held.stored.clone(),
            generation: held.generation,
        });
    }
}

/// The thresholds that ship with the server, and those of the clinic.
fn thresholds(config: &Config) -> Result<Thresholds, Broken> {
    let Some(file) = &config.thresholds else { return Ok(Thresholds::shipped().clone()) };
    let unread = |source| Broken::Unread { file: file.display().to_string(), source };
    Ok(Thresholds::with(&std::fs::read_to_string(file).map_err(unread)?)?)
}
