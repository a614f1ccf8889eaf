//! What happened to a resource, to a type, or to all, from either end.
//!
//! Pages follow the order of commits, not the clock, so a page that is asked for later neither
//! repeats nor skips anything. A page looks at so many versions at most: where few of them are
//! wanted it may have none, and still a next one. Source: <http://hl7.org/fhir/R4/http.html#history>.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

use crate::fhir::{Id, Instant, ResourceType, VersionId};
use crate::repository::{Error, Stored, feed, key, read};
use crate::store::{Seq, View};

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

/// Which versions are wanted; all of these must hold.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Wanted {
    /// Made then or later.
    pub since: Option<Instant>,
    /// Current at some moment from the first to the last of these.
    pub at: Option<RangeInclusive<i64>>,
    /// Of these resources; only those versions of them, or all where none is named.
    pub listed: Option<BTreeMap<(ResourceType, Id), BTreeSet<VersionId>>>,
}

impl Wanted {
    fn names(&self, kind: ResourceType, id: &Id, version: VersionId) -> bool {
        let Some(listed) = &self.listed else { return true };
        let versions = listed.get(&(kind, id.clone()));
        versions.is_some_and(|only| only.is_empty() || only.contains(&version))
    }

    /// `replaced` is when the next version was made.
    fn holds(&self, stored: &Stored, replaced: Option<Instant>) -> bool {
        let made = stored.last_updated.millis();
        self.since.is_none_or(|since| stored.last_updated >= since)
            && self.at.as_ref().is_none_or(|at| {
                made <= *at.end() && replaced.is_none_or(|moment| moment.millis() > *at.start())
            })
    }
}

/// A place between pages. For one resource the version, else the commit and the place within it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Cursor {
    /// Version or commit.
    pub number: u64,
    /// Place within the commit.
    pub place: usize,
}

/// How a history is walked.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub struct Walk {
    /// Whether the oldest come first; else the newest do.
    pub ascending: bool,
    /// Where the page is; none: the first.
    pub from: Option<Edge>,
    /// How many versions a page has at most.
    pub count: usize,
}

/// Where a page begins or ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Edge {
    /// The place, which is not on the page.
    pub cursor: Cursor,
    /// Whether the page is the one before the place.
    pub backward: bool,
}

impl Walk {
    /// Whether the versions are looked for from the older to the newer.
    fn is_up(self) -> bool {
        self.ascending != self.is_backward()
    }

    fn is_backward(self) -> bool {
        self.from.is_some_and(|from| from.backward)
    }

    fn is_past(self, cursor: Cursor) -> bool {
        self.from.is_none_or(|from| match self.is_up() {
            true => cursor > from.cursor,
            false => cursor < from.cursor,
        })
    }
}

/// A page of versions.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Page {
    /// The versions in their order.
    pub versions: Vec<Stored>,
    /// The page after this one, if there is one.
    pub next: Option<Edge>,
    /// The page before this one, if there may be one.
    pub previous: Option<Edge>,
    /// How many there are in all, where that is cheap to know.
    pub total: Option<u64>,
}

/// How long a commit may lag behind the time that it was given: times are given before commits are
/// ordered, so what is looked for by time is looked for that much earlier and later.
const LAG_MILLIS: i64 = 60_000;

/// How many versions are looked at for one page.
const LOOKED_AT: usize = 200_000;

/// One page of the versions that are wanted.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn history(view: &dyn View, scope: &Scope, wanted: &Wanted, walk: Walk) -> Result<Page, Error> {
    match scope {
        Scope::Instance(kind, id) => instance(view, (*kind, id), wanted, walk),
        Scope::Type(kind) => from_feed(view, Some(*kind), wanted, walk),
        Scope::System => from_feed(view, None, wanted, walk),
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
    (kind, id): (ResourceType, &Id),
    wanted: &Wanted,
    walk: Walk,
) -> Result<Page, Error> {
    let mut numbers = Vec::new();
    let mut replaced = None;
    for row in view.scan(key::versions(kind, id)).rev() {
        let row = row?;
        let number = key::version_id(&row.key).ok_or(Error::Damaged(key::VERSION))?;
        let stored = read::parse_version(kind, id.clone(), number, row.seq, row.value)?;
        if wanted.names(kind, id, number) && wanted.holds(&stored, replaced) {
            numbers.push(number);
        }
        replaced = Some(stored.last_updated);
    }
    let total = u64::try_from(numbers.len()).ok();
    if walk.is_up() {
        numbers.reverse();
    }
    let mut gathered = Gathered::new(walk);
    for number in numbers {
        let cursor = Cursor { number: number.0, place: 0 };
        if !walk.is_past(cursor) {
            continue;
        }
        if gathered.is_full() {
            break;
        }
        let stored = read::version(view, kind, id, number)?.ok_or(Error::Damaged(key::VERSION))?;
        gathered.found.push((cursor, stored));
    }
    Ok(Page { total, ..gathered.page() })
}

