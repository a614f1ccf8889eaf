//! The embedded default: one sled tree in one directory.
//!
//! Why it is built as it is, from the crate's own behaviour (sled 0.34.7):
//! - `apply_batch` is atomic within one tree only, so all rows live in one tree under a prefix byte.
//! - A range scan is no snapshot, so a view holds a read lock that keeps batches out.
//! - A look-up goes through several pages and leaves a trace of each, so that rows which are asked
//!   for again and again are kept beside it.
//! - `flush` starts the writing of dirty pages but does not empty the disk's cache, so a commit is
//!   acknowledged only after `fdatasync` on sled's own file.
//! - Pages that were replaced are freed by `crossbeam-epoch`, 512 at most in every 128 calls of sled
//!   by a thread. One call with a batch replaces thousands, so that they would pile up without end; the
//!   writer frees them itself.

use std::fs::File;
use std::ops::Range;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, PoisonError, RwLock, RwLockReadGuard};

use sled::{IVec, Tree};
use tokio::sync::watch;

use super::group::{Engine, GroupCommit};
use super::recent::Recent;
use super::{Batch, Error, Expect, Row, Scan, Seq, Store, View, feed_key};

/// Where the number of the last commit stands.
const LAST: [u8; 1] = [0x00];

/// A store in a directory of its own.
pub struct SledStore {
    shared: Arc<Shared>,
    group: GroupCommit,
}

/// Of what may be kept in memory, the part for single rows; the engine's pages have the rest.
const FOR_ROWS: u64 = 4;

struct Shared {
    tree: Tree,
    recent: Recent,
    /// Held for reading by views, for writing while a batch is applied.
    gate: RwLock<()>,
    last: AtomicU64,
}

impl SledStore {
    /// Opens the store in `directory`, making it where it is missing. `cache_bytes` bounds what is
    /// kept in memory.
    ///
    /// # Errors
    /// [`Error::Engine`] when the directory cannot be used, or another process holds it.
    pub fn open(directory: &Path, cache_bytes: u64) -> Result<Self, Error> {
        let config = sled::Config::new()
            .path(directory)
            .cache_capacity(cache_bytes - cache_bytes / FOR_ROWS)
            .flush_every_ms(None)
            .mode(sled::Mode::HighThroughput);
        let db = config.open().map_err(engine)?;
        let file = File::open(directory.join("db")).map_err(engine)?;
        let tree = db.open_tree("rows").map_err(engine)?;
        let last = match tree.get(LAST).map_err(engine)? {
            Some(bytes) => written_by(&bytes)?,
            None => 0,
        };
        let recent = Recent::new(cache_bytes / FOR_ROWS);
        let (gate, last_commit) = (RwLock::new(()), AtomicU64::new(last));
        let shared = Arc::new(Shared { tree, recent, gate, last: last_commit });
        let writer = Writer { shared: Arc::clone(&shared), db, file, written: 0 };
        Ok(Self { shared, group: GroupCommit::start(writer, last)? })
    }
}

impl Store for SledStore {
    fn view(&self) -> Result<Box<dyn View + '_>, Error> {
        let gate = self.shared.gate.read().unwrap_or_else(PoisonError::into_inner);
        Ok(Box::new(SledView { shared: &self.shared, _gate: gate }))
    }

    fn commit(&self, batch: Batch) -> Result<Seq, Error> {
        self.group.commit(batch)
    }

    fn head(&self) -> watch::Receiver<Seq> {
        self.group.head()
    }
}

struct SledView<'a> {
    shared: &'a Shared,
    _gate: RwLockReadGuard<'a, ()>,
}

impl View for SledView<'_> {
    fn seq(&self) -> Seq {
        self.shared.last.load(Ordering::Acquire)
    }

    fn get(&self, key: &[u8]) -> Result<Option<Row>, Error> {
        if let Some(value) = self.shared.recent.get(key) {
            return row(key, &value).map(Some);
        }
        let Some(value) = self.shared.tree.get(key).map_err(engine)? else { return Ok(None) };
        // No batch is applied while this view is open, so what was found is not old yet.
        self.shared.recent.put(key, &value);
        row(key, &value).map(Some)
    }

    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_> {
        if range.is_empty() {
            return Box::new(std::iter::empty());
        }
        Box::new(self.shared.tree.range(range).map(|entry| {
            let (key, value) = entry.map_err(engine)?;
            row(&key, &value)
        }))
    }
}

/// The committing side; only the thread of [`GroupCommit`] has it.
struct Writer {
    shared: Arc<Shared>,
    db: sled::Db,
    file: File,
    /// Rows since the last sync.
    written: usize,
}

