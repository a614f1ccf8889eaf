//! Candidates: the ids that one clause gives, in their order.
//!
//! The rows of one whole key come in the order of ids. A clause whose rows have few distinct keys
//! is read as a merge of those, from the middle if need be, and never as a whole; others are
//! gathered and sorted.

use std::collections::BTreeSet;
use std::iter::Peekable;
use std::ops::Range;

use crate::fhir::{Id, ResourceType};
use crate::repository::{self, key, read};
use crate::search::Error;
use crate::search::check::{self, Check};
use crate::search::clause::Clause;
use crate::search::condition::Condition;
use crate::search::plan::Rows;
use crate::store::{self, Row, View};

/// Ids, in ascending or descending order.
pub(super) type Ids<'a> = Box<dyn Iterator<Item = Result<Id, Error>> + 'a>;

/// The same, of each whether it is one of those that are asked for.
type Judged<'a> = Box<dyn Iterator<Item = Result<(Id, bool), Error>> + 'a>;

/// From where, and in which direction.
#[derive(Clone, Copy)]
pub(super) struct Course<'a> {
    /// The last id that is not wanted any more.
    pub(super) past: Option<&'a Id>,
    /// Whether the greatest comes first.
    pub(super) descending: bool,
}

impl Course<'_> {
    /// All of them, upward.
    pub(super) const ALL: Self = Self { past: None, descending: false };

    pub(super) fn wants(self, id: &Id) -> bool {
        self.past.is_none_or(|past| if self.descending { id < past } else { id > past })
    }
}

/// The most distinct keys that are merged.
const MOST_KEYS: usize = 16;

/// The most spans that are looked into for distinct keys.
const MOST_SPANS: usize = 64;

/// The most rows that are gathered.
const MOST_ROWS: usize = 1_000_000;

/// Where candidates come from.
pub(super) enum Source<'a> {
    /// Every current resource of the type.
    All,
    /// A list of ids.
    Ids(&'a BTreeSet<Id>),
    /// Those that have been read, in the order of ids.
    Found(Vec<Id>),
    /// Rows of few distinct keys, which come in the order of ids and are merged.
    Keys(Vec<WholeKey<'a>>),
    /// Rows of many keys, which must be gathered and sorted.
    Ranges(&'a [Condition]),
}

impl<'a> Source<'a> {
    /// The rows of a clause; none for a clause that only candidates can be asked.
    pub(super) fn of(
        view: &dyn View,
        kind: ResourceType,
        clause: &'a Clause,
    ) -> Result<Option<Self>, Error> {
        Ok(match clause {
            Clause::Ids { ids, negated: false } => Some(Self::Ids(ids)),
            Clause::Index { any, negated: false, .. } => {
                let keys = distinct_keys(view, kind, any)?;
                Some(keys.map_or(Self::Ranges(any), Self::Keys))
            }
            _ => None,
        })
    }

    /// How many ids there are, up to `most`.
    pub(super) fn count(
        &self,
        view: &dyn View,
        kind: ResourceType,
        most: usize,
    ) -> Result<usize, Error> {
        let mut count = 0;
        for id in self.ids(view, kind, Course::ALL)?.take(most) {
            id?;
            count += 1;
        }
        Ok(count)
    }

    /// The ids of current resources, in the order of the course.
    ///
    /// # Errors
    /// [`Error::TooCostly`] when too many rows would have to be gathered; [`Error::Repository`].
    pub(super) fn ids<'s>(
        &'s self,
        view: &'s dyn View,
        kind: ResourceType,
        course: Course<'s>,
    ) -> Result<Ids<'s>, Error> {
        Ok(match self {
            Self::All => current(view, kind, course),
            Self::Ids(ids) => {
                let wanted: Vec<&Id> = ids.iter().filter(|id| course.wants(id)).collect();
                let wanted: Box<dyn Iterator<Item = &Id>> = if course.descending {
                    Box::new(wanted.into_iter().rev())
                } else {
                    Box::new(wanted.into_iter())
                };
                Box::new(wanted.filter_map(move |id| match exists(view, kind, id) {
                    Ok(true) => Some(Ok(id.clone())),
                    Ok(false) => None,
                    Err(error) => Some(Err(error)),
                }))
            }
            Self::Found(ids) => {
                let wanted = ids.iter().filter(move |id| course.wants(id)).map(|id| Ok(id.clone()));
                if course.descending { Box::new(wanted.rev()) } else { Box::new(wanted) }
            }
            Self::Keys(keys) => {
                let streams = keys.iter().map(|key| key.ids(view, course).peekable());
                Box::new(Merge { streams: streams.collect(), course })
            }
            Self::Ranges(any) => {
                let mut ids = gather(view, kind, any, course)?;
                if course.descending {
                    ids.reverse();
                }
                Box::new(ids.into_iter().map(Ok))
            }
        })
    }
}

