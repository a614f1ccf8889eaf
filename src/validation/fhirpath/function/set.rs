//! Collections as sets.

use super::super::Answer;
use super::super::item::Item;
use super::super::operator::{Seen, distinct};
use super::{Call, Entry, bool, entry};

pub(super) const FUNCTIONS: &[Entry] = &[
    entry("distinct", 0..=0, |_, left| Ok(distinct(left.into_iter()))),
    entry("isDistinct", 0..=0, is_distinct),
    entry("subsetOf", 1..=1, |call, left| Ok(is_part(&left, &call.value(0)?))),
    entry("supersetOf", 1..=1, |call, left| Ok(is_part(&call.value(0)?, &left))),
    entry("union", 1..=1, |call, left| Ok(distinct(left.into_iter().chain(call.value(0)?)))),
    entry("combine", 1..=1, |call, left| Ok(left.into_iter().chain(call.value(0)?).collect())),
    entry("intersect", 1..=1, intersect),
    entry("exclude", 1..=1, exclude),
];

fn is_distinct<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut seen = Seen::nothing();
    bool(left.iter().all(|item| seen.add(item)))
}

fn is_part<'v>(part: &[Item<'v>], whole: &[Item<'v>]) -> Vec<Item<'v>> {
    let whole = Seen::of(whole);
    vec![Item::Bool(part.iter().all(|item| whole.has(item)))]
}

fn intersect<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    if left.is_empty() {
        return Ok(left);
    }
    let other = Seen::of(&call.value(0)?);
    Ok(distinct(left.into_iter().filter(|item| other.has(item))))
}

fn exclude<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let other = Seen::of(&call.value(0)?);
    Ok(left.into_iter().filter(|item| !other.has(item)).collect())
}
