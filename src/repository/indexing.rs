//! Rows for parameters that came after the resources: how far they are made, and the next of them.
//!
//! A batch is made from one view and holds only if nothing in it changed meanwhile. What is written
//! after a parameter came into force has its rows from the start, so each resource is looked at once.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::fhir::{Id, Resource, ResourceType};
use crate::index::Entry;
use crate::repository::{Error, change, key, read};
use crate::store::{Batch, Expect, View};

/// How far the resources of a type are indexed for new parameters.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Progress {
    /// The codes of the parameters.
    pub codes: BTreeSet<String>,
    /// The last id whose rows are made; none before the first.
    pub after: Option<String>,
}

/// How far the resources of that type are; none if nothing is to be done.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn progress(view: &dyn View, kind: ResourceType) -> Result<Option<Progress>, Error> {
    let row = view.get(&key::indexing(kind))?;
    let parse = |bytes: &[u8]| serde_json::from_slice(bytes);
    row.map(|row| parse(&row.value).map_err(|_| Error::Damaged(key::INDEXING))).transpose()
}

/// The write that says how far the resources of a type are; none when they are done.
pub fn note(kind: ResourceType, progress: Option<&Progress>) -> (Vec<u8>, Option<Vec<u8>>) {
    // A struct of texts always has a JSON form.
    let value = progress.map(|progress| serde_json::to_vec(progress).unwrap_or_default());
    (key::indexing(kind), value)
}

/// The rows of the next resources of the type, `most` of them, and how far that comes; none when it
/// comes to the end. The batch has no event, for no resource changes.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn step(
    view: &dyn View,
    kind: ResourceType,
    progress: &Progress,
    most: usize,
    entries: impl Fn(&Resource) -> Vec<Entry>,
) -> Result<(Batch, Option<Progress>), Error> {
    let after = progress.after.as_deref().and_then(Id::parse);
    let range = match &after {
        Some(id) => key::current_after(kind, id),
        None => key::current_range(kind),
    };
    let mut batch = Batch::default();
    let held = view.get(&key::indexing(kind))?.map(|row| row.seq);
    batch.expects.push(Expect::At(key::indexing(kind), held));
    let mut last = None;
    for (count, row) in view.scan(range).enumerate() {
        if count >= most {
            let progress = Progress { after: last, ..progress.clone() };
            batch.writes.push(note(kind, Some(&progress)));
            return Ok((batch, Some(progress)));
        }
        let row = row?;
        let id = key::current_id(&row.key).ok_or(Error::Damaged(key::CURRENT))?;
        let (number, deleted) = read::parse_current(&row.value)?;
        last = Some(id.to_string());
        if deleted {
            continue;
        }
        let stored = read::version(view, kind, &id, number)?;
        let content = stored.map(|stored| stored.content()).transpose()?.flatten();
        let resource = content.ok_or(Error::Damaged(key::VERSION))?;
        batch.expects.push(Expect::At(row.key, Some(row.seq)));
        let rows = entries(&resource);
        let before = change::Before::Doubtful;
        change::add_entries(&mut batch, view, (kind, &id), &rows, before)?;
    }
    batch.writes.push(note(kind, None));
    Ok((batch, None))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::fhir::Instant;
    use crate::repository::{self, Change, Method, batch};
    use crate::store::{self, MemoryStore, Store};

    /// Each resource gets its rows once, those that are deleted none; a step that something came
    /// between writes nothing.
    #[test]
    fn step_by_step() {
        let store = MemoryStore::new();
        let kind = ResourceType::parse("Basic").unwrap();
        let now = Instant::parse("2026-03-02T08:10:00Z").unwrap();
        let write = |id: &str, current: Option<&repository::Stored>| {
            let value = json!({ "resourceType": "Basic", "code": { "text": id } });
            let resource = Resource::from_value(value).unwrap();
            let id = Id::parse(id).unwrap();
            let change = Change::write(current, Method::Put, id, resource, now, |_| Vec::new());
            let made = batch(&*store.view().unwrap(), &[change]).unwrap();
            store.commit(made).unwrap();
        };
        ["a", "b", "c", "d", "e"].iter().for_each(|id| write(id, None));
        let held = |id: &str| {
            let view = store.view().unwrap();
            repository::current(&*view, kind, &Id::parse(id).unwrap()).unwrap().unwrap()
        };
        let gone = Change::delete(&held("b"), now);
        let made = batch(&*store.view().unwrap(), &[gone]).unwrap();
        store.commit(made).unwrap();

        let codes = BTreeSet::from(["text".to_owned()]);
        let begun = Progress { codes, after: None };
        let writes = vec![note(kind, Some(&begun))];
        store.commit(Batch { writes, ..Batch::default() }).unwrap();
        let entries = |resource: &Resource| {
            let parts = vec![resource.value()["code"]["text"].to_string().into_bytes()];
            vec![Entry { parameter: "text".to_owned(), parts, value: Vec::new() }]
        };
        let next = || {
            let view = store.view().unwrap();
            let held = progress(&*view, kind).unwrap().unwrap();
            step(&*view, kind, &held, 2, entries).unwrap()
        };
        let (first, rest) = next();
        assert_eq!(rest.unwrap().after.as_deref(), Some("b"));
        write("a", Some(&held("a")));
        assert!(matches!(store.commit(first), Err(store::Error::Conflict)));
        let (mut steps, mut done) = (0, false);
        while !done {
            let (batch, rest) = next();
            assert!(batch.event.is_none());
            store.commit(batch).unwrap();
            (steps, done) = (steps + 1, rest.is_none());
        }
        assert_eq!(steps, 3);
        let view = store.view().unwrap();
        assert_eq!(progress(&*view, kind).unwrap(), None);
        let rows = view.scan(key::index_range(kind, "text", &[], &[]));
        let ids = rows.map(|row| key::index_parts(&row.unwrap().key).unwrap().1.to_string());
        assert_eq!(ids.collect::<Vec<_>>(), ["a", "c", "d", "e"]);
    }
}
