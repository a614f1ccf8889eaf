//! One attempt at a write: the definitions it works with, and what it does to them.
//!
//! A write of definitions has the turn to change them from before its content is checked until what
//! it stored is in force. Every other write holds only if the definitions are still those that it
//! was checked and indexed by; when they are not, it is attempted anew. How the next definitions
//! are made is told in [`crate::app`].

use std::cell::Cell;
use std::ops::Deref;
use std::sync::Arc;

use crate::app::{App, Edit, Held, Next, Refused, Turn, is_effective};
use crate::error::Error;
use crate::fhir::{Issue, IssueType, ResourceType};
use crate::interaction::indexing;
use crate::repository::indexing::{Progress, note};
use crate::repository::{self, Change, key};
use crate::store::{self, Batch, Expect, Seq};

/// An attempt; stands for the definitions that it works with.
pub(super) struct Attempt<'a> {
    app: &'a App,
    held: Arc<Held>,
    turn: Option<&'a Turn<'a>>,
    wants_turn: Cell<bool>,
}

/// What some changes do to the definitions.
#[derive(Default)]
pub(super) struct Prepared {
    next: Option<Next>,
    /// What is said of a change, by its place in the list.
    pub(super) notes: Vec<(usize, Issue)>,
}

/// Why changes cannot be committed.
pub(super) enum Refusal {
    /// The faults of each change, by its place in the list.
    Changes(Vec<(usize, Issue)>),
    /// For another reason.
    Failed(Error),
}

impl From<Refusal> for Error {
    fn from(refusal: Refusal) -> Self {
        match refusal {
            Refusal::Changes(faults) => {
                Self::Invalid(faults.into_iter().map(|(_, issue)| issue).collect())
            }
            Refusal::Failed(error) => error,
        }
    }
}

impl Deref for Attempt<'_> {
    type Target = Held;

    fn deref(&self) -> &Held {
        &self.held
    }
}

impl Attempt<'_> {
    /// Looks at what the changes do to the definitions. No view may be open.
    ///
    /// # Errors
    /// [`Refusal`] where a definition is broken, would break another, or is read-only.
    pub(super) fn prepare(&self, changes: &[Change]) -> Result<Prepared, Refusal> {
        let own = &self.held.standard.own;
        let ours = changes.iter().enumerate().filter(|(_, c)| own.has(c.kind, &c.id));
        let read_only = ours.map(|(at, change)| {
            let text = "This resource is published by the server itself and is read-only.";
            (at, Issue::error(IssueType::BusinessRule, text).at(format!("{}.id", change.kind)))
        });
        let read_only: Vec<_> = read_only.collect();
        if !read_only.is_empty() {
            return Err(Refusal::Changes(read_only));
        }
        // Where the server keeps a trail of its own, nobody else tells what happened.
        if self.app.trail.is_some() && changes.iter().any(|c| c.kind.as_str() == "AuditEvent") {
            return Err(Refusal::Failed(Error::Method("GET, HEAD")));
        }
        let changed = changes.iter().enumerate().filter(|(_, change)| is_effective(change.kind));
        let (places, changed): (Vec<usize>, Vec<&Change>) = changed.unzip();
        if changed.is_empty() {
            return Ok(Prepared::default());
        }
        if self.turn.is_none() {
            self.wants_turn.set(true);
            return Err(Refusal::Failed(store::Error::Conflict.into()));
        }
        let edits = changed.into_iter().map(edit).collect::<Result<Vec<_>, _>>();
        let edits = edits.map_err(Refusal::Failed)?;
        let said = |list: &[(usize, Issue)]| -> Vec<(usize, Issue)> {
            let placed = list.iter().filter_map(|(at, issue)| Some((*places.get(*at)?, issue)));
            placed.map(|(at, issue)| (at, issue.clone())).collect()
        };
        match self.held.next(&edits) {
            Ok(next) => Ok(Prepared { notes: said(&next.notes), next: Some(next) }),
            Err(Refused(faults)) => Err(Refusal::Changes(said(&faults))),
        }
    }

    /// Commits the batch of the changes that were looked at, and puts in force what they change.
    ///
    /// # Errors
    /// [`Error`] when the store refuses or fails.
    pub(super) fn commit(&self, prepared: Prepared, mut batch: Batch) -> Result<Seq, Error> {
        batch.expects.push(Expect::At(key::definitions(), self.held.generation()));
        let (Some(next), Some(turn)) = (prepared.next, self.turn) else {
            return Ok(self.app.store.commit(batch)?);
        };
        batch.writes.push((key::definitions(), Some(Vec::new())));
        for (kind, codes) in &next.fresh {
            let mut codes = codes.clone();
            codes.extend(self.held.rules.pending().get(kind).into_iter().flatten().cloned());
            batch.writes.push(note(*kind, Some(&Progress { codes, after: None })));
        }
        let seq = self.app.store.commit(batch)?;
        turn.put(next, seq);
        Ok(seq)
    }
}

/// The change as the definitions see it.
fn edit(change: &Change) -> Result<Edit, Error> {
    let parse = |body: &Vec<u8>| serde_json::from_slice(body).map(Arc::new);
    let value = change.body.as_ref().map(parse).transpose();
    let value = value.map_err(|error| Error::Internal(error.into()))?;
    Ok(Edit { kind: change.kind, id: change.id.clone(), value })
}

/// How often a write is planned when others keep changing the same resources.
const TRIES: usize = 3;

/// Runs the attempt again while the store refuses it for what others wrote in between; each works
/// with the definitions that are in force when it begins.
pub(super) fn retry<T>(
    app: &App,
    attempt: impl FnMut(&Attempt<'_>) -> Result<T, Error>,
) -> Result<T, Error> {
    retry_with(app, None, attempt)
}

/// The same for a write of which it is known that it stores resources of those types, so that one of
/// definitions has the turn from the start.
pub(super) fn retry_for<T>(
    app: &App,
    mut kinds: impl Iterator<Item = ResourceType>,
    attempt: impl FnMut(&Attempt<'_>) -> Result<T, Error>,
) -> Result<T, Error> {
    let turn = kinds.any(is_effective).then(|| app.turn());
    retry_with(app, turn, attempt)
}

fn retry_with<'a, T>(
    app: &'a App,
    mut turn: Option<Turn<'a>>,
    mut attempt: impl FnMut(&Attempt<'_>) -> Result<T, Error>,
) -> Result<T, Error> {
    let mut tries = 0;
    loop {
        let this =
            Attempt { app, held: app.held(), turn: turn.as_ref(), wants_turn: Cell::new(false) };
        match attempt(&this) {
            Err(Error::Repository(repository::Error::Store(store::Error::Conflict))) => {
                if this.wants_turn.get() {
                    turn = Some(app.turn());
                    continue;
                }
                tries += 1;
                if tries >= TRIES {
                    return Err(Error::Conflict);
                }
                if turn.is_none() {
                    app.catch_up()?;
                }
            }
            done => {
                if turn.take().is_some() && done.is_ok() {
                    indexing::begin(app);
                }
                return done;
            }
        }
    }
}
