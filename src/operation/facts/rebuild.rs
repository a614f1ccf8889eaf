//! The facts of all episodes at once, on all cores: made from nothing, or held against the records.
//!
//! For a store that no server uses.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::{By, load, locked, save};
use crate::app::App;
use crate::audit::{Facts, Ledger};
use crate::error::Error;
use crate::fhir::Id;
use crate::operation::episode;
use crate::repository::facts::{self, Kept, Name};
use crate::repository::key;
use crate::store::View;

/// What the ledger takes of an episode; none: there is no such episode.
type Computed = Option<(Facts, Vec<Name>)>;

/// How many episodes one thread computes in one view.
const EACH: usize = 16;
/// How many are computed before they are saved.
const TOGETHER: usize = 512;
/// How many rows are dropped in one commit.
const DROPPED: usize = 10_000;

/// Hears how many episodes of how many are done.
type Told<'a> = &'a dyn Fn(usize, usize);

/// Drops what is kept and computes it anew; how many episodes there are.
///
/// # Errors
/// A failure of the store, or an episode that is too large.
pub fn rebuild(app: &App, told: Told<'_>) -> Result<usize, Error> {
    let by = By::of(app);
    let mut ledger = locked(app);
    loop {
        let next = facts::dropping(&*app.store.view()?, DROPPED)?;
        let Some(batch) = next else { break };
        app.store.commit(batch)?;
    }
    *ledger = load(&*app.store.view()?, by.edition.clone())?;
    by.finish(&mut ledger, told, true)?;
    save(app, &mut ledger)?;
    Ok(ledger.len())
}

/// Brings the ledger up to the last commit, however long that takes; nothing is saved.
///
/// # Errors
/// As [`rebuild`].
pub fn complete(app: &App, told: Told<'_>) -> Result<(), Error> {
    let by = By::of(app);
    let mut ledger = locked(app);
    loop {
        let view = app.store.view()?;
        by.follow(&mut ledger, &*view)?;
        if ledger.as_of() == view.seq() {
            break;
        }
    }
    by.finish(&mut ledger, told, false)
}

/// Hands over the facts of every episode as of the last commit, in order of id.
///
/// # Errors
/// As [`rebuild`], and those of the function.
pub fn each<E: From<Error>>(
    app: &App,
    mut take: impl FnMut(&Facts) -> Result<(), E>,
) -> Result<(), E> {
    complete(app, &|_, _| ())?;
    let ledger = locked(app);
    ledger.cases().try_for_each(|(_, facts)| take(facts))
}

impl By<'_> {
    fn finish(&self, ledger: &mut Ledger, told: Told<'_>, saves: bool) -> Result<(), Error> {
        let all = ledger.behind();
        while ledger.behind() > 0 {
            let next = ledger.next(TOGETHER);
            for (id, computed) in self.compute_all(&next)? {
                ledger.put(&id, computed);
            }
            if saves {
                save(self.app, ledger)?;
            }
            told(all - ledger.behind(), all);
        }
        Ok(())
    }

    fn compute_all(&self, ids: &[Id]) -> Result<Vec<(Id, Computed)>, Error> {
        let parts = ids.par_chunks(EACH).map(|ids| {
            let view = self.app.store.view()?;
            let computer = self.computer(&*view)?;
            let one = |id: &Id| {
                let case = computer.of(id)?;
                Ok((id.clone(), case.map(|case| (case.facts, case.named))))
            };
            ids.iter().map(one).collect::<Result<Vec<_>, Error>>()
        });
        Ok(parts.collect::<Result<Vec<_>, Error>>()?.into_iter().flatten().collect())
    }
}

/// What holding what is kept against the records came to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Checked {
    /// Nothing is kept.
    Nothing,
    /// What is kept was computed by another program or by other thresholds, and is computed anew
    /// before it is used.
    OtherEdition,
    /// It was compared.
    Compared {
        /// How many episodes were.
        episodes: usize,
        /// How many were changed since, and are computed anew before they are used.
        behind: usize,
        /// What is wrong, a sentence for each, without anything of a patient.
        faults: Vec<String>,
    },
}

/// Computes everything anew and compares it with what is kept.
///
/// # Errors
/// A failure of the store.
pub fn check(app: &App, told: Told<'_>) -> Result<Checked, Error> {
    let by = By::of(app);
    let view = app.store.view()?;
    let Some(state) = facts::state(&*view)? else { return Ok(Checked::Nothing) };
    if state.edition != by.edition {
        return Ok(Checked::OtherEdition);
    }
    let mut since = Ledger::of(by.edition.clone(), state.as_of, BTreeMap::new(), BTreeSet::new());
    while since.as_of() < view.seq() {
        by.follow(&mut since, &*view)?;
    }
    let touched: BTreeSet<Id> = since.next(usize::MAX).into_iter().collect();
    let is_told = |id: &Id| state.tells(id) && !touched.contains(id);
    let rows = facts::all(&*view).map(|row| row.map(|row| (row.episode.clone(), row)));
    let rows: BTreeMap<Id, Kept> = rows.collect::<Result<_, _>>()?;
    let ids: BTreeSet<Id> = episode::ids(&*view, usize::MAX)?.0.into_iter().collect();
    let all: Vec<Id> =
        ids.into_iter().chain(rows.keys().cloned()).collect::<BTreeSet<_>>().into_iter().collect();
    let mut faults = ways(&*view, &rows)?;
    drop(view);
    let told_of: Vec<Id> = all.iter().filter(|id| is_told(id)).cloned().collect();
    let mut done = 0;
    for ids in told_of.chunks(TOGETHER) {
        for (id, computed) in by.compute_all(ids)? {
            faults.extend(fault(&id, rows.get(&id), computed.as_ref()));
        }
        done += ids.len();
        told(done, told_of.len());
    }
    let behind = all.len() - told_of.len();
    Ok(Checked::Compared { episodes: told_of.len(), behind, faults })
}

/// What is wrong with the row of an episode.
fn fault(id: &Id, row: Option<&Kept>, computed: Option<&(Facts, Vec<Name>)>) -> Option<String> {
    let wrong = match (row, computed) {
        (None, None) => return None,
        (None, Some(_)) => "no facts are kept".to_owned(),
        (Some(_), None) => "facts are kept, but there is no such episode".to_owned(),
        (Some(row), Some((facts, named))) => match Facts::from_bytes(&row.facts) {
            None => "what is kept cannot be read".to_owned(),
            Some(kept) if kept != *facts => {
                format!("kept and computed differ in {}", kept.differences(facts).join(", "))
            }
            Some(_) if row.named != *named => "what the facts depend on differs".to_owned(),
            Some(_) => return None,
        },
    };
    Some(format!("EpisodeOfCare/{id}: {wrong}"))
}

/// What is wrong with the ways from what facts depend on to their episodes.
fn ways(view: &dyn View, rows: &BTreeMap<Id, Kept>) -> Result<Vec<String>, Error> {
    let mut faults = Vec::new();
    let mut right = 0;
    for (id, row) in rows {
        for (kind, of) in &row.named {
            match view.get(&key::facts_naming(*kind, of, id))? {
                Some(_) => right += 1,
                None => faults.push(format!("EpisodeOfCare/{id}: {kind}/{of} does not lead to it")),
            }
        }
    }
    let more = facts::namings(view)?.saturating_sub(right);
    if more > 0 {
        faults.push(format!("{more} resources lead to episodes that do not depend on them"));
    }
    Ok(faults)
}
