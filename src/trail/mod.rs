//! The audit trail: who did what with which patient's records, or tried to.
//!
//! A trail is a store of its own beside the record's: an `AuditEvent` for each deed and each patient
//! whom it was about, never changed, linked into a chain of hashes ([`repository::trail`]). One thread
//! writes them in groups. A request has a place in its queue before it is carried out, so that nothing
//! is done or answered that the trail is not told of: where the trail cannot be written, or is too far
//! behind, the request is refused. What is in the queue when the process is killed is lost; an orderly
//! stop writes all of it.
//!
//! [`Deed`] is what is told, [`event`] makes an `AuditEvent` of it, [`check`] holds a chain to its hashes.

pub mod check;
pub mod deed;
pub mod event;

use std::collections::BTreeSet;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use rayon::prelude::*;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::mpsc::{OwnedPermit, Receiver, Sender, channel};

pub use deed::{Deed, Disclosed, Interaction, Outcome, Target, Who};

use crate::access::Whose;
use crate::app::App;
use crate::fhir::{Id, Instant, Resource, hex};
use crate::repository::trail::{self, Head};
use crate::repository::{self, Change, Method};

/// How many requests may wait for the writing of what they did.
const QUEUE: usize = 1024;
/// How many of them are written together at most.
const GROUP: usize = 128;
/// How long a request waits for a place in the queue.
const PATIENCE: Duration = Duration::from_secs(2);
/// How soon it is tried again where the trail cannot be written.
const AGAIN: Duration = Duration::from_millis(500);
/// How often it is tried again after the end of the server.
const LAST_TRIES: usize = 4;
/// For how many patients events are written of one deed at most.
const PATIENTS: usize = 2000;

/// The trail of a server: takes what was done.
pub struct Trail {
    sender: Mutex<Option<Sender<Item>>>,
    thread: Mutex<Option<JoinHandle<()>>>,
    state: Arc<State>,
}

#[derive(Default)]
struct State {
    is_failing: AtomicBool,
    written: AtomicU64,
}

/// What stands in the queue.
enum Item {
    /// What one request did.
    Deeds(Vec<Deed>),
    /// Nothing comes after it.
    End,
}

/// A place in the queue, for what one request does.
pub struct Permit(OwnedPermit<Item>);

/// The trail cannot be told anything now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the audit trail cannot be written")]
pub struct Unable;

impl Permit {
    /// Tells what was done.
    pub fn tell(self, deeds: Vec<Deed>) {
        drop(self.0.send(Item::Deeds(deeds)));
    }
}

impl Trail {
    /// The trail of that application, if it has one: begins to write.
    ///
    /// # Errors
    /// When the end of the chain cannot be read, or there is no thread to be had.
    pub fn start(record: &Arc<App>) -> io::Result<Option<Self>> {
        let Some(app) = record.trail.clone() else { return Ok(None) };
        let head = app.store.view().map_err(repository::Error::from);
        let head = head.and_then(|view| trail::head(&*view)).map_err(io::Error::other)?;
        tracing::info!(entries = head.number, hash = hex(&head.hash), "the audit trail goes on");
        let (sender, receiver) = channel(QUEUE);
        let state = Arc::new(State::default());
        let writer = Writer {
            record: Arc::clone(record),
            app,
            head,
            latest: Instant::from_millis(0),
            state: Arc::clone(&state),
        };
        let thread = std::thread::Builder::new().name("audit-trail".to_owned());
        let thread = thread.spawn(move || writer.run(receiver))?;
        let (sender, thread) = (Mutex::new(Some(sender)), Mutex::new(Some(thread)));
        Ok(Some(Self { sender, thread, state }))
    }

    /// A place in the queue.
    ///
    /// # Errors
    /// [`Unable`] where the trail cannot be written, or is too far behind.
    pub async fn permit(&self) -> Result<Permit, Unable> {
        match self.sender()?.try_reserve_owned() {
            Ok(permit) => Ok(Permit(permit)),
            Err(TrySendError::Closed(_)) => Err(Unable),
            Err(TrySendError::Full(sender)) => {
                let place = tokio::time::timeout(PATIENCE, sender.reserve_owned()).await;
                place.map_err(|_| Unable)?.map(Permit).map_err(|_| Unable)
            }
        }
    }

    /// Tells what was done outside of requests; waits for a place in the queue.
    ///
    /// # Errors
    /// [`Unable`] where the trail cannot be written.
    pub fn tell(&self, deeds: Vec<Deed>) -> Result<(), Unable> {
        self.sender()?.blocking_send(Item::Deeds(deeds)).map_err(|_| Unable)
    }

    fn sender(&self) -> Result<Sender<Item>, Unable> {
        let sender = self.sender.lock().unwrap_or_else(PoisonError::into_inner);
        sender.as_ref().filter(|_| !self.is_failing()).cloned().ok_or(Unable)
    }

    /// Takes no more, and waits until all that was told is written.
    pub async fn close(&self) {
        let sender = self.sender.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(sender) = sender {
            // Where the thread has ended already, nothing waits for it.
            let _ended = sender.send(Item::End).await;
        }
        self.join();
    }

    fn join(&self) {
        let thread = self.thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(thread) = thread {
            // A panic there has been reported by the panic hook.
            let _ended = thread.join();
        }
    }

    /// Whether it could not be written when it was last tried.
    pub fn is_failing(&self) -> bool {
        self.state.is_failing.load(Ordering::Acquire)
    }

