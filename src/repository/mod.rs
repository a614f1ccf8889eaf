//! Resources as rows: the only module that knows the key layout.
//!
//! A resource, its version, its index rows, its place in the history and the event that tells of it
//! are one commit. Version rows are never written twice. This module runs no rules: what it is
//! given has been validated.
//!
//! | prefix | key | value |
//! |---|---|---|
//! | 00, 01 | owned by the store: last number; feed by number | event |
//! | 02 | current · type · id | version, deleted or not |
//! | 03 | version · type · id · version | interaction, time, resource JSON |
//! | 04 | index · type · parameter · encoded value · id | what the index keeps beside it |
//! | 05 | entries · type · id | the index keys of the current version |
//! | 09 | the definitions | nothing: its commit is that of their last change |
//! | 0A | indexing · type | new parameters, and the id up to which rows are made |
//! | 0B | fingerprints | of each of the program's parameters, what its rows are made by |
//! | 0D | secrets · use · digest | when it ends, and what it is worth |
//! | 0E | facts of episodes: the state; 01 · episode; 02 · type · id · episode | as of which commit; facts and what they name; nothing |
//! | 0F | audit trail · number | the hash that links the entry to the one before; in the trail's store |
//! | 10 | subscriber · id | whose the subscription is |
//! | 11 | notices · id · number | an event of the subscription: which version, of which commit |
//! | 12 | progress · id | how many events there are, and how many are delivered |
//! | 12 | the feed, as far as it is read for subscriptions | the commit |
//! | 13 | once · `k` · digest of client and key | when it ends, the request's digest, its answer |
//! | 13 | once · `e` · when it ends · that digest | nothing: for who removes what has ended |
//! | 15 | links · letter · link | to whom, until when, how often it was used |
//!
//! Names of index rows that begin with `#` are no parameter's: `#` tells what a resource contains, those
//! with codes behind it are joint rows, which have the values of these parameters in one key.
//!
//! The history of a type or of the whole is read from the feed, which tells of every change.

pub mod change;
pub mod facts;
pub mod feed;
pub mod group;
pub mod history;
pub mod indexing;
pub mod key;
pub mod link;
pub mod notice;
pub mod once;
pub mod past;
pub mod read;
pub mod secret;
pub mod trail;

pub use change::{Change, batch};
pub use feed::{Event, Told};
pub use history::{Cursor, Edge, Page, Scope, Walk, Wanted, changed_after, history};
pub use past::past;
pub use read::{Method, Stored, current, standing, version, version_at, version_seen};

use crate::store;

#[cfg(test)]
mod tests;

/// Why a resource could not be brought from the store.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The store failed or changed underneath.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// A row does not have the form that this module writes.
    #[error("a row of kind {0:#04x} is damaged")]
    Damaged(u8),
}
