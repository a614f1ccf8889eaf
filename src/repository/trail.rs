//! The audit trail as a chain: each entry has a row with a hash of itself and of the hash before it.
//!
//! An entry is an `AuditEvent` in version 1 whose id is its number. The hash of entry n is SHA-256 over
//! the 32 bytes of the hash of entry n-1 (zeroes before the first) and the bytes of the version as they
//! lie in the store. So nothing can be changed, taken out or put in between without all later hashes
//! becoming others; whoever keeps one of them elsewhere can tell.

use sha2::{Digest, Sha256};

use crate::fhir::{Id, ResourceType, VersionId};
use crate::repository::{Change, Error, change, feed, key, read};
use crate::store::{Batch, Expect, View};

/// The hash of an entry.
pub type Hash = [u8; 32];

/// The hash before the first entry.
pub const BEFORE: Hash = [0; 32];

/// The end of a chain.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Head {
    /// The number of the last entry; 0 where there is none.
    pub number: u64,
    /// Its hash.
    pub hash: Hash,
}

impl Head {
    /// The end of the chain after another entry.
    #[must_use]
    pub fn next(self, body: &[u8]) -> Self {
        let hash = Sha256::new().chain_update(self.hash).chain_update(body).finalize();
        Self { number: self.number + 1, hash: hash.into() }
    }
}

/// The id of an entry.
pub fn id(number: u64) -> Option<Id> {
    Id::parse(&format!("{number:012}"))
}

/// The number of an entry of that id.
pub fn number(id: &Id) -> Option<u64> {
    id.as_str().parse().ok().filter(|number| self::id(*number).as_ref() == Some(id))
}

/// The end of the chain in a view.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn head(view: &dyn View) -> Result<Head, Error> {
    let last = view.scan(key::chain_from(0)).next_back().transpose()?;
    last.map_or(Ok(Head { number: 0, hash: BEFORE }), |row| parse(&row.key, &row.value))
}

/// The links of the chain, in order.
pub fn links(view: &dyn View) -> impl Iterator<Item = Result<Head, Error>> {
    view.scan(key::chain_from(0)).map(|row| {
        let row = row?;
        parse(&row.key, &row.value)
    })
}

fn parse(key: &[u8], value: &[u8]) -> Result<Head, Error> {
    let number = key::link_number(key).ok_or(Error::Damaged(key::TRAIL))?;
    let hash = value.try_into().map_err(|_| Error::Damaged(key::TRAIL))?;
    Ok(Head { number, hash })
}

/// A batch that adds those entries, which must have the numbers after the head, and the end of the chain
/// after them.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn append(view: &dyn View, head: Head, entries: &[Change]) -> Result<(Batch, Head), Error> {
    let mut batch = change::batch(view, entries)?;
    let mut end = head;
    for entry in entries {
        end = end.next(entry.body.as_deref().unwrap_or_default());
        batch.expects.push(Expect::At(key::chain(end.number), None));
        batch.writes.push((key::chain(end.number), Some(end.hash.to_vec())));
    }
    Ok((batch, end))
}

/// The bytes of an entry as they were written; none where they are gone.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn body(view: &dyn View, kind: ResourceType, number: u64) -> Result<Option<Vec<u8>>, Error> {
    let Some(id) = id(number) else { return Ok(None) };
    Ok(read::version(view, kind, &id, VersionId(1))?.and_then(|stored| stored.body))
}

/// The highest number that the feed tells of: where it is beyond the last link, the end of the chain
/// was cut off.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn told(view: &dyn View) -> Result<u64, Error> {
    for event in feed::backward(view, view.seq()) {
        let (_, event) = event?;
        if let Some(last) = event.changes.iter().filter_map(|told| number(&told.id)).max() {
            return Ok(last);
        }
    }
    Ok(0)
}

/// What stands in the store of a trail beside the chain: the ids of resources of that type that are no
/// entries of it, or no longer what they were.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn strangers(view: &dyn View, kind: ResourceType, last: u64) -> Result<Vec<Id>, Error> {
    let mut found = Vec::new();
    for row in view.scan(key::current_range(kind)) {
        let row = row?;
        let id = key::current_id(&row.key).ok_or(Error::Damaged(key::CURRENT))?;
        let (version, is_deleted) = read::parse_current(&row.value)?;
        let is_entry = number(&id).is_some_and(|number| (1..=last).contains(&number));
        if !is_entry || is_deleted || version != VersionId(1) {
            found.push(id);
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SHA-256 of 32 zero bytes and "abc", and of that and "d": from Python's hashlib.
    #[test]
    fn hashes_are_of_the_hash_before_and_the_bytes() {
        let hex = |hash: Hash| hash.map(|byte| format!("{byte:02x}")).concat();
        let first = Head { number: 0, hash: BEFORE }.next(b"abc");
        assert_eq!(hex(first.hash), FIRST);
        let second = first.next(b"d");
        assert_eq!((second.number, hex(second.hash).as_str()), (2, SECOND));
    }

    const FIRST: &str = "365aa7d8f7f9402c4b9434502b4cc89ddb09fe50d7cd95b493b834c62d5a5370";
    const SECOND: &str = "5ced49dd2fbfcd15cd13349fc22e09a7ff55d908c47dd82246fba92ef5c6ca1a";

    #[test]
    fn ids_are_numbers() {
        assert_eq!(id(42).unwrap().as_str(), "000000000042");
        assert_eq!(number(&id(7).unwrap()), Some(7));
        assert_eq!(number(&Id::parse("7").unwrap()), None);
        assert_eq!(number(&Id::parse("x").unwrap()), None);
    }
}
