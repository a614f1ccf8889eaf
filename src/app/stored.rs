//! The definitions in the store, read at start.

use std::collections::BTreeMap;

use super::{Held, is_effective};
use crate::fhir::ResourceType;
use crate::index::Pending;
use crate::repository::{self, Error, indexing, key};
use crate::store::Store;

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
