//! The keys of what is made by following the feed: events of subscriptions, facts of episodes.

use std::ops::Range;

use super::{END, FACTS, NOTICE, PROGRESS, after, beginning_with, push, take_part};
use crate::fhir::{Id, ResourceType};

/// The row of that prefix about a subscription, or the beginning of its rows.
pub fn of_subscription(prefix: u8, id: &Id) -> Vec<u8> {
    let mut key = vec![prefix];
    push(&mut key, id.as_str().as_bytes());
    key
}

/// The row of the event of that number of a subscription.
pub fn notice(id: &Id, number: u64) -> Vec<u8> {
    let mut key = of_subscription(NOTICE, id);
    key.extend(number.to_be_bytes());
    key
}

/// The rows of the events of a subscription from that number on.
pub fn notices(id: &Id, from: u64) -> Range<Vec<u8>> {
    notice(id, from)..after(&of_subscription(NOTICE, id))
}

/// The row that says how far the feed is read for subscriptions.
pub fn feed_read() -> Vec<u8> {
    vec![PROGRESS]
}

/// The subscription that a row is about.
pub fn subscription(key: &[u8]) -> Option<Id> {
    let (id, _) = take_part(key.get(1..)?)?;
    Id::parse(std::str::from_utf8(&id).ok()?)
}

/// The second byte of a row of facts, and of one that says what they name.
const OF_EPISODE: u8 = 1;
const NAMING: u8 = 2;

/// The row that says as of which commit the facts of episodes are.
pub fn facts_state() -> Vec<u8> {
    vec![FACTS, 0]
}

/// All rows about facts of episodes.
pub fn facts_all() -> Range<Vec<u8>> {
    beginning_with(vec![FACTS])
}

/// The facts of an episode.
pub fn facts(episode: &Id) -> Vec<u8> {
    let mut key = vec![FACTS, OF_EPISODE];
    push(&mut key, episode.as_str().as_bytes());
    key
}

/// The facts of all episodes, in order of id.
pub fn facts_range() -> Range<Vec<u8>> {
    beginning_with(vec![FACTS, OF_EPISODE])
}

/// The row that says that the facts of an episode depend on that resource.
pub fn facts_naming(kind: ResourceType, id: &Id, episode: &Id) -> Vec<u8> {
    let mut key = naming(Some((kind, id)));
    push(&mut key, episode.as_str().as_bytes());
    key
}

/// The rows of the episodes whose facts depend on that resource; none: on any.
pub fn facts_naming_range(of: Option<(ResourceType, &Id)>) -> Range<Vec<u8>> {
    beginning_with(naming(of))
}

fn naming(of: Option<(ResourceType, &Id)>) -> Vec<u8> {
    let mut key = vec![FACTS, NAMING];
    if let Some((kind, id)) = of {
        push(&mut key, kind.as_str().as_bytes());
        push(&mut key, id.as_str().as_bytes());
    }
    key
}

/// The id of the episode at the end of a row of facts or of what they name.
pub fn facts_episode(key: &[u8]) -> Option<Id> {
    // No id has a zero in it, and each part ends in two.
    let rest = key.strip_suffix(&END)?;
    let start = rest.iter().rposition(|byte| *byte == 0).map_or(2, |at| at + 1);
    Id::parse(std::str::from_utf8(rest.get(start..)?).ok()?)
}
