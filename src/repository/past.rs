//! The rows as they were at a commit.
//!
//! Versions are never written twice, and the feed tells of every change, so what has changed since a
//! commit can be told as it was: laid over a view, it shows that moment. So the pages of an answer
//! that is asked for in parts are all of the moment of the first.
//! Source: <http://hl7.org/fhir/R4/http.html#paging>.

use std::collections::BTreeSet;

use crate::fhir::Resource;
use crate::index::Entry;
use crate::repository::{Error, Stored, change, feed, key, read};
use crate::store::{Batch, Seq, View};

/// What is to be written over the view for it to show the moment after that commit; none where more
/// than `most` resources have changed since. `entries` tells the index entries of a resource.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn past(
    view: &dyn View,
    seen: Seq,
    most: usize,
    entries: impl Fn(&Resource) -> Vec<Entry>,
) -> Result<Option<Batch>, Error> {
    let mut changed = BTreeSet::new();
    for event in feed::after(view, seen) {
        changed.extend(event?.changes.into_iter().map(|told| (told.kind, told.id)));
        if changed.len() > most {
            return Ok(None);
        }
    }
    let mut batch = Batch::default();
    for (kind, id) in changed {
        let then = read::version_seen(view, kind, &id, seen)?;
        let content = then.as_ref().map(Stored::content).transpose()?.flatten();
        let current = then.map(|then| read::encode_current(then.version, content.is_none()));
        batch.writes.push((key::current(kind, &id), current));
        let entries = content.map(|content| entries(&content)).unwrap_or_default();
        change::add_entries(&mut batch, view, (kind, &id), &entries, change::Before::Rows)?;
    }
    Ok(Some(batch))
}
