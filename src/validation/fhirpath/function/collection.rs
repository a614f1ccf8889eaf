//! Existence, filtering and projection, parts of collections, aggregates.

use super::super::eval::{Frame, single, truth};
use super::super::item::{Atom, Item};
use super::super::operator::{Seen, compare};
use super::super::{Answer, Fault};
use super::{Call, Entry, bool, entry, maybe};

pub(super) const FUNCTIONS: &[Entry] = &[
    entry("exists", 0..=1, exists),
    entry("empty", 0..=0, |_, left| bool(left.is_empty())),
    entry("not", 0..=0, not),
    entry("all", 1..=1, all),
    entry("allTrue", 0..=0, |_, left| every(&left, true)),
    entry("allFalse", 0..=0, |_, left| every(&left, false)),
    entry("anyTrue", 0..=0, |_, left| some(&left, true)),
    entry("anyFalse", 0..=0, |_, left| some(&left, false)),
    entry("count", 0..=0, |_, left| maybe(number(left.len()))),
    entry("where", 1..=1, filter),
    entry("select", 1..=1, select),
    entry("repeat", 1..=1, repeat),
    entry("single", 0..=0, |_, left| single(&left).map(|_| ()).map(|()| left)),
    entry("first", 0..=0, |_, left| Ok(left.into_iter().take(1).collect())),
    entry("last", 0..=0, |_, left| maybe(left.into_iter().next_back())),
    entry("tail", 0..=0, |_, left| Ok(left.into_iter().skip(1).collect())),
    entry("skip", 1..=1, skip),
    entry("take", 1..=1, take),
    entry("iif", 2..=3, iif),
    entry("aggregate", 1..=2, aggregate),
    entry("children", 0..=0, |_, left| Ok(children(&left))),
    entry("descendants", 0..=0, descendants),
    entry("trace", 1..=2, |_, left| Ok(left)),
    entry("sort", 0..=8, sort),
];

pub(super) fn number<'v>(count: usize) -> Option<Item<'v>> {
    i64::try_from(count).ok().map(Item::Integer)
}

fn exists<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    if call.arguments.is_empty() {
        return bool(!left.is_empty());
    }
    for (at, item) in left.iter().enumerate() {
        if call.holds(0, item, at)? == Some(true) {
            return bool(true);
        }
    }
    bool(false)
}

fn not<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    maybe(truth(&left)?.map(|value| Item::Bool(!value)))
}

fn all<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    for (at, item) in left.iter().enumerate() {
        if call.holds(0, item, at)? != Some(true) {
            return bool(false);
        }
    }
    bool(true)
}

fn is(item: &Item<'_>, wanted: bool) -> Result<bool, Fault> {
    match item.atom() {
        Some(Atom::Bool(value)) => Ok(value == wanted),
        _ => Err(Fault::new("only booleans can be all or any true or false")),
    }
}

fn every<'v>(left: &[Item<'v>], wanted: bool) -> Answer<'v> {
    for item in left {
        if !is(item, wanted)? {
            return bool(false);
        }
    }
    bool(true)
}

fn some<'v>(left: &[Item<'v>], wanted: bool) -> Answer<'v> {
    for item in left {
        if is(item, wanted)? {
            return bool(true);
        }
    }
    bool(false)
}

fn filter<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut found = Vec::new();
    for (at, item) in left.into_iter().enumerate() {
        if call.holds(0, &item, at)? == Some(true) {
            found.push(item);
        }
    }
    Ok(found)
}

fn select<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut found = Vec::new();
    for (at, item) in left.iter().enumerate() {
        found.extend(call.of(0, item, at)?);
    }
    Ok(found)
}

/// How many items repeat may find.
const MAX_REPEATED: usize = 100_000;

fn repeat<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut seen = Seen::nothing();
    let mut found = Vec::new();
    let mut todo = left;
    while !todo.is_empty() {
        let mut next = Vec::new();
        for (at, item) in todo.iter().enumerate() {
            for item in call.of(0, item, at)? {
                if seen.add(&item) {
                    found.push(item.clone());
                    next.push(item);
                }
            }
            if found.len() > MAX_REPEATED {
                return Err(Fault::new("repeat finds too much"));
            }
        }
        todo = next;
    }
    Ok(found)
}

fn skip<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(count) = call.integer(0)? else { return Ok(Vec::new()) };
    let count = usize::try_from(count).unwrap_or(0);
    Ok(left.into_iter().skip(count).collect())
}

fn take<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(count) = call.integer(0)? else { return Ok(Vec::new()) };
    let count = usize::try_from(count).unwrap_or(0);
    Ok(left.into_iter().take(count).collect())
}

fn iif<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let this = single(&left)?;
    let condition = call.on(0, this, call.frame.index)?;
    let holds = match single(&condition)?.map(Item::atom) {
        None => false,
        Some(Some(Atom::Bool(value))) => value,
        Some(_) => return Err(Fault::new("the condition of iif is no boolean")),
    };
    call.on(if holds { 1 } else { 2 }, this, call.frame.index)
}

fn aggregate<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut total = call.value(1)?;
    let Some(step) = call.arguments.first() else { return Ok(total) };
    for (at, item) in left.iter().enumerate() {
        let frame = Frame { this: Some(item), index: Some(at), total: Some(&total) };
        let next = step.eval(call.env, &frame)?;
        total = next;
    }
    Ok(total)
}

fn children<'v>(left: &[Item<'v>]) -> Vec<Item<'v>> {
    let mut found = Vec::new();
    for item in left {
        if let Some(element) = item.element() {
            element.children(&mut found);
        }
    }
    found
}

fn descendants<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut found = Vec::new();
    let mut level = children(&left);
    while !level.is_empty() {
        let next = children(&level);
        found.append(&mut level);
        level = next;
    }
    Ok(found)
}

fn sort<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    use super::super::Node;
    let mut rows = Vec::new();
    for (at, item) in left.into_iter().enumerate() {
        let frame = Frame { this: Some(&item), index: Some(at), total: call.frame.total };
        let mut keys = Vec::new();
        for key in call.arguments {
            // A minus turns the order of any key, texts too.
            let (key, is_falling) = match key {
                Node::Negate(inner) => (&**inner, true),
                key => (key, false),
            };
            let value = key.eval(call.env, &frame)?;
            keys.push((single(&value)?.cloned(), is_falling));
        }
        if keys.is_empty() {
            keys.push((Some(item.clone()), false));
        }
        rows.push((keys, item));
    }
    let mut fault = None;
    rows.sort_by(|(a, _), (b, _)| {
        for ((a, is_falling), (b, _)) in a.iter().zip(b) {
            let order = match (a, b) {
                (Some(a), Some(b)) => compare(a, b).unwrap_or_else(|told| {
                    fault = Some(told);
                    None
                }),
                (a, b) => Some(a.is_some().cmp(&b.is_some())),
            };
            let order = order.unwrap_or(std::cmp::Ordering::Equal);
            let order = if *is_falling { order.reverse() } else { order };
            if order.is_ne() {
                return order;
            }
        }
        std::cmp::Ordering::Equal
    });
    match fault {
        Some(fault) => Err(fault),
        None => Ok(rows.into_iter().map(|(_, item)| item).collect()),
    }
}
