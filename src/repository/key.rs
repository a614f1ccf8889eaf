//! Keys in an order that makes every question a range.
//!
//! Texts end in `00 00`, with `00` inside written as `00 FF`; numbers are big-endian. So byte order
//! is the order of the texts and numbers, and no key is the beginning of another of its kind.

mod followed;

use std::ffi::CStr;
use std::ops::{Bound, Range};

pub use followed::{
    facts, facts_all, facts_episode, facts_naming, facts_naming_range, facts_range, facts_state,
    feed_read, notice, notices, of_subscription, subscription,
};

use crate::fhir::{Id, ResourceType, VersionId};

/// The first byte of a row of current versions.
pub const CURRENT: u8 = 0x02;
/// The first byte of a row that holds a version.
pub const VERSION: u8 = 0x03;
/// The first byte of an index row.
pub const INDEX: u8 = 0x04;
/// The first byte of a row that lists the index keys of a resource.
pub const ENTRIES: u8 = 0x05;

/// The first byte of the row that each change of definitions writes anew.
pub const DEFINITIONS: u8 = 0x09;
/// The first byte of a row that says what is still to be indexed.
pub const INDEXING: u8 = 0x0A;
/// The first byte of the row that says what the index rows were made by.
pub const FINGERPRINTS: u8 = 0x0B;
/// The first byte of rows of what clients are given.
pub const SECRETS: u8 = 0x0D;
/// The first byte of rows that keep the facts of episodes.
pub const FACTS: u8 = 0x0E;
/// The first byte of a row that links an entry of the audit trail to the one before.
pub const TRAIL: u8 = 0x0F;
/// The first byte of a row that says whose a subscription is.
pub const SUBSCRIBER: u8 = 0x10;
/// The first byte of rows of the events of a subscription.
pub const NOTICE: u8 = 0x11;
/// The first byte of a row that says how far a subscription is; alone: how far the feed is read.
pub const PROGRESS: u8 = 0x12;
/// The first byte of rows of requests that are carried out once.
pub const ONCE: u8 = 0x13;
/// The first byte of rows of links to letters.
pub const LINKS: u8 = 0x15;

const END: [u8; 2] = [0x00, 0x00];

fn push(key: &mut Vec<u8>, part: &[u8]) {
    push_open(key, part);
    key.extend(END);
}

fn push_open(key: &mut Vec<u8>, part: &[u8]) {
    if !part.contains(&0) {
        return key.extend_from_slice(part);
    }
    for byte in part {
        key.push(*byte);
        if *byte == 0 {
            key.push(0xFF);
        }
    }
}

fn head(prefix: u8, kind: ResourceType) -> Vec<u8> {
    let mut key = Vec::with_capacity(96);
    key.push(prefix);
    push(&mut key, kind.as_str().as_bytes());
    key
}

/// The least key after all that begin with `prefix`.
fn after(prefix: &[u8]) -> Vec<u8> {
    let mut end = prefix.to_vec();
    while let Some(last) = end.pop() {
        if last < 0xFF {
            end.push(last + 1);
            break;
        }
    }
    end
}

fn beginning_with(prefix: Vec<u8>) -> Range<Vec<u8>> {
    let end = after(&prefix);
    prefix..end
}

/// The row whose number is that of the last commit that changed definitions.
pub fn definitions() -> Vec<u8> {
    vec![DEFINITIONS]
}

/// The row that says what the index rows were made by.
pub fn fingerprints() -> Vec<u8> {
    vec![FINGERPRINTS]
}

/// The link of that entry of the audit trail.
pub fn chain(number: u64) -> Vec<u8> {
    let mut key = vec![TRAIL];
    key.extend(number.to_be_bytes());
    key
}

/// The links of the audit trail from that entry on.
pub fn chain_from(number: u64) -> Range<Vec<u8>> {
    chain(number)..vec![TRAIL + 1]
}

/// The number of an entry, from the key of its link.
pub fn link_number(key: &[u8]) -> Option<u64> {
    key.strip_prefix(&[TRAIL])?.try_into().ok().map(u64::from_be_bytes)
}

/// The row that says how far the resources of a type are indexed for new parameters.
pub fn indexing(kind: ResourceType) -> Vec<u8> {
    head(INDEXING, kind)
}

