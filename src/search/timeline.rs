//! Pages in the order of `_lastUpdated`, read along its index.
//!
//! Every resource has one such row, so the order need not be made: what does not match is skipped,
//! and no more is read than the page needs. Those that have changed since the first page stand in
//! the index where they are now; they are told where they were.

use std::cmp::Ordering;
use std::ops::Range;

use crate::fhir::{Id, ResourceType};
use crate::index::date::{Interval, first_part};
use crate::repository::{self, key};
use crate::search::Error;
use crate::search::clause::Clause;
use crate::search::condition::Test;
use crate::search::cursor::{Cursor, Tie};
use crate::search::query::SortKey;
use crate::search::sort::{Moved, Place, compare, to_cursor};
use crate::store::View;

/// The parameter whose index it is.
const PARAMETER: &str = "_lastUpdated";

/// Whether the order is that of the index.
pub(super) fn serves(keys: &[SortKey]) -> bool {
    matches!(keys, [key] if key.sources == [PARAMETER])
}

/// Whether the cursor is one of this order.
pub(super) fn fits(cursor: &Cursor) -> bool {
    matches!(cursor.place.as_slice(), [Some(value)] if moment(value).is_some())
}

/// The rows that can be on the page: those past the cursor, and within what the clauses ask of the
/// time.
pub(super) fn range(
    kind: ResourceType,
    clauses: &[&Clause],
    keys: &[SortKey],
    cursor: Option<&Cursor>,
) -> Range<Vec<u8>> {
    let mut range = key::index_range(kind, PARAMETER, &[], &[]);
    let backward = cursor.is_some_and(|cursor| cursor.backward);
    let descending = keys.iter().any(|key| key.descending) != backward;
    if let Some(cursor) = cursor
        && let Some(moment) = cursor.place.first().and_then(|value| moment(value.as_deref()?))
    {
        let part = first_part(0, moment);
        let at = key::index(kind, PARAMETER, &[&part, &[]], &cursor.id);
        let same = key::index_range(kind, PARAMETER, &[&part], &[]);
        let bound = if descending { &mut range.end } else { &mut range.start };
        *bound = match (cursor.tie, descending) {
            (Tie::At, true) => at,
            (Tie::At, false) => [at.as_slice(), &[0]].concat(),
            (Tie::Before, true) | (Tie::After, false) => same.end,
            (Tie::After, true) | (Tie::Before, false) => same.start,
        };
    }
    let bounds = clauses.iter().filter_map(|clause| bound(clause));
    for span in bounds.flat_map(Test::spans) {
        let asked = span.range(kind, PARAMETER);
        range.start = range.start.max(asked.start);
        range.end = range.end.min(asked.end);
    }
    range
}

/// Whether all rows of the range meet the clause.
pub(super) fn is_met(clause: &Clause) -> bool {
    matches!(bound(clause), Some(Test::Moment(moment)) if moment.is_exact())
}

/// What the clause asks of the time, if that is all that it asks.
fn bound(clause: &Clause) -> Option<&Test> {
    let Clause::Index { any, negated: false, .. } = clause else { return None };
    let [condition] = any.as_slice() else { return None };
    let timed = condition.sources == [PARAMETER] && matches!(condition.test, Test::Moment(_));
    timed.then_some(&condition.test)
}

/// All resources of that range and those that have moved, in the order of the page.
pub(super) fn places<'a>(
    view: &'a dyn View,
    range: Range<Vec<u8>>,
    keys: &'a [SortKey],
    cursor: Option<&Cursor>,
    moved: &'a Moved,
) -> impl Iterator<Item = Result<(Place, Id), Error>> + 'a {
    let backward = cursor.is_some_and(|cursor| cursor.backward);
    let descending = keys.iter().any(|key| key.descending) != backward;
    let turned = move |ordering: Ordering| if backward { ordering.reverse() } else { ordering };
    let order = move |one: (&Place, &Id), other: (&Place, &Id)| turned(compare(keys, one, other));
    let past = |place: &Place, id: &Id| {
        cursor.is_none_or(|cursor| turned(to_cursor(keys, (place, id), cursor)).is_gt())
    };
    let known = moved.iter().filter_map(|(id, place)| Some((place.clone()?, id.clone())));
    let mut old: Vec<(Place, Id)> = known.filter(|(place, id)| past(place, id)).collect();
    old.sort_by(|a, b| order((&b.0, &b.1), (&a.0, &a.1)));
    let mut rows = rows(view, range, descending)
        .filter(|row| {
            row.as_ref().map_or(true, |(_, id)| moved.get(id).is_none_or(Option::is_none))
        })
        .peekable();
    std::iter::from_fn(move || {
        let from_rows = match (rows.peek(), old.last()) {
            (Some(Ok(row)), Some(old)) => {
                order((&row.0, &row.1), (&old.0, &old.1)) == Ordering::Less
            }
            (None, Some(_)) => false,
            _ => true,
        };
        if from_rows { rows.next() } else { old.pop().map(Ok) }
    })
}

/// The rows of the range, each as a place.
fn rows(
    view: &dyn View,
    range: Range<Vec<u8>>,
    descending: bool,
) -> impl Iterator<Item = Result<(Place, Id), Error>> {
    let rows = view.scan(range);
    let rows: Box<dyn Iterator<Item = _>> =
        if descending { Box::new(rows.rev()) } else { Box::new(rows) };
    rows.map(|row| {
        let damaged = || Error::from(repository::Error::Damaged(key::INDEX));
        let (parts, id) = key::index_parts(&row?.key).ok_or_else(damaged)?;
        let start = Interval::from_parts(&parts).ok_or_else(damaged)?.start;
        Ok((vec![Some((start.cast_unsigned() ^ SIGN).to_be_bytes().to_vec())], id))
    })
}

const SIGN: u64 = 1 << 63;

fn moment(value: &[u8]) -> Option<i64> {
    Some((u64::from_be_bytes(value.try_into().ok()?) ^ SIGN).cast_signed())
}
