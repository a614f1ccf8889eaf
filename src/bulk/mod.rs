//! Bulk Data Access: exports that run beside the requests, and their files.
//!
//! A job is a directory: what was asked for and by whom, how far it is, the files. So it outlives the
//! process: what was running when the server stopped is begun again at its next start, as of the same
//! moment. One thread runs them, one after the other.
//! Source: <https://hl7.org/fhir/uv/bulkdata/export.html> (3.0.0).

pub mod request;
mod write;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::{fs, io};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

pub use request::{Level, Request};
pub use write::Output;
use write::Written;

use crate::access::{narrow, token};
use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant};
use crate::smart::{Access, Action};
use crate::{repository, search, store};

/// How long the files of an export are kept, in milliseconds.
pub const KEPT: i64 = 24 * 60 * 60 * 1000;
/// How many exports of one client may wait or run.
const MOST: usize = 4;

const FILE: &str = "job.json";

/// An export, in the form of its file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Job {
    /// Its id.
    pub id: String,
    /// The URL that was called.
    pub url: String,
    /// What was asked for.
    pub request: Request,
    /// What the client may see; none where no authorisation is configured.
    pub access: Option<token::Line>,
    /// As of when, in milliseconds since the epoch.
    pub moment: i64,
    /// How far it is.
    pub state: State,
}

/// How far an export is.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub enum State {
    /// It waits or runs.
    Running,
    /// Its files are there.
    Done {
        /// The files.
        outputs: Vec<Output>,
        /// What was passed over, as texts.
        warnings: Vec<String>,
        /// When they go, in milliseconds since the epoch.
        until: i64,
    },
    /// It failed; the text is for the client.
    Failed(String),
}

/// Why an export came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// What is asked for cannot be had.
    #[error(transparent)]
    Asked(#[from] Error),
    /// A file cannot be written.
    #[error("a file of the export cannot be written")]
    File(#[from] io::Error),
    /// The client or the end of the server broke it off.
    #[error("the export was broken off")]
    BrokenOff,
}

impl From<repository::Error> for Fault {
    fn from(error: repository::Error) -> Self {
        Self::Asked(error.into())
    }
}

impl From<search::Error> for Fault {
    fn from(error: search::Error) -> Self {
        Self::Asked(error.into())
    }
}

impl From<store::Error> for Fault {
    fn from(error: store::Error) -> Self {
        Self::Asked(error.into())
    }
}

/// Whose records an export gives to whom, before it is told that its files are there.
pub struct Disclosed<'a> {
    /// The export.
    pub job: &'a str,
    /// Who gets them; none where no authorisation is configured.
    pub access: Option<&'a Access>,
    /// The patients.
    pub patients: &'a BTreeSet<Id>,
    /// The patients who are left out, with the Consent that says so.
    pub denied: &'a BTreeMap<Id, Id>,
}

