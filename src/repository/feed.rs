//! The feed: one event for each commit, telling what changed.
//!
//! Workers follow it with a cursor; the history of a type or of the whole is read from it.

use serde::{Deserialize, Serialize};

use crate::fhir::{Id, Instant, ResourceType, VersionId};
use crate::repository::Error;
use crate::store::{self, Row, Seq, View};

/// What one commit changed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Event {
    /// The commit.
    pub seq: Seq,
    /// The changes, in the order of the request.
    pub changes: Vec<Told>,
}

/// One change as the feed tells it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Told {
    /// The type of the resource.
    pub kind: ResourceType,
    /// Its id.
    pub id: Id,
    /// The version that the change made.
    pub version: VersionId,
}

/// The form in which an event lies in the store.
#[derive(Serialize, Deserialize)]
struct Line {
    at: i64,
    changes: Vec<(String, String, u64)>,
}

/// The bytes of the event of a commit made at that time.
pub(super) fn encode(at: Instant, changes: impl Iterator<Item = Told>) -> Vec<u8> {
    let changes = changes.map(|t| (t.kind.to_string(), t.id.to_string(), t.version.0)).collect();
    let line = Line { at: at.millis(), changes };
    // A struct of numbers and texts always has a JSON form.
    serde_json::to_vec(&line).unwrap_or_default()
}

/// One event that tells of the changes of all those, in their order, at the time of the first.
pub(super) fn joined(events: &[Vec<u8>]) -> Option<Vec<u8>> {
    let mut lines = events.iter().filter_map(|event| serde_json::from_slice::<Line>(event).ok());
    let mut first = lines.next()?;
    first.changes.extend(lines.flat_map(|line| line.changes));
    serde_json::to_vec(&first).ok()
}

/// The event of that row with those of its changes that are to be kept.
///
/// # Errors
/// [`Error::Damaged`], as the error of whoever asks; those of `keep`.
pub fn kept<E: From<Error>>(
    row: &Row,
    keep: impl Fn(&Told) -> Result<bool, E>,
) -> Result<Vec<u8>, E> {
    let (at, event) = parse(row.seq, &row.value).ok_or(Error::Damaged(store::OWN))?;
    let mut changes = Vec::new();
    for told in event.changes {
        if keep(&told)? {
            changes.push(told);
        }
    }
    Ok(encode(at, changes.into_iter()))
}

fn parse(seq: Seq, bytes: &[u8]) -> Option<(Instant, Event)> {
    let line: Line = serde_json::from_slice(bytes).ok()?;
    let told = |(kind, id, version): (String, String, u64)| {
        Some(Told {
            kind: ResourceType::parse(&kind)?,
            id: Id::parse(&id)?,
            version: VersionId(version),
        })
    };
    let changes = line.changes.into_iter().map(told).collect::<Option<_>>()?;
    Some((Instant::from_millis(line.at), Event { seq, changes }))
}

/// The events of commits after `cursor`, oldest first.
pub fn after(view: &dyn View, cursor: Seq) -> impl Iterator<Item = Result<Event, Error>> {
    events(view, cursor.saturating_add(1), Seq::MAX).map(|event| event.map(|(_, event)| event))
}

/// The last commit that changed a resource; 0 where none did. Others, such as those of new index rows,
/// have no event.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn last(view: &dyn View) -> Result<Seq, Error> {
    let last = backward(view, view.seq()).next().transpose()?;
    Ok(last.map_or(0, |(_, event)| event.seq))
}

/// The events of commits from `first` to `last`, both included, oldest first if `up`, else newest
/// first.
pub(super) fn between(
    view: &dyn View,
    first: Seq,
    last: Seq,
    up: bool,
) -> impl Iterator<Item = Result<Event, Error>> {
    let events = events(view, first, last.saturating_add(1));
    let events: Box<dyn Iterator<Item = _>> =
        if up { Box::new(events) } else { Box::new(events.rev()) };
    events.map(|event| event.map(|(_, event)| event))
}

/// The first commit that was made at that moment or later, in milliseconds since the epoch; the one
/// after the last if there is none. Commits are taken to be in the order of their times.
pub(super) fn first_at(view: &dyn View, millis: i64) -> Result<Seq, Error> {
    let (mut low, mut high) = (1, view.seq().saturating_add(1));
    while low < high {
        let middle = low + (high - low) / 2;
        match events(view, middle, high).next().transpose()? {
            Some((at, event)) if at.millis() < millis => low = event.seq + 1,
            _ => high = middle,
        }
    }
    Ok(low)
}

/// The events of commits up to and including `last`, newest first, with their times.
pub(super) fn backward(
    view: &dyn View,
    last: Seq,
) -> impl Iterator<Item = Result<(Instant, Event), Error>> {
    events(view, 0, last.saturating_add(1)).rev()
}

fn events(
    view: &dyn View,
    from: Seq,
    to: Seq,
) -> impl DoubleEndedIterator<Item = Result<(Instant, Event), Error>> {
    view.scan(store::feed_key(from)..store::feed_key(to)).map(|row| {
        let row = row?;
        parse(row.seq, &row.value).ok_or(Error::Damaged(store::OWN))
    })
}
