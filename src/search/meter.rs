//! How much of the store a search touches, and where it must stop.
//!
//! A view that counts what is read through it: each look-up, each range that is begun, each row.
//! Beyond its limit every read fails, so that no way of answering can run on unseen. The count is
//! of work, not of time: the same question on the same rows always costs the same.

use std::cell::Cell;
use std::ops::Range;

use crate::search::Error;
use crate::store::{self, Row, Scan, Seq, View};

/// A view with a count and a limit.
pub(super) struct Meter<'a> {
    view: &'a dyn View,
    most: u64,
    touched: Cell<u64>,
}

/// That the limit was met; how it looks to whoever reads.
#[derive(Debug, thiserror::Error)]
#[error("the search has touched as many rows as it may")]
struct Spent;

impl<'a> Meter<'a> {
    /// The view, of which `most` may be touched.
    pub(super) fn new(view: &'a dyn View, most: u64) -> Self {
        Self { view, most, touched: Cell::new(0) }
    }

    /// What has been touched until now.
    pub(super) fn touched(&self) -> u64 {
        self.touched.get()
    }

    /// Whether the limit was met.
    pub(super) fn is_spent(&self) -> bool {
        self.touched.get() > self.most
    }

    /// The outcome of work that was done through the meter: failures that it caused are told as what
    /// they are.
    ///
    /// # Errors
    /// [`Error::TooCostly`] when the limit was met; otherwise those of the work.
    pub(super) fn settle<T>(&self, outcome: Result<T, Error>) -> Result<T, Error> {
        outcome.map_err(|error| {
            if !self.is_spent() {
                return error;
            }
            let message = format!(
                "more than {} rows would have to be looked at; ask for less, such as a patient, a \
                 code or a span of time",
                self.most
            );
            Error::costly(None, &message)
        })
    }

    fn touch(&self) -> Result<(), store::Error> {
        self.touched.set(self.touched.get().saturating_add(1));
        if self.is_spent() {
            return Err(store::Error::Engine(Box::new(Spent)));
        }
        Ok(())
    }
}

impl View for Meter<'_> {
    fn seq(&self) -> Seq {
        self.view.seq()
    }

    fn get(&self, key: &[u8]) -> Result<Option<Row>, store::Error> {
        self.touch()?;
        self.view.get(key)
    }

    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_> {
        match self.touch() {
            Ok(()) => Box::new(Counted { rows: self.view.scan(range), meter: self }),
            Err(error) => Box::new(std::iter::once(Err(error))),
        }
    }
}

struct Counted<'a> {
    rows: Scan<'a>,
    meter: &'a Meter<'a>,
}

impl Counted<'_> {
    fn told(&self, row: Option<Result<Row, store::Error>>) -> Option<Result<Row, store::Error>> {
        row.map(|row| self.meter.touch().and(row))
    }
}

impl Iterator for Counted<'_> {
    type Item = Result<Row, store::Error>;

    fn next(&mut self) -> Option<Self::Item> {
        let row = self.rows.next();
        self.told(row)
    }
}

impl DoubleEndedIterator for Counted<'_> {
    fn next_back(&mut self) -> Option<Self::Item> {
        let row = self.rows.next_back();
        self.told(row)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Batch, MemoryStore, Store};

    #[test]
    fn reads_are_counted_and_then_refused() {
        let store = MemoryStore::new();
        let write = |number: u8| (vec![2, number], Some(vec![number]));
        let batch = Batch { writes: (0..9).map(write).collect(), ..Batch::default() };
        store.commit(batch).unwrap();
        let view = store.view().unwrap();
        let meter = Meter::new(&*view, 6);
        assert_eq!(meter.get(&[2, 1]).unwrap().unwrap().value, [1]);
        let rows: Vec<_> = meter.scan(vec![2]..vec![2, 2]).map(Result::unwrap).collect();
        assert_eq!((rows.len(), meter.touched()), (2, 4));
        let back = meter.scan(vec![2]..vec![3]).rev().map(|row| row.is_ok()).collect::<Vec<_>>();
        assert_eq!(back.iter().filter(|good| **good).count(), 1);
        assert!(meter.is_spent() && meter.get(&[2, 1]).is_err());
        let error = meter.settle::<()>(Err(Error::BadCursor)).unwrap_err();
        assert!(matches!(error, Error::TooCostly { .. }));
    }
}
