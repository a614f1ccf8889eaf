//! A view as it would be if a batch had been written.
//!
//! Reads within a transaction come after its writes, and all of it happens or nothing, so the reads
//! are answered before the commit (<http://hl7.org/fhir/R4/http.html#trules>). Laid over with what
//! was changed since, a view shows an earlier moment.

use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::sync::Arc;

use crate::store::{Batch, Error, Row, Scan, Seq, View};

/// Writes by their keys; none removes the row.
pub type Writes = BTreeMap<Vec<u8>, Option<Vec<u8>>>;

/// A view with the writes of a batch laid over it.
pub struct Overlay<'a> {
    base: Base<'a>,
    writes: Arc<Writes>,
}

/// What the writes are laid over.
enum Base<'a> {
    Lent(&'a dyn View),
    Own(Box<dyn View + 'a>),
}

impl<'a> Overlay<'a> {
    /// The view with those writes.
    pub fn new(base: &'a dyn View, batch: &Batch) -> Self {
        let writes = Arc::new(batch.writes.iter().cloned().collect());
        Self { base: Base::Lent(base), writes }
    }

    /// The same, of a view that goes with it, and writes that others hold too.
    pub fn owning(base: Box<dyn View + 'a>, writes: Arc<Writes>) -> Self {
        Self { base: Base::Own(base), writes }
    }

    fn base(&self) -> &dyn View {
        match &self.base {
            Base::Lent(view) => *view,
            Base::Own(view) => &**view,
        }
    }

    fn row(&self, key: &[u8], value: &[u8]) -> Row {
        // The number that the batch gets if nobody else commits before.
        let seq = self.base().seq().saturating_add(1);
        Row { key: key.to_vec(), value: value.to_vec(), seq }
    }
}

impl View for Overlay<'_> {
    /// What others wrote after this number is not shown.
    fn seq(&self) -> Seq {
        self.base().seq()
    }

    fn get(&self, key: &[u8]) -> Result<Option<Row>, Error> {
        match self.writes.get(key) {
            Some(written) => Ok(written.as_ref().map(|value| self.row(key, value))),
            None => self.base().get(key),
        }
    }

    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_> {
        if range.is_empty() {
            return Box::new(std::iter::empty());
        }
        let written = self.writes.range(range.clone());
        let written = written.filter_map(|(key, value)| Some(self.row(key, value.as_ref()?)));
        let is_written = |row: &Row| self.writes.contains_key(&row.key);
        let untouched =
            self.base().scan(range).filter(move |row| !row.as_ref().is_ok_and(is_written));
        Box::new(Merge {
            written: written.collect(),
            untouched: Box::new(untouched),
            first: None,
            last: None,
        })
    }
}

/// The rows of both in the order of their keys, from either end.
struct Merge<'a> {
    written: VecDeque<Row>,
    untouched: Scan<'a>,
    /// What was taken from the beginning of `untouched` but not yet given.
    first: Option<Result<Row, Error>>,
    /// What was taken from its end but not yet given.
    last: Option<Result<Row, Error>>,
}

impl Iterator for Merge<'_> {
    type Item = Result<Row, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        self.first =
            self.first.take().or_else(|| self.untouched.next()).or_else(|| self.last.take());
        match (&self.first, self.written.front()) {
            (Some(Ok(untouched)), Some(written)) if written.key < untouched.key => {}
            (Some(_), _) => return self.first.take(),
            (None, _) => {}
        }
        self.written.pop_front().map(Ok)
    }
}

impl DoubleEndedIterator for Merge<'_> {
    fn next_back(&mut self) -> Option<Self::Item> {
        let take = |last: Option<_>, rows: &mut Scan<'_>| last.or_else(|| rows.next_back());
        self.last = take(self.last.take(), &mut self.untouched).or_else(|| self.first.take());
        match (&self.last, self.written.back()) {
            (Some(Ok(untouched)), Some(written)) if written.key > untouched.key => {}
            (Some(_), _) => return self.last.take(),
            (None, _) => {}
        }
        self.written.pop_back().map(Ok)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{MemoryStore, Store};

    fn put(key: &str) -> (Vec<u8>, Option<Vec<u8>>) {
        (key.as_bytes().to_vec(), Some(key.as_bytes().to_vec()))
    }

    fn remove(key: &str) -> (Vec<u8>, Option<Vec<u8>>) {
        (key.as_bytes().to_vec(), None)
    }

    #[test]
    fn shows_what_the_batch_will_have_done() {
        let store = MemoryStore::new();
        let writes = vec![put("b"), put("d"), put("f")];
        store.commit(Batch { writes, ..Batch::default() }).unwrap();
        let view = store.view().unwrap();
        let writes = vec![put("a"), put("c"), remove("d"), put("f"), put("g")];
        let overlay = Overlay::new(&*view, &Batch { writes, ..Batch::default() });
        let keys = |scan: Scan<'_>| -> String {
            scan.map(|row| String::from_utf8(row.unwrap().key).unwrap()).collect()
        };
        let all = b"a".to_vec()..b"z".to_vec();
        assert_eq!(keys(overlay.scan(all.clone())), "abcfg");
        assert_eq!(keys(Box::new(overlay.scan(all.clone()).rev())), "gfcba");
        assert_eq!(keys(overlay.scan(b"b".to_vec()..b"g".to_vec())), "bcf");
        let mut both = overlay.scan(all);
        let mut text = String::new();
        while let Some(row) = both.next() {
            text.extend(String::from_utf8(row.unwrap().key));
            text.extend(both.next_back().map(|row| String::from_utf8(row.unwrap().key).unwrap()));
        }
        assert_eq!(text, "agbfc");
        assert!(overlay.get(b"d").unwrap().is_none());
        assert_eq!(overlay.get(b"b").unwrap().unwrap().seq, 1);
        assert_eq!(overlay.get(b"g").unwrap().unwrap().seq, 2);
    }
}
