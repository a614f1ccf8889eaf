//! Rows of subscriptions: whose they are, their events by number, how far each is.
//!
//! They are no resources: no history tells of them. All of it follows from the feed, which is read in
//! the order of commits; events and how far the feed is read are one commit, so that each event has
//! one number, whatever happens in between.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::fhir::{Id, Instant, ResourceType, VersionId};
use crate::repository::{Error, key};
use crate::store::{Batch, Expect, Seq, View};

/// Whose a subscription is.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Subscriber {
    /// The client; none where it was made without authorisation.
    pub client: Option<String>,
    /// The scopes of the token that it was written with last.
    pub scope: String,
}

/// An event of a subscription.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Notice {
    /// Its number in the subscription: 1 for the first.
    pub number: u64,
    /// The commit.
    pub seq: Seq,
    /// When it happened.
    pub at: Instant,
    /// The type of the resource in the focus.
    pub kind: ResourceType,
    /// Its id.
    pub id: Id,
    /// The version that it is about.
    pub version: VersionId,
    /// Whether the commit made that version; else it is about what follows from others.
    pub made: bool,
}

/// How far a subscription is.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug, Serialize, Deserialize)]
pub struct Progress {
    /// Whether events are counted.
    pub live: bool,
    /// How many events there were.
    pub events: u64,
    /// The number of the last event that was delivered.
    pub sent: u64,
    /// The least number whose event is kept.
    pub first: u64,
    /// How often delivery has failed since it last succeeded.
    pub failures: u32,
    /// When the subscriber was reached last, in milliseconds since the epoch.
    pub contact: i64,
}

#[derive(Serialize, Deserialize)]
struct Line {
    seq: Seq,
    at: i64,
    kind: String,
    id: String,
    version: u64,
    made: bool,
}

fn row<T: DeserializeOwned>(view: &dyn View, key: &[u8]) -> Result<Option<(T, Seq)>, Error> {
    let Some(row) = view.get(key)? else { return Ok(None) };
    let damaged = |_| Error::Damaged(key.first().copied().unwrap_or_default());
    Ok(Some((serde_json::from_slice(&row.value).map_err(damaged)?, row.seq)))
}

fn write(batch: &mut Batch, key: Vec<u8>, value: &impl Serialize) {
    // Structs of numbers and texts always have a JSON form.
    batch.writes.push((key, Some(serde_json::to_vec(value).unwrap_or_default())));
}

/// Whose the subscription is; none where that is not known.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn subscriber(view: &dyn View, id: &Id) -> Result<Option<Subscriber>, Error> {
    let found = row(view, &key::of_subscription(key::SUBSCRIBER, id))?;
    Ok(found.map(|(subscriber, _)| subscriber))
}

/// Writes whose the subscription is, if that is not known, or the same client has other scopes now.
/// The batch holds only while that stands as it does in the view.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn own(batch: &mut Batch, view: &dyn View, id: &Id, own: &Subscriber) -> Result<(), Error> {
    let key = key::of_subscription(key::SUBSCRIBER, id);
    let found = row::<Subscriber>(view, &key)?;
    batch.expects.push(Expect::At(key.clone(), found.as_ref().map(|(_, seq)| *seq)));
    match found {
        Some((kept, _)) if kept.client != own.client || kept == *own => {}
        _ => write(batch, key, own),
    }
    Ok(())
}

/// How far the subscription is; none for one that was never begun.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn progress(view: &dyn View, id: &Id) -> Result<Option<Progress>, Error> {
    let found = row(view, &key::of_subscription(key::PROGRESS, id))?;
    Ok(found.map(|(progress, _)| progress))
}

/// Writes how far the subscription is.
pub fn proceed(batch: &mut Batch, id: &Id, progress: &Progress) {
    write(batch, key::of_subscription(key::PROGRESS, id), progress);
}

