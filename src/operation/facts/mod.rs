//! The facts of all episodes, kept from commit to commit.
//!
//! In memory they are the ledger of the application, in the store they are rows, which a server that
//! starts goes on from. Whoever asks brings them up to the commit that the answer is as of: the feed
//! tells what changed, `touched` which episodes that may concern, and only these are computed.
//! Where many are to be computed, as after a start with another program, that is left to the thread
//! that follows the feed ([`follow()`]), and whoever asks is told how far it has come.
//!
//! The ledger is for who sees everything. For any other token facts are computed from what that
//! token shows, each time.
//!
//! No view may be open where the ledger is waited for.

mod compute;
mod follow;
mod rebuild;
#[cfg(test)]
mod tests;
mod touched;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, PoisonError, RwLockWriteGuard};

use sha2::{Digest, Sha256};

use crate::app::{App, Held};
use crate::audit::{Facts, Ledger};
use crate::error::Error;
use crate::fhir::{Id, ResourceType, hex};
use crate::operation::episode::{self, OF_EPISODE, OF_VISIT};
use crate::repository::facts::{self, State};
use crate::repository::{Event, feed};
use crate::store::{Batch, View};

pub(in crate::operation) use compute::{Case, Computer};
pub use follow::follow;
pub use rebuild::{Checked, check, complete, each, rebuild};

/// How many episodes whoever asks waits for; what takes more is left to the thread that follows.
const AT_ONCE: usize = 500;
/// How many commits whoever asks looks through.
const COMMITS: u64 = 20_000;
/// How many changes are looked at, and how many episodes computed, in one view: writers wait for it.
const CHANGES: usize = 200;
const TOGETHER: usize = 4;
/// How many rows are saved in one commit.
const ROWS: usize = 500;

/// Hands over a view, and the ledger as of that view for who may see everything.
///
/// # Errors
/// [`Error::Unready`] while more is to be computed than one who asks can wait for; a failure of the
/// store; those of `work`.
pub(in crate::operation) fn asked<R>(
    app: &App,
    work: impl FnOnce(Box<dyn View + '_>, Option<&Ledger>) -> Result<R, Error>,
) -> Result<R, Error> {
    if !app.sees_all() {
        return work(app.store.view()?, None);
    }
    at_most(app, AT_ONCE, work)
}

fn at_most<R>(
    app: &App,
    most: usize,
    work: impl FnOnce(Box<dyn View + '_>, Option<&Ledger>) -> Result<R, Error>,
) -> Result<R, Error> {
    let by = By::of(app);
    {
        let ledger = app.ledger.read().unwrap_or_else(PoisonError::into_inner);
        let view = app.store.view()?;
        if by.is_current(&ledger, &*view) {
            return work(view, Some(&ledger));
        }
    }
    let mut ledger = locked(app);
    loop {
        let view = app.store.view()?;
        by.follow(&mut ledger, &*view)?;
        if by.is_current(&ledger, &*view) {
            let ledger = RwLockWriteGuard::downgrade(ledger);
            return work(view, Some(&ledger));
        }
        let commits = view.seq().saturating_sub(ledger.as_of());
        if ledger.behind() > most || commits > COMMITS {
            let (of, behind) = (ledger.len(), ledger.behind());
            return Err(Error::Unready { done: of.saturating_sub(behind), of });
        }
        by.compute(&mut ledger, &*view)?;
    }
}

fn locked(app: &App) -> RwLockWriteGuard<'_, Ledger> {
    app.ledger.write().unwrap_or_else(PoisonError::into_inner)
}

/// What facts are computed by.
struct By<'a> {
    app: &'a App,
    held: Arc<Held>,
    edition: String,
}

impl<'a> By<'a> {
    fn of(app: &'a App) -> Self {
        let held = app.held();
        let edition = edition(app, &held);
        Self { app, held, edition }
    }

    fn computer<'c>(&'c self, view: &'c dyn View) -> Result<Computer<'c>, Error> {
        Computer::new((&self.held, &self.app.thresholds), view)
    }