/// Hears whose records an export gives to whom; an error keeps them from being given.
pub type Hear<'a> = &'a dyn Fn(Disclosed<'_>) -> Result<(), Error>;

/// The exports of a server.
pub struct Exports {
    directory: PathBuf,
    queue: Mutex<Sender<String>>,
    waiting: Mutex<Option<Receiver<String>>>,
    /// What is known of those that wait or run.
    running: Mutex<HashMap<String, Running>>,
}

/// What is known of an export that waits or runs.
#[derive(Clone, Copy, Default)]
struct Running {
    /// How many of how many types are done; none while it waits.
    progress: Option<(usize, usize)>,
    /// When it was asked after last.
    asked: Option<Instant>,
}

impl Exports {
    /// Those of the store in that directory.
    pub fn of(data: &Path) -> Self {
        let (queue, waiting) = channel();
        let (queue, waiting) = (Mutex::new(queue), Mutex::new(Some(waiting)));
        Self { directory: data.join("exports"), queue, waiting, running: Mutex::default() }
    }

    /// Begins an export as of that moment.
    ///
    /// # Errors
    /// [`Fault::File`]; [`Error::TooMany`] when too many of the client run.
    pub fn begin(
        &self,
        url: String,
        request: Request,
        access: Option<&Access>,
        moment: Instant,
    ) -> Result<Job, Fault> {
        let access = access.map(token::Line::of);
        let running = self.all()?.into_iter().filter(|job| {
            job.state == State::Running && client(job) == access.as_ref().map(|line| &*line.client)
        });
        if running.count() >= MOST {
            return Err(Error::TooMany.into());
        }
        let id = Uuid::new_v4().simple().to_string();
        let moment = moment.millis();
        let job = Job { id, url, request, access, moment, state: State::Running };
        fs::create_dir_all(self.place(&job.id))?;
        self.put(&job)?;
        self.queue(&job.id);
        Ok(job)
    }

    fn queue(&self, id: &str) {
        let queue = self.queue.lock().unwrap_or_else(PoisonError::into_inner);
        // Where nobody listens any more, it is begun at the next start.
        let _unheard = queue.send(id.to_owned());
    }

    /// The export of that id that the client may see.
    ///
    /// # Errors
    /// [`Error::NotFound`], or [`Fault::File`].
    pub fn find(&self, id: &str, access: Option<&Access>) -> Result<Job, Fault> {
        let is_id = id.len() == 32 && id.bytes().all(|byte| byte.is_ascii_hexdigit());
        let job = if is_id { self.read(id)? } else { None };
        let own = access.map(|access| access.client.as_str());
        Ok(job.filter(|job| client(job) == own).ok_or(Error::NotFound)?)
    }

    /// A file of an export.
    ///
    /// # Errors
    /// [`Error::NotFound`].
    pub fn file(&self, job: &Job, name: &str, now: Instant) -> Result<PathBuf, Fault> {
        let State::Done { outputs, until, .. } = &job.state else {
            return Err(Error::NotFound.into());
        };
        let is_there = outputs.iter().any(|output| output.name == name) && now.millis() < *until;
        if is_there { Ok(self.place(&job.id).join(name)) } else { Err(Error::NotFound.into()) }
    }

    /// Ends an export, and removes its files.
    ///
    /// # Errors
    /// [`Fault::File`].
    pub fn remove(&self, id: &str) -> Result<(), Fault> {
        self.running().remove(id);
        match fs::remove_dir_all(self.place(id)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error.into()),
            _ => Ok(()),
        }
    }

    /// How many of how many types are done of an export that runs; none of one that waits. Who asks
    /// after it again within `soonest` milliseconds is refused.
    ///
    /// # Errors
    /// [`Error::TooMany`].
    pub fn progress(
        &self,
        id: &str,
        now: Instant,
        soonest: i64,
    ) -> Result<Option<(usize, usize)>, Fault> {
        let mut running = self.running();
        let known = running.entry(id.to_owned()).or_default();
        let since = known.asked.map(|asked| now.millis().saturating_sub(asked.millis()));
        if since.is_some_and(|since| (0..soonest).contains(&since)) {
            return Err(Error::TooMany.into());
        }
        known.asked = Some(now);
        Ok(known.progress)
    }

    fn running(&self) -> MutexGuard<'_, HashMap<String, Running>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How many exports wait or run.
    pub fn unfinished(&self) -> usize {
        let all = self.all().unwrap_or_default();
        all.iter().filter(|job| job.state == State::Running).count()
    }

    /// Runs exports until the application is gone. `settled` waits until all writes are done that
    /// began by that moment.
    /// `disclosed` hears of whom each is.
    pub fn follow(
        self: &Arc<Self>,
        app: &std::sync::Weak<App>,
        settled: &dyn Fn(Instant) -> bool,
        disclosed: Hear<'_>,
    ) {
        let waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner).take();
        let Some(waiting) = waiting else { return };
        for job in self.all().unwrap_or_default() {
            if job.state == State::Running {
                self.queue(&job.id);
            }
        }
        while let Ok(id) = waiting.recv() {
            let Some(app) = app.upgrade() else { return };
            let job = match self.read(&id) {
                Ok(Some(job)) if job.state == State::Running => job,
                _ => continue,
            };
            if let Err(fault) = self.run(&app, &job, settled, disclosed) {
                tracing::error!(%fault, "an export cannot be told");
            }
        }
    }

    fn run(
        &self,
        app: &App,
        job: &Job,
        settled: &dyn Fn(Instant) -> bool,
        disclosed: Hear<'_>,
    ) -> Result<(), Fault> {
        let moment = Instant::from_millis(job.moment);
        let access = job.access.as_ref().map(token::Line::read);
        let narrowed = match access {
            None => None,
            Some(None) => return self.end(job, State::Failed("The access cannot be read.".into())),
            Some(Some(access)) => {
                Some(narrow(app, &Arc::new(access), &[Action::Read, Action::Search]))
            }
        };
        let app = narrowed.as_ref().unwrap_or(app);
        if !settled(moment) {
            return self.end(job, State::Failed("Writes took too long to be waited for.".into()));
        }
        let told = |done, all| {
            self.running().entry(job.id.clone()).or_default().progress = Some((done, all));
            self.place(&job.id).join(FILE).exists()
        };
        let written = write::write(app, &job.request, moment, &self.place(&job.id), &told);
        let state = match written {
            Ok(Written { outputs, warnings, patients, denied }) => {
                let (job_id, access) = (&job.id, app.access.as_deref());
                let told = Disclosed { job: job_id, access, patients: &patients, denied: &denied };
                if let Err(error) = disclosed(told) {
                    tracing::error!(cause = ?error, "an export is not given away");
                    let text = "The audit trail cannot be written, so nothing is given.";
                    return self.end(job, State::Failed(text.to_owned()));
                }
                let warnings = warnings.into_iter().map(|issue| issue.diagnostics).collect();
                State::Done { outputs, warnings, until: job.moment.saturating_add(KEPT) }
            }
            Err(Fault::BrokenOff) => return Ok(()),
            Err(Fault::Asked(error)) if error.status() < 500 => {
                let issues = error.issues();
                State::Failed(issues.into_iter().next().map(|i| i.diagnostics).unwrap_or_default())
            }
            Err(fault) => {
                tracing::error!(cause = ?fault, "an export failed");
                State::Failed("The server failed to carry out the export.".to_owned())
            }
        };
        self.end(job, state)
    }

    /// Writes how an export ended, unless it was removed meanwhile.
    fn end(&self, job: &Job, state: State) -> Result<(), Fault> {
        self.running().remove(&job.id);
        if self.read(&job.id)?.is_some() {
            self.put(&Job { state, ..job.clone() })?;
        }
        Ok(())
    }

    /// Removes exports whose time is over.
    ///
    /// # Errors
    /// [`Fault::File`].
    pub fn sweep(&self, now: Instant) -> Result<(), Fault> {
        for job in self.all()? {
            let over = job.state != State::Running
                && job.moment.saturating_add(KEPT.saturating_mul(2)) < now.millis();
            if over {
                self.remove(&job.id)?;
            }
        }
        Ok(())
    }

    fn place(&self, id: &str) -> PathBuf {
        self.directory.join(id)
    }

    fn all(&self) -> Result<Vec<Job>, Fault> {
        let entries = match fs::read_dir(&self.directory) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            entries => entries?,
        };
        let mut jobs = Vec::new();
        for entry in entries {
            let name = entry?.file_name();
            jobs.extend(name.to_str().map(|id| self.read(id)).transpose()?.flatten());
        }
        jobs.sort_by(|a, b| (a.moment, &a.id).cmp(&(b.moment, &b.id)));
        Ok(jobs)
    }

    fn read(&self, id: &str) -> Result<Option<Job>, Fault> {
        match fs::read(self.place(id).join(FILE)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            text => Ok(Some(serde_json::from_slice(&text?).map_err(io::Error::other)?)),
        }
    }

    /// Writes the job's file whole, or not at all.
    fn put(&self, job: &Job) -> Result<(), Fault> {
        let place = self.place(&job.id);
        let fresh = place.join("job.new");
        fs::write(&fresh, serde_json::to_vec_pretty(job).map_err(io::Error::other)?)?;
        fs::File::open(&fresh)?.sync_all()?;
        Ok(fs::rename(fresh, place.join(FILE))?)
    }
}

fn client(job: &Job) -> Option<&str> {
    job.access.as_ref().map(|access| access.client.as_str())
}