/// The commit up to which the feed is read; none where it never was.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn cursor(view: &dyn View) -> Result<Option<Seq>, Error> {
    Ok(row(view, &key::feed_read())?.map(|(cursor, _)| cursor))
}

/// Writes up to which commit the feed is read.
pub fn read_to(batch: &mut Batch, cursor: Seq) {
    write(batch, key::feed_read(), &cursor);
}

/// Writes an event.
pub fn tell(batch: &mut Batch, subscription: &Id, notice: &Notice) {
    let Notice { number, seq, at, kind, id, version, made } = notice;
    let line = Line {
        seq: *seq,
        at: at.millis(),
        kind: kind.to_string(),
        id: id.to_string(),
        version: version.0,
        made: *made,
    };
    write(batch, key::notice(subscription, *number), &line);
}

/// The events of the subscription from that number on, in their order.
pub fn notices<'v>(
    view: &'v dyn View,
    id: &Id,
    from: u64,
) -> impl Iterator<Item = Result<Notice, Error>> + use<'v> {
    view.scan(key::notices(id, from)).map(|row| {
        let row = row?;
        let damaged = || Error::Damaged(key::NOTICE);
        let number = row.key.last_chunk::<8>().ok_or_else(damaged)?;
        let line: Line = serde_json::from_slice(&row.value).map_err(|_| damaged())?;
        Ok(Notice {
            number: u64::from_be_bytes(*number),
            seq: line.seq,
            at: Instant::from_millis(line.at),
            kind: ResourceType::parse(&line.kind).ok_or_else(damaged)?,
            id: Id::parse(&line.id).ok_or_else(damaged)?,
            version: VersionId(line.version),
            made: line.made,
        })
    })
}

/// Removes the events of those numbers.
pub fn forget(batch: &mut Batch, id: &Id, numbers: std::ops::Range<u64>) {
    batch.writes.extend(numbers.map(|number| (key::notice(id, number), None)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{MemoryStore, Store};

    #[test]
    fn events_come_back_in_their_order() {
        let store = MemoryStore::new();
        let (mine, other) = (Id::parse("s").unwrap(), Id::parse("s-1").unwrap());
        let kind = ResourceType::parse("Observation").unwrap();
        let event = |number| Notice {
            number,
            seq: 7,
            at: Instant::from_millis(5),
            kind,
            id: Id::parse("o").unwrap(),
            version: VersionId(2),
            made: true,
        };
        let mut batch = Batch::default();
        for number in [300, 2, 1] {
            tell(&mut batch, &mine, &event(number));
        }
        tell(&mut batch, &other, &event(1));
        read_to(&mut batch, 7);
        proceed(&mut batch, &mine, &Progress { events: 300, ..Progress::default() });
        store.commit(batch).unwrap();
        let view = store.view().unwrap();
        let numbers: Vec<u64> =
            notices(&*view, &mine, 2).map(|notice| notice.unwrap().number).collect();
        assert_eq!(numbers, [2, 300]);
        assert_eq!(notices(&*view, &other, 0).next().unwrap().unwrap(), event(1));
        assert_eq!(cursor(&*view).unwrap(), Some(7));
        assert_eq!(progress(&*view, &mine).unwrap().unwrap().events, 300);
        assert_eq!(progress(&*view, &other).unwrap(), None);
    }

    #[test]
    fn a_subscription_stays_whose_it_is() {
        let store = MemoryStore::new();
        let id = Id::parse("s").unwrap();
        let of = |client: &str, scope: &str| Subscriber {
            client: Some(client.to_owned()),
            scope: scope.to_owned(),
        };
        for (who, then) in [
            (of("a", "x"), of("a", "x")),
            (of("b", "x"), of("a", "x")),
            (of("a", "y"), of("a", "y")),
        ] {
            let mut batch = Batch::default();
            own(&mut batch, &*store.view().unwrap(), &id, &who).unwrap();
            store.commit(batch).unwrap();
            assert_eq!(subscriber(&*store.view().unwrap(), &id).unwrap(), Some(then));
        }
    }
}
