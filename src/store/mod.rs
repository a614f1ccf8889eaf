//! Ordered bytes, committed atomically; knows nothing of resources.
//!
//! The promises, which `contract` holds every backend to:
//! 1. Keys come back in byte order.
//! 2. A batch whose expectation no longer holds writes nothing.
//! 3. A row that appeared in a watched range since the watcher's view is noticed.
//! 4. Commits are numbered from 1 without gaps; each row carries the number that wrote it, and the
//!    event of a batch stands in the feed under the same number.
//! 5. A view shows whole batches, never a part of one.
//! 6. [`Store::commit`] returns only when the batch would survive a loss of power, as far as the
//!    backend is durable at all.
//!
//! A view may show a batch that is applied but not yet acknowledged; nothing leaves the server
//! unasked before it is durable, because workers wait for [`Store::head`], which moves last.
//! A view must be dropped before the same thread commits: a commit waits for open views.

#[cfg(test)]
pub(crate) mod contract;
mod group;
mod memory;
mod overlay;
mod read_only;
mod recent;
mod sled;

use std::ops::Range;

use tokio::sync::watch;

pub use self::sled::SledStore;
pub use memory::MemoryStore;
pub use overlay::{Overlay, Writes};
pub use read_only::ReadOnly;

/// The number of a commit: 1 for the first.
pub type Seq = u64;

/// A place to keep rows.
pub trait Store: Send + Sync + 'static {
    /// One moment of the store, for one page of work; keep it short.
    ///
    /// # Errors
    /// [`Error::Engine`] when the backend fails.
    fn view(&self) -> Result<Box<dyn View + '_>, Error>;

    /// Writes the batch whole, makes it durable, and numbers it.
    ///
    /// # Errors
    /// [`Error::Conflict`] when an expectation does not hold (nothing is written);
    /// [`Error::Engine`] when the backend fails.
    fn commit(&self, batch: Batch) -> Result<Seq, Error>;

    /// The number of the last durable commit, for whoever waits for news.
    fn head(&self) -> watch::Receiver<Seq>;
}

/// One moment of a store.
pub trait View {
    /// The last commit that this view shows.
    fn seq(&self) -> Seq;

    /// The row of that key.
    ///
    /// # Errors
    /// [`Error::Engine`] when the backend fails.
    fn get(&self, key: &[u8]) -> Result<Option<Row>, Error>;

    /// The rows with `range.start <= key < range.end`, in ascending byte order; `rev()` gives them
    /// in descending order.
    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_>;
}

/// Rows of a range, from either end.
pub type Scan<'a> = Box<dyn DoubleEndedIterator<Item = Result<Row, Error>> + 'a>;

/// A key with its value.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Row {
    /// The key.
    pub key: Vec<u8>,
    /// The value.
    pub value: Vec<u8>,
    /// The commit that wrote the row.
    pub seq: Seq,
}

/// What is to be written together.
#[derive(Clone, Default, Debug)]
pub struct Batch {
    /// What must hold for the batch to be written.
    pub expects: Vec<Expect>,
    /// Keys with their new values; none removes the row.
    pub writes: Vec<(Vec<u8>, Option<Vec<u8>>)>,
    /// What the feed tells of it.
    pub event: Option<Vec<u8>>,
}

/// A condition on the store at the moment of a commit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Expect {
    /// The row of that key was written by that commit; `None`: there is no such row.
    At(Vec<u8>, Option<Seq>),
    /// No row in that range was written after that commit. (A removal is not noticed.)
    NoneNewer(Range<Vec<u8>>, Seq),
}

/// Why the store did not do it.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// An expectation of the batch did not hold; nothing was written.
    #[error("the store has changed since it was read")]
    Conflict,
    /// Whoever asks may not write that; nothing was written.
    #[error("the write is not permitted")]
    Refused,
    /// Too many rows would have to be passed over.
    #[error("more rows would have to be read than may be")]
    Spent,
    /// The backend failed.
    #[error("the store failed")]
    Engine(#[source] Box<dyn std::error::Error + Send + Sync>),
}

/// The first byte of rows that the store owns: the feed and its own numbers. Batches must not
/// write there.
pub const OWN: u8 = 0x01;

/// The key of the feed's event of that commit; its value is what [`Batch::event`] was.
pub fn feed_key(seq: Seq) -> Vec<u8> {
    let mut key = vec![OWN];
    key.extend(seq.to_be_bytes());
    key
}
