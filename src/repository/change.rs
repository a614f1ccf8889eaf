//! Changes to resources, merged into one batch.
//!
//! A change is planned against the version that is current in some view, and the batch expects that
//! it still is. Source for version numbers and what is kept after a deletion:
//! <http://hl7.org/fhir/R4/http.html#delete>.

use std::collections::BTreeSet;

use crate::fhir::{Id, Instant, Resource, ResourceType, VersionId};
use crate::index::Entry;
use crate::repository::{Error, Method, Stored, Told, feed, key, read};
use crate::store::{Batch, Expect, Seq, View};

/// A new version of one resource, not yet stored.
#[derive(Clone, Debug)]
pub struct Change {
    /// The resource's type.
    pub kind: ResourceType,
    /// Its id.
    pub id: Id,
    /// The number of the new version.
    pub version: VersionId,
    /// When it was made.
    pub at: Instant,
    /// What makes it.
    pub method: Method,
    /// The resource as it will be read, with its id and meta, as compact JSON; none for a deletion.
    pub body: Option<Vec<u8>>,
    /// Whether the resource did not exist, or was deleted, before.
    pub created: bool,
    entries: Vec<Entry>,
    replaces: Option<Seq>,
}

impl Change {
    /// A new version with that content. `current` is what stands there now; `entries` tells the
    /// index entries of the stamped resource.
    pub fn write(
        current: Option<&Stored>,
        method: Method,
        id: Id,
        mut resource: Resource,
        at: Instant,
        entries: impl FnOnce(&Resource) -> Vec<Entry>,
    ) -> Self {
        let version = current.map_or(VersionId(1), |current| current.version.next());
        resource.stamp(&id, version, at);
        Self {
            kind: resource.kind(),
            id,
            version,
            at,
            method,
            created: current.is_none_or(|current| current.body.is_none()),
            entries: entries(&resource),
            replaces: current.map(|current| current.seq),
            body: Some(resource.to_bytes()),
        }
    }

    /// The deletion of a resource that exists.
    pub fn delete(current: &Stored, at: Instant) -> Self {
        Self {
            kind: current.kind,
            id: current.id.clone(),
            version: current.version.next(),
            at,
            method: Method::Delete,
            body: None,
            created: false,
            entries: Vec::new(),
            replaces: Some(current.seq),
        }
    }

    /// The version as it will lie in the store, but for the commit's number.
    pub fn stored(&self, seq: Seq) -> Stored {
        Stored {
            kind: self.kind,
            id: self.id.clone(),
            version: self.version,
            last_updated: self.at,
            method: self.method,
            seq,
            body: self.body.clone(),
        }
    }
}

/// One batch of all those changes, which must be of different resources.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn batch(view: &dyn View, changes: &[Change]) -> Result<Batch, Error> {
    let mut batch = Batch::default();
    for change in changes {
        add(&mut batch, view, change)?;
    }
    if let Some(first) = changes.first() {
        let told = changes.iter().map(|change| Told {
            kind: change.kind,
            id: change.id.clone(),
            version: change.version,
        });
        batch.event = Some(feed::encode(first.at, told));
    }
    Ok(batch)
}

fn add(batch: &mut Batch, view: &dyn View, change: &Change) -> Result<(), Error> {
    let Change { kind, id, version, method, at, .. } = change;
    let current = key::current(*kind, id);
    batch.expects.push(Expect::At(current.clone(), change.replaces));
    let body = change.body.as_deref().unwrap_or_default();
    let row = read::encode_version(*method, *at, body);
    batch.writes.push((key::version(*kind, id, *version), Some(row)));
    batch.writes.push((current, Some(read::encode_current(*version, change.body.is_none()))));
    let had = change.replaces.is_some();
    add_entries(batch, view, (*kind, id), &change.entries, had)
}

/// Replaces the index rows: those of the version before go, those of the new one come. Rows that
/// both have are left alone, unless they keep something beside the key. The batch holds only while
/// the list of rows is as it was seen, for rows of new search parameters come without a new version.
pub(super) fn add_entries(
    batch: &mut Batch,
    view: &dyn View,
    (kind, id): (ResourceType, &Id),
    entries: &[Entry],
    had: bool,
) -> Result<(), Error> {
    let list = key::entries(kind, id);
    let mut old = BTreeSet::new();
    if had {
        let row = view.get(&list)?;
        batch.expects.push(Expect::At(list.clone(), row.as_ref().map(|row| row.seq)));
        if let Some(row) = row {
            old = parse_keys(&row.value, kind, id)?;
        }
    }
    let mut new = BTreeSet::new();
    for entry in entries {
        let parts: Vec<&[u8]> = entry.parts.iter().map(Vec::as_slice).collect();
        let row = key::index(kind, &entry.parameter, &parts, id);
        let is_other = !old.contains(&row)
            || !entry.value.is_empty()
            || view.get(&row)?.is_some_and(|row| !row.value.is_empty());
        if new.insert(row.clone()) && is_other {
            batch.writes.push((row, Some(entry.value.clone())));
        }
    }
    batch.writes.extend(old.difference(&new).map(|row| (row.clone(), None)));
    if old != new {
        let value = (!new.is_empty()).then(|| encode_keys(&new, kind, id));
        batch.writes.push((list, value));
    }
    Ok(())
}

/// The first byte of a list of keys of which what they have in common is left out. Lists of earlier
/// builds have whole keys, and begin with the first byte of a length, which is zero.
const SHORT: u8 = 1;

/// The keys, without the type at their beginning and the id at their end.
fn encode_keys(keys: &BTreeSet<Vec<u8>>, kind: ResourceType, id: &Id) -> Vec<u8> {
    let mut value = vec![SHORT];
    for middle in keys.iter().filter_map(|row| key::index_middle(kind, id, row)) {
        value.extend(u32::try_from(middle.len()).unwrap_or(u32::MAX).to_be_bytes());
        value.extend(middle);
    }
    value
}

fn parse_keys(list: &[u8], kind: ResourceType, id: &Id) -> Result<BTreeSet<Vec<u8>>, Error> {
    middles(list, kind, id).map(|middle| Ok(key::index_around(kind, id, middle?))).collect()
}

/// What stands between type and id in each key of a list: parameter and encoded value.
pub(super) fn middles<'a>(
    list: &'a [u8],
    kind: ResourceType,
    id: &'a Id,
) -> impl Iterator<Item = Result<&'a [u8], Error>> {
    let (mut rest, short) = match list.split_first() {
        Some((&SHORT, rest)) => (rest, true),
        _ => (list, false),
    };
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let split = rest.split_first_chunk::<4>().and_then(|(length, rest)| {
            rest.split_at_checked(usize::try_from(u32::from_be_bytes(*length)).ok()?)
        });
        let (found, after) = split.unwrap_or_default();
        let whole = split.is_some();
        rest = after;
        let middle = if short { Some(found) } else { key::index_middle(kind, id, found) };
        Some(middle.filter(|_| whole).ok_or(Error::Damaged(key::ENTRIES)))
    })
}
