//! The definitions in the store, read at start, and what its rows were made by.
//!
//! The store keeps a fingerprint of each parameter of the program. Where this program has another,
//! the resources that the parameter is for are indexed anew, like for one that is new
//! (`interaction::indexing`); until that is done searches by it say so.

use std::collections::{BTreeMap, BTreeSet};

use super::{Held, is_effective};
use crate::definitions::joint::Joint;
use crate::fhir::ResourceType;
use crate::index::format::{Fingerprints, joint_name};
use crate::index::{CONTAINED, Pending};
use crate::repository::indexing::{Progress, note};
use crate::repository::{self, Error, indexing, key};
use crate::store::{Batch, Expect, Store, View};

/// The definitions with those that the store has.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub(super) fn read(store: &dyn Store, held: Held) -> Result<Held, Error> {
    let view = store.view()?;
    let generation = view.get(&key::definitions())?.map(|row| row.seq);
    let mut definitions = Vec::new();
    for kind in ResourceType::all().filter(|kind| is_effective(*kind)) {
        for row in view.scan(key::current_range(kind)) {
            let row = row?;
            let id = key::current_id(&row.key).ok_or(Error::Damaged(key::CURRENT))?;
            let stored = repository::current(&*view, kind, &id)?;
            let Some(body) = stored.and_then(|stored| stored.body) else { continue };
            let value = serde_json::from_slice(&body).map_err(|_| Error::Damaged(key::VERSION))?;
            definitions.push((kind, id, value));
        }
    }
    let mut pending: Pending = BTreeMap::new();
    for kind in ResourceType::all() {
        if let Some(progress) = indexing::progress(&*view, kind)? {
            pending.insert(kind, progress.codes);
        }
    }
    Ok(held.restored(definitions.into_iter(), generation, pending))
}

/// The definitions in force, with the parameters pending whose rows another program made; the store
/// knows of both from then on.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub(super) fn upgrade(store: &dyn Store, held: Held) -> Result<Held, Error> {
    let new = &held.base.fingerprints;
    let view = store.view()?;
    let row = view.get(&key::fingerprints())?;
    let old: Fingerprints = match &row {
        Some(row) => {
            serde_json::from_slice(&row.value).map_err(|_| Error::Damaged(key::FINGERPRINTS))?
        }
        None => Fingerprints::new(),
    };
    if old == **new {
        return Ok(held);
    }
    // A struct of texts always has a JSON form.
    let value = serde_json::to_vec(&**new).unwrap_or_default();
    let mut batch = Batch::default();
    batch.expects.push(Expect::At(key::fingerprints(), row.map(|row| row.seq)));
    batch.writes.push((key::fingerprints(), Some(value)));
    let mut pending = held.rules.pending().clone();
    for (kind, codes) in outdated(&*view, &held, &old)? {
        let all = pending.entry(kind).or_default();
        all.extend(codes);
        batch.writes.push(note(kind, Some(&Progress { codes: all.clone(), after: None })));
    }
    drop(view);
    store.commit(batch)?;
    if !pending.is_empty() {
        let types = pending.len();
        tracing::info!(types, "resources are indexed anew, as search parameters have changed");
    }
    Ok(Held { rules: held.rules.awaiting(pending), ..held })
}

/// The parameters whose rows were made by another program, for each type that has resources.
fn outdated(view: &dyn View, held: &Held, old: &Fingerprints) -> Result<Pending, Error> {
    let new = &held.base.fingerprints;
    let changed: BTreeSet<&str> = new
        .iter()
        .filter(|(url, print)| old.get(*url) != Some(*print))
        .map(|(url, _)| url.as_str())
        .collect();
    let is_changed = |url: &str| changed.contains(url);
    let mut outdated = Pending::new();
    for kind in ResourceType::all() {
        let mut own = held.base.parameters.for_type(kind);
        let joints = Joint::of(kind).filter(|joint| is_changed(&joint_name(joint)));
        let joints: Vec<String> = joints.map(Joint::source).collect();
        let concerned =
            is_changed(CONTAINED) || !joints.is_empty() || own.any(|own| is_changed(&own.url));
        if !concerned || view.scan(key::current_range(kind)).next().transpose()?.is_none() {
            continue;
        }
        // Parameters of users may have stood in the rows of one that has changed.
        let mut codes = held
            .rules
            .changed(kind, |own| is_changed(&own.url) || !new.contains_key(own.url.as_str()));
        codes.extend(is_changed(CONTAINED).then(|| CONTAINED.to_owned()));
        codes.extend(joints);
        if !codes.is_empty() {
            outdated.insert(kind, codes);
        }
    }
    Ok(outdated)
}