fn from_feed(
    view: &dyn View,
    kind: Option<ResourceType>,
    wanted: &Wanted,
    walk: Walk,
) -> Result<Page, Error> {
    let (mut first, mut last) = commits(view, wanted)?;
    if let Some(from) = walk.from {
        match walk.is_up() {
            true => first = first.max(from.cursor.number),
            false => last = last.min(from.cursor.number),
        }
    }
    let mut gathered = Gathered::new(walk);
    let (mut looked_at, mut last_seen) = (0, None);
    for event in feed::between(view, first, last, walk.is_up()) {
        let event = event?;
        let mut changes: Vec<_> = event.changes.iter().enumerate().collect();
        if !walk.is_up() {
            changes.reverse();
        }
        for (place, told) in changes {
            let cursor = Cursor { number: event.seq, place };
            if !walk.is_past(cursor) {
                continue;
            }
            if looked_at == LOOKED_AT {
                gathered.beyond = last_seen;
                return Ok(gathered.page());
            }
            (looked_at, last_seen) = (looked_at + 1, Some(cursor));
            if kind.is_some_and(|kind| told.kind != kind)
                || !wanted.names(told.kind, &told.id, told.version)
            {
                continue;
            }
            let found = |number| read::version(view, told.kind, &told.id, number);
            let stored = found(told.version)?.ok_or(Error::Damaged(key::VERSION))?;
            let next = match wanted.at {
                Some(_) => found(told.version.next())?.map(|next| next.last_updated),
                None => None,
            };
            if !wanted.holds(&stored, next) {
                continue;
            }
            if gathered.is_full() {
                return Ok(gathered.page());
            }
            gathered.found.push((cursor, stored));
        }
    }
    Ok(gathered.page())
}

/// The commits in which wanted versions can be, from the first to the last.
fn commits(view: &dyn View, wanted: &Wanted) -> Result<(Seq, Seq), Error> {
    let first = match wanted.since {
        Some(since) => feed::first_at(view, since.millis().saturating_sub(LAG_MILLIS))?,
        None => 1,
    };
    let last = match &wanted.at {
        Some(at) => feed::first_at(view, at.end().saturating_add(LAG_MILLIS + 1))?,
        None => view.seq(),
    };
    Ok((first, last))
}

/// What was found for a page, in the order of looking.
struct Gathered {
    walk: Walk,
    found: Vec<(Cursor, Stored)>,
    /// Where the page ended though there is more, or may be.
    beyond: Option<Cursor>,
}

impl Gathered {
    fn new(walk: Walk) -> Self {
        Self { walk, found: Vec::new(), beyond: None }
    }

    /// Whether the page is full, so that what was just found stands beyond its end.
    fn is_full(&mut self) -> bool {
        let full = self.found.len() >= self.walk.count;
        if full {
            self.beyond = self.found.last().map(|(cursor, _)| *cursor);
        }
        full
    }

    fn page(self) -> Page {
        let Self { walk, mut found, beyond } = self;
        let backward = walk.is_backward();
        let beyond = beyond.map(|cursor| Edge { cursor, backward });
        // The page that the reader comes from is there in any case.
        let came = found.first().filter(|_| walk.from.is_some());
        let came = came.map(|(cursor, _)| Edge { cursor: *cursor, backward: !backward });
        if backward {
            found.reverse();
        }
        let (previous, next) = if backward { (beyond, came) } else { (came, beyond) };
        let versions = found.into_iter().map(|(_, stored)| stored).collect();
        Page { versions, next, previous, total: None }
    }
}