    /// How many requests wait for the writing of what they did.
    pub fn waiting(&self) -> usize {
        let sender = self.sender.lock().unwrap_or_else(PoisonError::into_inner);
        sender.as_ref().map_or(0, |sender| sender.max_capacity() - sender.capacity())
    }

    /// How many events were written since the start.
    pub fn written(&self) -> u64 {
        self.state.written.load(Ordering::Relaxed)
    }
}

impl Drop for Trail {
    fn drop(&mut self) {
        self.sender.lock().unwrap_or_else(PoisonError::into_inner).take();
        self.join();
    }
}

/// However the thread ends, by a panic too, nothing can be written any more.
struct AtEnd(Arc<State>);

impl Drop for AtEnd {
    fn drop(&mut self) {
        self.0.is_failing.store(true, Ordering::Release);
    }
}

/// The thread that writes.
struct Writer {
    record: Arc<App>,
    app: Arc<App>,
    head: Head,
    latest: Instant,
    state: Arc<State>,
}

impl Writer {
    fn run(mut self, mut receiver: Receiver<Item>) {
        let _at_end = AtEnd(Arc::clone(&self.state));
        let mut group = Vec::with_capacity(GROUP);
        while receiver.blocking_recv_many(&mut group, GROUP) > 0 {
            let mut deeds = Vec::with_capacity(group.len());
            for item in group.drain(..) {
                match item {
                    Item::Deeds(own) => deeds.extend(own),
                    Item::End => receiver.close(),
                }
            }
            self.write(&deeds, &receiver);
        }
        tracing::info!(
            entries = self.head.number,
            hash = hex(&self.head.hash),
            "the audit trail rests"
        );
    }

    /// Writes the events of the deeds, and tries until it is done.
    fn write(&mut self, deeds: &[Deed], receiver: &Receiver<Item>) {
        let changes = self.changes(deeds);
        if changes.is_empty() {
            return;
        }
        let mut last_tries = LAST_TRIES;
        loop {
            match self.commit(&changes) {
                Ok(head) => {
                    self.head = head;
                    self.state.is_failing.store(false, Ordering::Release);
                    let count = u64::try_from(changes.len()).unwrap_or(u64::MAX);
                    self.state.written.fetch_add(count, Ordering::Relaxed);
                    return;
                }
                Err(error) => {
                    let was_failing = self.state.is_failing.swap(true, Ordering::AcqRel);
                    if !was_failing {
                        tracing::error!(cause = ?error, "the audit trail cannot be written; requests are refused");
                    }
                }
            }
            if receiver.is_closed() {
                last_tries -= 1;
                if last_tries == 0 {
                    let lost = changes.len();
                    return tracing::error!(
                        lost,
                        "the server ends; events of the audit trail are lost"
                    );
                }
            }
            std::thread::sleep(AGAIN);
        }
    }

    fn commit(&self, changes: &[Change]) -> Result<Head, repository::Error> {
        let view = self.app.store.view()?;
        let (batch, head) = trail::append(&*view, self.head, changes)?;
        drop(view);
        match self.app.store.commit(batch) {
            Ok(_) => Ok(head),
            Err(error) => Err(error.into()),
        }
    }

    /// The events of the deeds, in order; made on all cores.
    fn changes(&mut self, deeds: &[Deed]) -> Vec<Change> {
        let held = self.app.held();
        let base = self.record.own_base();
        let each = |deed| -> Vec<(&Deed, Option<Id>)> {
            match self.patients(deed) {
                patients if patients.is_empty() => vec![(deed, None)],
                patients => patients.into_iter().map(|id| (deed, Some(id))).collect(),
            }
        };
        let told: Vec<(&Deed, Option<Id>)> = deeds.par_iter().flat_map_iter(each).collect();
        // The feed is in the order of times, whatever the order in which requests ended.
        let mut numbered = Vec::with_capacity(told.len());
        for (number, (deed, patient)) in (self.head.number + 1..).zip(told) {
            self.latest = self.latest.max(deed.at);
            numbered.push((number, self.latest, deed, patient));
        }
        let made = numbered.into_par_iter().filter_map(|(number, at, deed, patient)| {
            let value = event::event(deed, patient.as_ref(), base);
            // Each is a resource, and each number an id.
            let (resource, id) = Resource::from_value(value).ok().zip(trail::id(number))?;
            let entries = |resource: &Resource| held.entries(resource);
            Some(Change::write(None, Method::Post, id, resource, at, entries))
        });
        made.collect()
    }

    /// The patients whom a deed was about.
    fn patients(&self, deed: &Deed) -> BTreeSet<Id> {
        let mut patients: BTreeSet<Id> = deed.patient.iter().cloned().collect();
        if !deed.outcome.is_success() {
            return patients;
        }
        let found = || -> Result<BTreeSet<Id>, crate::search::Error> {
            let whose = Whose::new(&self.record.held());
            let view = self.record.store.view().map_err(repository::Error::from)?;
            let mut found = BTreeSet::new();
            for target in deed.about.iter().chain(&deed.given) {
                found.extend(whose.patients(&*view, target.kind, &target.id)?);
                if found.len() > PATIENTS {
                    tracing::warn!(
                        PATIENTS,
                        "the audit trail names no more patients of one answer"
                    );
                    break;
                }
            }
            Ok(found)
        };
        match found() {
            Ok(found) => patients.extend(found),
            // What was done is told all the same.
            Err(error) => tracing::error!(cause = ?error, "the audit trail does not know of whom"),
        }
        patients
    }
}

#[cfg(test)]
mod tests;
