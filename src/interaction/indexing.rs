//! Making the rows of search parameters that came after the resources.
//!
//! In batches, beside all other writes; where a server stops, the next goes on. Until all rows of a
//! type are made, searches by the new parameters are refused as not supported.

use std::sync::Weak;
use std::sync::mpsc::Receiver;

use crate::app::App;
use crate::error::Error;
use crate::fhir::ResourceType;
use crate::repository::{self, indexing, key};
use crate::store::{self, Expect};

/// How many resources one batch is for.
const STEP: usize = 100;

/// How many batches the writer of a definition waits for; with fewer resources than that, its
/// parameter can be searched by when it has its answer.
const AT_ONCE: usize = 20;

/// Makes the first rows.
pub(super) fn begin(app: &App) {
    for _ in 0..AT_ONCE {
        match step(app) {
            Ok(true) => {}
            Ok(false) => return,
            // The write itself is done; the follower tries again.
            Err(error) => return tracing::warn!(cause = ?error, "rows are made later"),
        }
    }
}

/// Makes the rows that were still to be made at start, and those of every parameter that comes,
/// until the application ends.
pub fn follow(app: &Weak<App>, woken: &Receiver<()>) {
    loop {
        // Held for one batch only, so that the application can end meanwhile.
        while let Some(app) = app.upgrade() {
            match step(&app) {
                Ok(true) => {}
                Ok(false) => break,
                Err(error) => {
                    tracing::error!(cause = ?error, "new search parameters are not indexed");
                    break;
                }
            }
        }
        if woken.recv().is_err() {
            return;
        }
    }
}

/// Makes the next rows; whether there was anything to do.
fn step(app: &App) -> Result<bool, Error> {
    let held = app.held();
    let Some(kind) = held.rules.pending().keys().next().copied() else { return Ok(false) };
    let made = {
        let view = app.store.view()?;
        let progress = indexing::progress(&*view, kind)?;
        let entries = |resource: &_| held.entries(resource);
        progress.map(|p| indexing::step(&*view, kind, &p, STEP, entries)).transpose()?
    };
    let Some((mut batch, rest)) = made else {
        finish(app, kind)?;
        return Ok(true);
    };
    batch.expects.push(Expect::At(key::definitions(), held.generation()));
    match app.store.commit(batch) {
        Ok(_) if rest.is_none() => finish(app, kind)?,
        Ok(_) => {}
        // Something was written meanwhile: the same rows again.
        Err(store::Error::Conflict) => app.catch_up()?,
        Err(error) => return Err(error.into()),
    }
    Ok(true)
}

/// Opens the parameters of the type for searches, unless others came meanwhile.
fn finish(app: &App, kind: ResourceType) -> Result<(), repository::Error> {
    let turn = app.turn();
    let is_done = indexing::progress(&*app.store.view()?, kind)?.is_none();
    if is_done {
        turn.indexed(kind);
    }
    Ok(())
}