impl Engine for Writer {
    fn apply(&mut self, batch: &Batch) -> Result<Seq, Error> {
        // Only this thread writes, so what holds now still holds when the gate is taken.
        for expect in &batch.expects {
            if !self.holds(expect)? {
                return Err(Error::Conflict);
            }
        }
        let seq = self.shared.last.load(Ordering::Acquire) + 1;
        let mut writes = sled::Batch::default();
        for (key, value) in &batch.writes {
            match value {
                Some(value) => writes.insert(key.as_slice(), numbered(seq, value)),
                None => writes.remove(key.as_slice()),
            }
        }
        if let Some(event) = &batch.event {
            writes.insert(feed_key(seq), numbered(seq, event));
        }
        writes.insert(&LAST, &seq.to_be_bytes());
        let gate = self.shared.gate.write().unwrap_or_else(PoisonError::into_inner);
        batch.writes.iter().for_each(|(key, _)| self.shared.recent.forget(key));
        self.shared.tree.apply_batch(writes).map_err(engine)?;
        self.shared.last.store(seq, Ordering::Release);
        drop(gate);
        self.written += batch.writes.len();
        free(batch.writes.len());
        Ok(seq)
    }

    fn sync(&mut self) -> Result<(), Error> {
        self.db.flush().map_err(engine)?;
        self.file.sync_data().map_err(engine)?;
        // Whoever read while it was written has gone on.
        free(std::mem::take(&mut self.written));
        Ok(())
    }
}

impl Writer {
    fn holds(&self, expect: &Expect) -> Result<bool, Error> {
        match expect {
            Expect::At(key, seq) => {
                let found = self.shared.tree.get(key).map_err(engine)?;
                let at = found.map(|value| written_by(&value)).transpose()?;
                Ok(at == *seq)
            }
            Expect::NoneNewer(range, seq) => {
                if range.is_empty() {
                    return Ok(true);
                }
                for entry in self.shared.tree.range(range.clone()) {
                    let (_, value) = entry.map_err(engine)?;
                    if written_by(&value)? > *seq {
                        return Ok(false);
                    }
                }
                Ok(true)
            }
        }
    }
}

/// For how many rows that were written what they replaced is freed in one turn of at most 512.
const ROWS_A_TURN: usize = 32;

/// Frees what the writing of so many rows has replaced, or what was replaced before: nothing is freed
/// while a reader may still be at it.
fn free(rows: usize) {
    for _ in 0..=rows / ROWS_A_TURN {
        crossbeam_epoch::pin().flush();
    }
}

/// A value as it lies in the tree: the commit's number, then the bytes.
fn numbered(seq: Seq, value: &[u8]) -> IVec {
    let mut bytes = Vec::with_capacity(8 + value.len());
    bytes.extend(seq.to_be_bytes());
    bytes.extend(value);
    bytes.into()
}

fn number(bytes: &[u8]) -> Option<(Seq, &[u8])> {
    let (seq, value) = bytes.split_first_chunk::<8>()?;
    Some((u64::from_be_bytes(*seq), value))
}

fn written_by(bytes: &[u8]) -> Result<Seq, Error> {
    number(bytes).map(|(seq, _)| seq).ok_or_else(torn)
}

fn row(key: &[u8], bytes: &[u8]) -> Result<Row, Error> {
    let (seq, value) = number(bytes).ok_or_else(torn)?;
    Ok(Row { key: key.to_vec(), value: value.to_vec(), seq })
}

fn torn() -> Error {
    Error::Engine("a row is shorter than its number; the store is damaged".into())
}

fn engine(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Error {
    Error::Engine(error.into())
}

#[cfg(test)]
mod tests {
    use super::super::contract;
    use super::*;

    #[test]
    fn keeps_the_contract() {
        let directory = tempfile::tempdir().unwrap();
        let number = AtomicU64::new(0);
        contract::check(&|| {
            let name = number.fetch_add(1, Ordering::Relaxed).to_string();
            SledStore::open(&directory.path().join(name), 1 << 20).unwrap()
        });
    }

    #[test]
    fn rows_and_numbers_outlive_the_process() {
        let directory = tempfile::tempdir().unwrap();
        let write = |value: &[u8]| Batch {
            writes: vec![(b"\x02k".to_vec(), Some(value.to_vec()))],
            event: Some(b"e".to_vec()),
            ..Batch::default()
        };
        {
            let store = SledStore::open(directory.path(), 1 << 20).unwrap();
            assert_eq!(store.commit(write(b"1")).unwrap(), 1);
            assert_eq!(store.commit(write(b"2")).unwrap(), 2);
        }
        let store = SledStore::open(directory.path(), 1 << 20).unwrap();
        assert_eq!(*store.head().borrow(), 2);
        {
            let view = store.view().unwrap();
            assert_eq!(view.seq(), 2);
            let row = view.get(b"\x02k").unwrap().unwrap();
            assert_eq!((row.value.as_slice(), row.seq), (b"2".as_slice(), 2));
            assert_eq!(view.get(&feed_key(1)).unwrap().unwrap().value, b"e");
        }
        assert_eq!(store.commit(write(b"3")).unwrap(), 3);
    }

    #[test]
    fn a_second_opening_is_refused() {
        let directory = tempfile::tempdir().unwrap();
        let _first = SledStore::open(directory.path(), 1 << 20).unwrap();
        assert!(matches!(SledStore::open(directory.path(), 1 << 20), Err(Error::Engine(_))));
    }
}