/// The row that says which version is current.
pub fn current(kind: ResourceType, id: &Id) -> Vec<u8> {
    let mut key = head(CURRENT, kind);
    push(&mut key, id.as_str().as_bytes());
    key
}

/// The current rows of a type, in order of id; deleted resources included.
pub fn current_range(kind: ResourceType) -> Range<Vec<u8>> {
    beginning_with(head(CURRENT, kind))
}

/// The current rows of a type whose id comes after that one.
pub fn current_after(kind: ResourceType, id: &Id) -> Range<Vec<u8>> {
    after(&current(kind, id))..current_range(kind).end
}

/// The id of a row made by [`current`].
pub fn current_id(key: &[u8]) -> Option<Id> {
    let (_, rest) = take_part(key.get(1..)?)?;
    let (id, _) = take_part(rest)?;
    Id::parse(std::str::from_utf8(&id).ok()?)
}

/// The row that holds one version.
pub fn version(kind: ResourceType, id: &Id, version: VersionId) -> Vec<u8> {
    let mut key = head(VERSION, kind);
    push(&mut key, id.as_str().as_bytes());
    key.extend(version.0.to_be_bytes());
    key
}

/// All versions of one resource, oldest first.
pub fn versions(kind: ResourceType, id: &Id) -> Range<Vec<u8>> {
    let mut key = head(VERSION, kind);
    push(&mut key, id.as_str().as_bytes());
    beginning_with(key)
}

/// The number at the end of a row made by [`version`].
pub fn version_id(key: &[u8]) -> Option<VersionId> {
    key.last_chunk::<8>().map(|bytes| VersionId(u64::from_be_bytes(*bytes)))
}

/// One index row; `parts` are the encoded value.
pub fn index(kind: ResourceType, parameter: &str, parts: &[&[u8]], id: &Id) -> Vec<u8> {
    let mut key = index_head(kind, parameter);
    for part in parts {
        push(&mut key, part);
    }
    push(&mut key, id.as_str().as_bytes());
    key
}

/// The index row of that id, below a key that has all that stands before it.
pub fn index_below(before: &[u8], id: &Id) -> Vec<u8> {
    let mut key = before.to_vec();
    push(&mut key, id.as_str().as_bytes());
    key
}

fn index_head(kind: ResourceType, parameter: &str) -> Vec<u8> {
    let mut key = head(INDEX, kind);
    push(&mut key, parameter.as_bytes());
    key
}

/// The index rows whose first parts are `whole` and whose next part begins with `partial`.
pub fn index_range(
    kind: ResourceType,
    parameter: &str,
    whole: &[&[u8]],
    partial: &[u8],
) -> Range<Vec<u8>> {
    let mut key = index_head(kind, parameter);
    for part in whole {
        push(&mut key, part);
    }
    push_open(&mut key, partial);
    beginning_with(key)
}

/// The index rows whose first parts are `whole` and whose next part lies between the bounds.
pub fn index_span(
    kind: ResourceType,
    parameter: &str,
    whole: &[&[u8]],
    bounds: (Bound<&[u8]>, Bound<&[u8]>),
) -> Range<Vec<u8>> {
    let all = index_range(kind, parameter, whole, &[]);
    let with = |part: &[u8]| {
        let mut key = all.start.clone();
        push(&mut key, part);
        key
    };
    let start = match bounds.0 {
        Bound::Included(part) => with(part),
        Bound::Excluded(part) => after(&with(part)),
        Bound::Unbounded => all.start.clone(),
    };
    let end = match bounds.1 {
        Bound::Included(part) => after(&with(part)),
        Bound::Excluded(part) => with(part),
        Bound::Unbounded => all.end.clone(),
    };
    start..end
}

/// The encoded value and the id of an index row.
pub fn index_parts(key: &[u8]) -> Option<(Vec<Vec<u8>>, Id)> {
    index_row(key).map(|(_, parts, id)| (parts, id))
}

/// The parameter, the encoded value and the id of an index row.
pub fn index_row(key: &[u8]) -> Option<(String, Vec<Vec<u8>>, Id)> {
    let (_, middle) = take_part(key.get(1..)?)?;
    let (parameter, mut parts) = middle_parts(middle)?;
    let id = parts.pop()?;
    let id = Id::parse(std::str::from_utf8(&id).ok()?)?;
    Some((parameter, parts, id))
}

