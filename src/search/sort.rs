//! The order of matches, and the places that they had.
//!
//! Missing values come last in either direction; of several values that which comes first counts.
//! Source: <http://hl7.org/fhir/R4/search.html#sort>.

use std::cmp::Ordering;
use std::collections::HashMap;
use std::collections::hash_map::Entry;

use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Id, ResourceType};
use crate::index::date::Interval;
use crate::index::{self, Rules};
use crate::repository::{self, feed};
use crate::search::cursor::{Cursor, Tie};
use crate::search::query::SortKey;
use crate::search::{Error, condition};
use crate::store::{Seq, View};

/// Where a match stands: its values for the keys of the order.
pub(super) type Place = Vec<Option<Vec<u8>>>;

/// The place of a resource with these index rows.
pub(super) fn place(keys: &[SortKey], id: &Id, entries: &[index::Entry]) -> Place {
    let value = |sort: &SortKey| {
        if sort.sources.is_empty() {
            return Some(id.as_str().as_bytes().to_vec());
        }
        let of_target = |entry: &&index::Entry| {
            sort.target.is_none_or(|kind| condition::is_of(&entry.parts, kind))
        };
        let own = entries.iter().filter(|entry| sort.sources.contains(&entry.parameter));
        let own = own.filter(of_target);
        let values = own.filter_map(|entry| value(sort, &entry.parts));
        if sort.descending { values.max() } else { values.min() }
    };
    keys.iter().map(value).collect()
}

fn value(sort: &SortKey, parts: &[Vec<u8>]) -> Option<Vec<u8>> {
    match sort.kind {
        ParameterType::Date => {
            let interval = Interval::from_parts(parts)?;
            let moment = if sort.descending { interval.end } else { interval.start };
            Some((moment.cast_unsigned() ^ (1 << 63)).to_be_bytes().to_vec())
        }
        ParameterType::Quantity => parts.get(1).cloned(),
        _ => parts.first().filter(|part| !part.is_empty()).cloned(),
    }
}

/// Which of two matches comes first; ids break ties, in the direction of the last key.
pub(super) fn compare(keys: &[SortKey], one: (&Place, &Id), other: (&Place, &Id)) -> Ordering {
    compare_places(keys, one.0, other.0).then_with(|| {
        let ids = one.1.cmp(other.1);
        if keys.last().is_some_and(|key| key.descending) { ids.reverse() } else { ids }
    })
}

/// Where a match stands to a cursor.
pub(super) fn to_cursor(keys: &[SortKey], one: (&Place, &Id), cursor: &Cursor) -> Ordering {
    match cursor.tie {
        Tie::At => compare(keys, one, (&cursor.place, &cursor.id)),
        Tie::Before => compare_places(keys, one.0, &cursor.place).then(Ordering::Greater),
        Tie::After => compare_places(keys, one.0, &cursor.place).then(Ordering::Less),
    }
}

/// Which of two places comes first.
pub(super) fn compare_places(keys: &[SortKey], one: &Place, other: &Place) -> Ordering {
    for (at, sort) in keys.iter().enumerate() {
        let (left, right) = (one.get(at), other.get(at));
        let ordering = match (left.and_then(Option::as_ref), right.and_then(Option::as_ref)) {
            (Some(left), Some(right)) if sort.descending => right.cmp(left),
            (Some(left), Some(right)) => left.cmp(right),
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
            (None, None) => Ordering::Equal,
        };
        if ordering.is_ne() {
            return ordering;
        }
    }
    Ordering::Equal
}

/// The places that resources had, of those that have changed since; one that was not there has none.
pub(super) type Moved = HashMap<Id, Option<Place>>;

/// How many commits a page link may lie behind before it expires.
const MOST_COMMITS: usize = 20_000;

/// The places that resources of a type had when the commit `seen` was the last, of those that have
/// changed since. One that did not exist then has none.
///
/// # Errors
/// [`Error::Expired`] when too much has changed; [`Error::Repository`] when the store fails.
pub(super) fn places_at(
    view: &dyn View,
    rules: &Rules,
    kind: ResourceType,
    keys: &[SortKey],
    seen: Seq,
) -> Result<Moved, Error> {
    let mut places = Moved::new();
    if seen >= view.seq() {
        return Ok(places);
    }
    for (count, event) in feed::after(view, seen).enumerate() {
        if count >= MOST_COMMITS {
            return Err(Error::Expired);
        }
        for told in event?.changes.into_iter().filter(|told| told.kind == kind) {
            if let Entry::Vacant(free) = places.entry(told.id) {
                let place = place_at(view, rules, kind, keys, free.key(), seen)?;
                free.insert(place);
            }
        }
    }
    Ok(places)
}

fn place_at(
    view: &dyn View,
    rules: &Rules,
    kind: ResourceType,
    keys: &[SortKey],
    id: &Id,
    seen: Seq,
) -> Result<Option<Place>, Error> {
    let Some(then) = repository::version_seen(view, kind, id, seen)? else { return Ok(None) };
    let Some(resource) = then.content()? else { return Ok(None) };
    Ok(Some(place(keys, id, &index::entries(rules, &resource))))
}