fn exists(view: &dyn View, kind: ResourceType, id: &Id) -> Result<bool, Error> {
    let row = view.get(&key::current(kind, id))?;
    let state = row.map(|row| read::parse_current(&row.value)).transpose()?;
    Ok(state.is_some_and(|(_, deleted)| !deleted))
}

fn current<'a>(view: &'a dyn View, kind: ResourceType, course: Course<'_>) -> Ids<'a> {
    let mut range = key::current_range(kind);
    match course.past {
        Some(past) if course.descending => range.end = key::current(kind, past),
        Some(past) => range = key::current_after(kind, past),
        None => {}
    }
    let damaged = || Error::from(repository::Error::Damaged(key::CURRENT));
    Box::new(rows(view, range, course).filter_map(move |row| {
        let read = || -> Result<Option<Id>, Error> {
            let row = row?;
            let (_, deleted) = read::parse_current(&row.value)?;
            if deleted {
                return Ok(None);
            }
            key::current_id(&row.key).map(Some).ok_or_else(damaged)
        };
        read().transpose()
    }))
}

/// The rows of a range in the direction of the course.
fn rows<'a>(
    view: &'a dyn View,
    range: Range<Vec<u8>>,
    course: Course<'_>,
) -> Box<dyn Iterator<Item = Result<Row, store::Error>> + 'a> {
    let rows = view.scan(range);
    if course.descending { Box::new(rows.rev()) } else { Box::new(rows) }
}

/// The rows of one whole key under one name, for one condition.
pub(super) struct WholeKey<'a> {
    condition: &'a Condition,
    parts: Vec<Vec<u8>>,
    /// The rows.
    range: Range<Vec<u8>>,
}

impl<'a> WholeKey<'a> {
    fn new(
        kind: ResourceType,
        source: &str,
        condition: &'a Condition,
        parts: Vec<Vec<u8>>,
    ) -> Self {
        let whole: Vec<&[u8]> = parts.iter().map(Vec::as_slice).collect();
        Self { condition, range: key::index_range(kind, source, &whole, &[]), parts }
    }

    /// What stands before the id in each of the rows.
    fn before(&self) -> &[u8] {
        &self.range.start
    }

    /// The ids of all its rows, and of each whether the condition accepts it.
    fn ids<'s>(&'s self, view: &'s dyn View, course: Course<'_>) -> Judged<'s> {
        let mut range = self.range.clone();
        if let Some(past) = course.past {
            let at = key::index_below(self.before(), past);
            if course.descending {
                range.end = at;
            } else {
                range.start = [at.as_slice(), &[0]].concat();
            }
        }
        Box::new(rows(view, range, course).map(move |row| {
            let row = row?;
            let id = key::index_id(&row.key, self.before().len()).ok_or_else(damaged)?;
            Ok((id, self.condition.accepts(&self.parts, &row.value)))
        }))
    }

    /// Whether that resource has the row.
    pub(super) fn has(&self, view: &dyn View, id: &Id) -> Result<bool, Error> {
        let row = view.get(&key::index_below(self.before(), id))?;
        Ok(row.is_some_and(|row| self.condition.accepts(&self.parts, &row.value)))
    }
}

fn damaged() -> Error {
    repository::Error::Damaged(key::INDEX).into()
}

/// The distinct keys of the rows that the conditions ask for; none if there are many.
pub(super) fn distinct_keys<'a>(
    view: &dyn View,
    kind: ResourceType,
    any: &'a [Condition],
) -> Result<Option<Vec<WholeKey<'a>>>, Error> {
    let mut keys = Vec::new();
    if any.len() > MOST_KEYS {
        return Ok(None);
    }
    for condition in any {
        let spans = condition.test.spans();
        if spans.len() > MOST_SPANS {
            return Ok(None);
        }
        for (source, span) in
            condition.sources.iter().flat_map(|source| spans.iter().map(move |span| (source, span)))
        {
            let mut range = span.range(kind, source);
            while let Some(row) = view.scan(range.clone()).next() {
                let (parts, _) = key::index_parts(&row?.key).ok_or_else(damaged)?;
                if keys.len() == MOST_KEYS {
                    return Ok(None);
                }
                let key = WholeKey::new(kind, source, condition, parts);
                range.start.clone_from(&key.range.end);
                keys.push(key);
            }
        }
    }
    Ok(Some(keys))
}

