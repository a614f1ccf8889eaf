//! A store in memory, for tests: keeps every promise but durability.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{PoisonError, RwLock, RwLockReadGuard};

use tokio::sync::watch;

use super::{Batch, Error, Expect, Row, Scan, Seq, Store, View, feed_key};

/// Rows in a `BTreeMap`; gone with the process.
pub struct MemoryStore {
    rows: RwLock<Rows>,
    head: watch::Sender<Seq>,
}

#[derive(Default)]
struct Rows {
    seq: Seq,
    map: BTreeMap<Vec<u8>, (Seq, Vec<u8>)>,
}

impl MemoryStore {
    /// An empty store.
    pub fn new() -> Self {
        Self { rows: RwLock::default(), head: watch::channel(0).0 }
    }
}

impl Default for MemoryStore {
    fn default() -> Self {
        Self::new()
    }
}

impl Store for MemoryStore {
    fn view(&self) -> Result<Box<dyn View + '_>, Error> {
        Ok(Box::new(self.rows.read().unwrap_or_else(PoisonError::into_inner)))
    }

    fn commit(&self, batch: Batch) -> Result<Seq, Error> {
        let mut rows = self.rows.write().unwrap_or_else(PoisonError::into_inner);
        if !batch.expects.iter().all(|expect| rows.holds(expect)) {
            return Err(Error::Conflict);
        }
        let seq = rows.seq + 1;
        rows.seq = seq;
        let event = batch.event.map(|event| (feed_key(seq), Some(event)));
        for (key, value) in batch.writes.into_iter().chain(event) {
            match value {
                Some(value) => rows.map.insert(key, (seq, value)),
                None => rows.map.remove(&key),
            };
        }
        self.head.send_replace(seq);
        Ok(seq)
    }

    fn head(&self) -> watch::Receiver<Seq> {
        self.head.subscribe()
    }
}

impl Rows {
    fn holds(&self, expect: &Expect) -> bool {
        match expect {
            Expect::At(key, seq) => self.map.get(key).map(|(at, _)| *at) == *seq,
            Expect::NoneNewer(range, seq) => {
                range.is_empty() || self.map.range(range.clone()).all(|(_, (at, _))| at <= seq)
            }
        }
    }
}

impl View for RwLockReadGuard<'_, Rows> {
    fn seq(&self) -> Seq {
        self.seq
    }

    fn get(&self, key: &[u8]) -> Result<Option<Row>, Error> {
        let found = self.map.get(key);
        Ok(found.map(|(seq, value)| Row { key: key.to_vec(), value: value.clone(), seq: *seq }))
    }

    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_> {
        if range.is_empty() {
            return Box::new(std::iter::empty());
        }
        Box::new(self.map.range(range).map(|(key, (seq, value))| {
            Ok(Row { key: key.clone(), value: value.clone(), seq: *seq })
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::super::contract;
    use super::*;

    #[test]
    fn keeps_the_contract() {
        contract::check(&MemoryStore::new);
    }
}