    /// Whether the ledger tells what the view shows.
    fn is_current(&self, ledger: &Ledger, view: &dyn View) -> bool {
        ledger.as_of() == view.seq()
            && ledger.behind() == 0
            && ledger.edition() == Some(self.edition.as_str())
    }

    /// Lets the ledger know what changed until the view, or the first part of it; of another edition
    /// it begins anew.
    fn follow(&self, ledger: &mut Ledger, view: &dyn View) -> Result<(), Error> {
        if ledger.edition() != Some(self.edition.as_str()) {
            *ledger = load(view, self.edition.clone())?;
        }
        let mut events: Vec<Event> = Vec::new();
        let (mut changes, mut until) = (0, view.seq());
        for event in feed::after(view, ledger.as_of()) {
            let event = event?;
            changes += event.changes.len();
            events.push(event);
            if changes >= CHANGES {
                until = events.last().map_or(until, |last| last.seq);
                break;
            }
        }
        let touched = touched::touched(view, ledger, &events)?;
        ledger.follow(until, touched);
        Ok(())
    }

    /// Computes the next of what is stale, once it is known what is.
    fn compute(&self, ledger: &mut Ledger, view: &dyn View) -> Result<(), Error> {
        let next = ledger.next(TOGETHER);
        if next.is_empty() || ledger.as_of() < view.seq() {
            return Ok(());
        }
        let computer = self.computer(view)?;
        for id in next {
            let case = computer.of(&id)?;
            ledger.put(&id, case.map(|case| (case.facts, case.named)));
        }
        Ok(())
    }
}

/// What is kept of that edition; of another nothing is taken over, and all is stale.
fn load(view: &dyn View, edition: String) -> Result<Ledger, Error> {
    let mut stale: BTreeSet<Id> = episode::ids(view, usize::MAX)?.0.into_iter().collect();
    let state = facts::state(view)?.filter(|state| state.edition == edition);
    let mut cases = BTreeMap::new();
    for row in facts::all(view) {
        let row = row?;
        let is_kept = state.as_ref().is_some_and(|state| state.tells(&row.episode));
        match Facts::from_bytes(&row.facts).filter(|_| is_kept) {
            Some(facts) => {
                stale.remove(&row.episode);
                cases.insert(row.episode, facts);
            }
            // Where there is no such episode any more its row goes.
            None => _ = stale.insert(row.episode),
        }
    }
    let as_of = state.map_or(view.seq(), |state| state.as_of);
    Ok(Ledger::of(edition, as_of, cases, stale))
}

/// Saves what was computed. What is saved before the state is newer than it says, and computed again
/// where the program ends between. No view may be open.
fn save(app: &App, ledger: &mut Ledger) -> Result<(), Error> {
    loop {
        let view = app.store.view()?;
        let mut batch = Batch::default();
        let mut count = 0;
        for (id, own, named) in ledger.unsaved(ROWS) {
            let bytes = own.map(Facts::to_bytes);
            facts::add(&mut batch, &*view, id, bytes.as_deref().map(|bytes| (bytes, named)))?;
            count += 1;
        }
        let is_last = count == ledger.count_unsaved();
        if is_last {
            batch.writes.push(facts::note(&State {
                edition: ledger.edition().unwrap_or_default().to_owned(),
                as_of: ledger.as_of(),
                from: ledger.first_stale().map(ToString::to_string),
            }));
        }
        drop(view);
        app.store.commit(batch)?;
        ledger.saved(count);
        if is_last {
            return Ok(());
        }
    }
}

/// A digest of all that facts depend on beside the records: the program's own code, the thresholds of
/// the clinic, and by which parameters something belongs to an episode or a visit.
fn edition(app: &App, held: &Held) -> String {
    let mut digest = Sha256::new();
    digest.update(env!("SPONDYL_FACTS"));
    digest.update(format!("{:?}", app.thresholds));
    for kind in ResourceType::all() {
        for code in [OF_EPISODE, OF_VISIT] {
            if let Some(own) = held.rules.definitions().get(kind, code) {
                let expression = own.expression.as_deref().unwrap_or_default();
                digest.update(format!("{kind} {} {expression}\n", own.url));
            }
        }
    }
    digest.finalize().get(..12).map(hex).unwrap_or_default()
}
