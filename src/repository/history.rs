//! What happened to a resource, to a type, or to all, newest first.
//!
//! Pages follow the order of commits, not the clock, so a page that is asked for later neither
//! repeats nor skips anything. Source: <http://hl7.org/fhir/R4/http.html#history>.

use std::collections::BTreeSet;

use crate::fhir::{Id, Instant, ResourceType};
use crate::repository::{Error, Stored, feed, key, read};
use crate::store::View;

/// Whose history is asked for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Scope {
    /// One resource.
    Instance(ResourceType, Id),
    /// All of one type.
    Type(ResourceType),
    /// Everything.
    System,
}

/// The last place of a page: the next one begins below it. For one resource the version, else the
/// commit and the place within it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Cursor {
    /// Version or commit.
    pub number: u64,
    /// Place within the commit.
    pub place: usize,
}

/// A page of versions.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Page {
    /// The versions, newest first.
    pub versions: Vec<Stored>,
    /// Where the next page begins; none when this is the last.
    pub next: Option<Cursor>,
    /// How many there are in all, where that is cheap to know.
    pub total: Option<u64>,
    last: Option<Cursor>,
}

/// How long a commit may lag behind the time that it was given: the scan for `_since` goes on for
/// that much longer, as times are given before commits are ordered.
const LAG_MILLIS: i64 = 60_000;

/// At most `count` versions made at `since` or later, below `before`.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn history(
    view: &dyn View,
    scope: &Scope,
    since: Option<Instant>,
    before: Option<Cursor>,
    count: usize,
) -> Result<Page, Error> {
    match scope {
        Scope::Instance(kind, id) => instance(view, *kind, id, since, before, count),
        Scope::Type(kind) => from_feed(view, Some(*kind), since, before, count),
        Scope::System => from_feed(view, None, since, before, count),
    }
}

/// The resources of which a version was made after the moment, as told by at most `most` commits;
/// none where more commits came after it. It may name some that were changed just before it.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn changed_after(
    view: &dyn View,
    moment: Instant,
    most: usize,
) -> Result<Option<BTreeSet<(ResourceType, Id)>>, Error> {
    let mut changed = BTreeSet::new();
    for (count, event) in feed::backward(view, view.seq()).enumerate() {
        let (at, event) = event?;
        if at.millis() + LAG_MILLIS < moment.millis() {
            break;
        }
        if count >= most {
            return Ok(None);
        }
        changed.extend(event.changes.into_iter().map(|told| (told.kind, told.id)));
    }
    Ok(Some(changed))
}

fn instance(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    since: Option<Instant>,
    before: Option<Cursor>,
    count: usize,
) -> Result<Page, Error> {
    let mut page = Page { total: Some(0), ..Page::default() };
    for row in view.scan(key::versions(kind, id)).rev() {
        let row = row?;
        let number = key::version_id(&row.key).ok_or(Error::Damaged(key::VERSION))?;
        let stored = read::parse_version(kind, id.clone(), number, row.seq, row.value)?;
        if since.is_some_and(|since| stored.last_updated < since) {
            continue;
        }
        page.total = page.total.map(|total| total + 1);
        if before.is_some_and(|before| number.0 >= before.number) {
            continue;
        }
        page.push(stored, Cursor { number: number.0, place: 0 }, count);
    }
    page.close(count);
    Ok(page)
}

fn from_feed(
    view: &dyn View,
    kind: Option<ResourceType>,
    since: Option<Instant>,
    before: Option<Cursor>,
    count: usize,
) -> Result<Page, Error> {
    let mut page = Page::default();
    let newest = before.map_or(view.seq(), |cursor| cursor.number);
    for event in feed::backward(view, newest) {
        let (at, event) = event?;
        if since.is_some_and(|since| at.millis() + LAG_MILLIS < since.millis()) {
            break;
        }
        for (place, told) in event.changes.iter().enumerate().rev() {
            let cursor = Cursor { number: event.seq, place };
            let wanted = kind.is_none_or(|kind| told.kind == kind);
            if !wanted || before.is_some_and(|before| cursor >= before) {
                continue;
            }
            let stored = read::version(view, told.kind, &told.id, told.version)?
                .ok_or(Error::Damaged(key::VERSION))?;
            if since.is_none_or(|since| stored.last_updated >= since) {
                page.push(stored, cursor, count);
            }
        }
        if page.versions.len() > count {
            break;
        }
    }
    page.close(count);
    Ok(page)
}

impl Page {
    /// Takes one version more than asked for, which tells that there is a next page.
    fn push(&mut self, stored: Stored, cursor: Cursor, count: usize) {
        if self.versions.len() < count {
            self.last = Some(cursor);
        }
        if self.versions.len() <= count {
            self.versions.push(stored);
        }
    }

    fn close(&mut self, count: usize) {
        if self.versions.len() > count {
            self.versions.truncate(count);
            self.next = self.last;
        }
    }
}