/// The part at the beginning, unescaped, and what follows it.
fn take_part(bytes: &[u8]) -> Option<(Vec<u8>, &[u8])> {
    let (whole, mut rest) = take_plain(bytes)?;
    let mut part = whole.to_vec();
    loop {
        match rest {
            [0x00, 0x00, after @ ..] => return Some((part, after)),
            [0x00, 0xFF, after @ ..] => {
                part.push(0x00);
                let (more, after) = take_plain(after)?;
                part.extend_from_slice(more);
                rest = after;
            }
            _ => return None,
        }
    }
}

/// What stands before the next zero byte, and the rest, which begins with it.
fn take_plain(bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    // The standard library's search for a zero byte, which looks at many bytes at once.
    let length = CStr::from_bytes_until_nul(bytes).ok()?.to_bytes().len();
    bytes.split_at_checked(length)
}

/// What stands between type and id in an index row of that resource.
pub fn index_middle<'a>(kind: ResourceType, id: &Id, key: &'a [u8]) -> Option<&'a [u8]> {
    let rest = key.strip_prefix(&[INDEX])?.strip_prefix(kind.as_str().as_bytes())?;
    let rest = rest.strip_prefix(&END)?.strip_suffix(&END)?;
    rest.strip_suffix(id.as_str().as_bytes())
}

/// The index row of that resource, from what stands between type and id.
pub fn index_around(kind: ResourceType, id: &Id, middle: &[u8]) -> Vec<u8> {
    let mut key = head(INDEX, kind);
    key.extend_from_slice(middle);
    push(&mut key, id.as_str().as_bytes());
    key
}

/// The parameter at the beginning of the middle of an index row, without a copy.
pub fn middle_parameter(middle: &[u8]) -> Option<&[u8]> {
    let (parameter, rest) = take_plain(middle)?;
    rest.starts_with(&END).then_some(parameter)
}

/// The parameter and the encoded value that the middle of an index row tells of.
pub fn middle_parts(middle: &[u8]) -> Option<(String, Vec<Vec<u8>>)> {
    let (parameter, mut rest) = take_part(middle)?;
    let mut parts = Vec::with_capacity(4);
    while !rest.is_empty() {
        let (part, after) = take_part(rest)?;
        parts.push(part);
        rest = after;
    }
    Some((String::from_utf8(parameter).ok()?, parts))
}

/// The id at the end of an index row, of which the parts before it take `length` bytes.
pub fn index_id(key: &[u8], length: usize) -> Option<Id> {
    let id = key.get(length..)?.strip_suffix(&END)?;
    Id::parse(std::str::from_utf8(id).ok()?)
}

/// The type that a row of resources is about.
pub fn kind(key: &[u8]) -> Option<ResourceType> {
    let (name, _) = take_plain(key.get(1..)?)?;
    ResourceType::parse(std::str::from_utf8(name).ok()?)
}

/// The resource that a row is about, and the version where it is about one.
pub fn owner(key: &[u8]) -> Option<(ResourceType, Id, Option<VersionId>)> {
    let kind = kind(key)?;
    let (key, version) = match key.first()? {
        &VERSION => {
            let (rest, _) = key.split_last_chunk::<8>()?;
            (rest, Some(version_id(key)?))
        }
        _ => (key, None),
    };
    // The id is the last part, and no id has a zero in it.
    let rest = key.strip_suffix(&END)?;
    let start = rest.iter().rposition(|byte| *byte == 0)?.checked_add(1)?;
    let id = Id::parse(std::str::from_utf8(rest.get(start..)?).ok()?)?;
    Some((kind, id, version))
}

/// The row of a link to a letter, by the id of its Composition and its own.
pub fn link(letter: &Id, link: &str) -> Vec<u8> {
    let mut key = links(letter).start;
    push(&mut key, link.as_bytes());
    key
}

/// The rows of all links to a letter.
pub fn links(letter: &Id) -> Range<Vec<u8>> {
    let mut key = vec![LINKS];
    push(&mut key, letter.as_str().as_bytes());
    beginning_with(key)
}

/// The row that lists the index keys of a resource.
pub fn entries(kind: ResourceType, id: &Id) -> Vec<u8> {
    let mut key = head(ENTRIES, kind);
    push(&mut key, id.as_str().as_bytes());
    key
}