fn gather(
    view: &dyn View,
    kind: ResourceType,
    any: &[Condition],
    course: Course<'_>,
) -> Result<Vec<Id>, Error> {
    let mut ids = Vec::new();
    let mut rows = 0;
    for condition in any {
        for range in condition.ranges(kind) {
            for row in view.scan(range) {
                let row = row?;
                rows += 1;
                if rows > MOST_ROWS {
                    return Err(Error::costly(None, "too many values would have to be looked at"));
                }
                let (parts, id) = key::index_parts(&row.key).ok_or_else(damaged)?;
                if course.wants(&id) && condition.accepts(&parts, &row.value) {
                    ids.push(id);
                }
            }
        }
    }
    ids.sort_unstable();
    ids.dedup();
    Ok(ids)
}

/// The ids that the conditions give, in their order, from `most` rows at most; how many rows there
/// are, and whether there may be more.
pub(super) fn gather_few(
    view: &dyn View,
    kind: ResourceType,
    any: &[Condition],
    most: usize,
) -> Result<(Rows, Vec<Id>), Error> {
    let (mut counted, mut ids) = (0, Vec::new());
    for condition in any {
        for range in condition.ranges(kind) {
            for row in view.scan(range) {
                let row = row?;
                counted += 1;
                if counted >= most {
                    return Ok((Rows { counted, more: true }, ids));
                }
                let (parts, id) = key::index_parts(&row.key).ok_or_else(damaged)?;
                if condition.accepts(&parts, &row.value) {
                    ids.push(id);
                }
            }
        }
    }
    ids.sort_unstable();
    ids.dedup();
    Ok((Rows { counted, more: false }, ids))
}

/// How many rows the clause has, up to `most`; none for a clause that gives no rows.
pub(super) fn count_up_to(
    view: &dyn View,
    kind: ResourceType,
    clause: &Clause,
    most: usize,
) -> Result<usize, Error> {
    let any = match clause {
        Clause::Ids { ids, .. } => return Ok(ids.len().min(most)),
        Clause::Index { any, .. } => any,
        _ => return Ok(most),
    };
    let mut count = 0;
    for range in any.iter().flat_map(|condition| condition.ranges(kind)) {
        for row in view.scan(range).take(most - count) {
            row?;
            count += 1;
        }
        if count >= most {
            break;
        }
    }
    Ok(count)
}

/// The ids for which all the checks hold.
pub(super) fn filter<'a>(
    view: &'a dyn View,
    kind: ResourceType,
    ids: Ids<'a>,
    checks: &'a [Check<'a>],
) -> Ids<'a> {
    if checks.is_empty() {
        return ids;
    }
    Box::new(ids.filter_map(move |id| {
        let held = id.and_then(|id| Ok(check::hold(view, kind, &id, checks)?.then_some(id)));
        held.transpose()
    }))
}

/// Several streams in one order, without doubles and without what is not asked for. The latter is
/// left out here, so that no stream is read further than the others.
struct Merge<'a> {
    streams: Vec<Peekable<Judged<'a>>>,
    course: Course<'a>,
}

impl Iterator for Merge<'_> {
    type Item = Result<Id, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let mut best: Option<Id> = None;
            for stream in &mut self.streams {
                match stream.peek() {
                    Some(Ok((id, _))) => {
                        let first = best.as_ref().is_none_or(|best| {
                            if self.course.descending { id > best } else { id < best }
                        });
                        if first {
                            best = Some(id.clone());
                        }
                    }
                    Some(Err(_)) => return stream.next().map(|row| row.map(|(id, _)| id)),
                    None => {}
                }
            }
            let best = best?;
            let mut is_asked_for = false;
            for stream in &mut self.streams {
                let is_best =
                    |row: &Result<(Id, bool), Error>| row.as_ref().is_ok_and(|(id, _)| *id == best);
                while let Some(row) = stream.next_if(is_best) {
                    is_asked_for |= row.is_ok_and(|(_, accepted)| accepted);
                }
            }
            if is_asked_for {
                return Some(Ok(best));
            }
        }
    }
}