#[cfg(test)]
mod tests {
    use super::*;

    fn patient() -> ResourceType {
        ResourceType::parse("Patient").unwrap()
    }

    fn id(text: &str) -> Id {
        Id::parse(text).unwrap()
    }

    #[test]
    fn byte_order_is_the_order_of_the_parts() {
        let values: [&[u8]; 7] = [b"", b"\x00", b"\x00\x00", b"\x01", b"a", b"a\x00", b"ab"];
        let keys = values.map(|value| index(patient(), "name", &[value], &id("x")));
        assert!(keys.is_sorted());
        for (key, value) in keys.iter().zip(values) {
            assert_eq!(index_parts(key), Some((vec![value.to_vec()], id("x"))));
        }
    }

    #[test]
    fn ranges_hold_what_they_say() {
        let key = |parts: &[&[u8]]| index(patient(), "name", parts, &id("x"));
        let begins = index_range(patient(), "name", &[], b"an");
        assert!(begins.contains(&key(&[b"anna"])) && begins.contains(&key(&[b"an", b"z"])));
        assert!(!begins.contains(&key(&[b"a"])) && !begins.contains(&key(&[b"ao"])));
        let whole = index_range(patient(), "name", &[b"an"], &[]);
        assert!(whole.contains(&key(&[b"an", b"z"])) && !whole.contains(&key(&[b"anna"])));
        let bounds = (Bound::Excluded(b"b".as_slice()), Bound::Included(b"d".as_slice()));
        let span = index_span(patient(), "name", &[], bounds);
        for (part, inside) in [(b"b", false), (b"c", true), (b"d", true), (b"e", false)] {
            assert_eq!(span.contains(&key(&[part])), inside);
        }
        let other = index(patient(), "named", &[b"anna"], &id("x"));
        assert!(!index_range(patient(), "name", &[], &[]).contains(&other));
    }

    #[test]
    fn current_rows_are_in_order_of_id() {
        let keys = ["a", "a-1", "a.1", "b"].map(|text| current(patient(), &id(text)));
        assert!(keys.is_sorted());
        assert_eq!(current_id(&keys[1]), Some(id("a-1")));
        let later = current_after(patient(), &id("a"));
        assert!(later.contains(&keys[1]) && !later.contains(&keys[0]));
        let group = ResourceType::parse("Group").unwrap();
        assert!(!current_range(patient()).contains(&current(group, &id("a"))));
    }

    #[test]
    fn rows_tell_whose_they_are() {
        let (kind, id) = (patient(), id("a-1.b"));
        let number = VersionId(0x0061_0000_0000_0300);
        for (key, version) in [
            (current(kind, &id), None),
            (version(kind, &id, number), Some(number)),
            (index(kind, "name", &[b"an\x00na", b"\x00"], &id), None),
            (entries(kind, &id), None),
        ] {
            assert_eq!(owner(&key), Some((kind, id.clone(), version)), "{key:?}");
            assert_eq!(super::kind(&key), Some(kind));
        }
        assert_eq!(owner(&definitions()), None);
    }

    #[test]
    fn rows_of_facts_tell_their_episode() {
        let (own, other) = (id("a"), id("a-1"));
        let rows = [facts(&own), facts_naming(patient(), &other, &own)];
        for row in &rows {
            assert_eq!(facts_episode(row), Some(own.clone()));
            assert!(facts_all().contains(row) && facts_state() != *row);
        }
        assert!(facts_all().contains(&facts_state()));
        assert!(facts_range().contains(&rows[0]) && !facts_range().contains(&rows[1]));
        assert!(facts_naming_range(Some((patient(), &other))).contains(&rows[1]));
        assert!(!facts_naming_range(Some((patient(), &own))).contains(&rows[1]));
        assert!(facts_naming_range(None).contains(&rows[1]));
    }

    #[test]
    fn versions_count_upward() {
        let keys = [1, 2, 255, 256].map(|number| version(patient(), &id("a"), VersionId(number)));
        assert!(keys.is_sorted());
        assert!(keys.iter().all(|key| versions(patient(), &id("a")).contains(key)));
        assert_eq!(version_id(&keys[3]), Some(VersionId(256)));
    }
}
