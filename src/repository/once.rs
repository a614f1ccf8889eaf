//! Requests that are carried out once: rows of their answers, and a store that holds back what they
//! write until the answer is known.
//!
//! What a request wrote and what it was answered are one commit. So whoever repeats it, even after a
//! crash, gets the same answer, and nothing is written twice. Definitions are the exception: they are
//! in force as soon as they are stored, so a request that changes them commits as it goes, each time
//! with a row that says so; if the server ends before its answer is kept, a repetition learns that it
//! was carried out, not what the answer was.
//! Source: draft-ietf-httpapi-idempotency-key-header-07 (number from memory).

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sha2::{Digest as _, Sha256};
use tokio::sync::watch;

use crate::fhir::Instant;
use crate::repository::{Error, feed, key};
use crate::store::{self, Batch, Expect, Overlay, Seq, Store, View, Writes};

/// A key with its new value; none removes the row.
type Write = (Vec<u8>, Option<Vec<u8>>);

/// A SHA-256.
pub type Digest = [u8; 32];

/// How long an answer is kept, in milliseconds.
const KEPT: i64 = 24 * 60 * 60 * 1000;
/// How many rows that have ended go with each that comes.
const SWEPT: usize = 16;

/// Which request of which client.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub struct Name(Digest);

/// What is known of a request of that name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Known {
    /// Nothing; with the commit of a row that has ended.
    New(Option<Seq>),
    /// The name belongs to another request.
    Other,
    /// It was carried out, but its answer was lost.
    Unanswered,
    /// Its answer.
    Answered(Vec<u8>),
}

/// A request under its name, with what it asks.
#[derive(Clone, Debug)]
pub struct Once {
    /// Its name.
    pub name: Name,
    /// The digest of what it asks.
    pub asked: Digest,
    /// When it came.
    pub now: Instant,
}

impl Name {
    /// That key of that client; none: of whoever asks where nobody is known.
    pub fn of(client: Option<&str>, text: &str) -> Self {
        let (known, client) = client.map_or((b"-", ""), |client| (b"+", client));
        let length = client.len().to_be_bytes();
        Self(
            Sha256::new_with_prefix(known)
                .chain_update(length)
                .chain_update(client)
                .chain_update(text)
                .finalize()
                .into(),
        )
    }

    fn row(&self) -> Vec<u8> {
        [&[key::ONCE, b'k'], self.0.as_slice()].concat()
    }
}

/// What an `e` row begins with.
fn ending(millis: i64) -> Vec<u8> {
    // Times before the epoch do not come; were there one, it would be the first to go.
    let millis = u64::try_from(millis).unwrap_or_default();
    [[key::ONCE, b'e'].as_slice(), &millis.to_be_bytes()].concat()
}

/// The parts of a row: when it ends, what was asked, the answer if it is known.
fn parse(value: &[u8]) -> Result<(i64, Digest, Option<&[u8]>), Error> {
    let damaged = || Error::Damaged(key::ONCE);
    let (ends, rest) = value.split_first_chunk::<8>().ok_or_else(damaged)?;
    let (asked, rest) = rest.split_first_chunk::<32>().ok_or_else(damaged)?;
    let answer = match rest.split_first().ok_or_else(damaged)? {
        (b'+', answer) => Some(answer),
        _ => None,
    };
    Ok((i64::from_be_bytes(*ends), *asked, answer))
}

impl Once {
    /// What is known of the request.
    ///
    /// # Errors
    /// [`Error`] when the store fails or is damaged.
    pub fn find(&self, view: &dyn View) -> Result<Known, Error> {
        let Some(row) = view.get(&self.name.row())? else { return Ok(Known::New(None)) };
        let (ends, asked, answer) = parse(&row.value)?;
        Ok(if ends <= self.now.millis() {
            Known::New(Some(row.seq))
        } else if asked != self.asked {
            Known::Other
        } else {
            answer.map_or(Known::Unanswered, |answer| Known::Answered(answer.to_vec()))
        })
    }

    /// The writes that keep the answer, or that there is one; what has ended goes.
    ///
    /// # Errors
    /// [`Error`] when the store fails or is damaged.
    pub fn keep(&self, view: &dyn View, answer: Option<&[u8]>) -> Result<Vec<Write>, Error> {
        let mut writes = Vec::new();
        for row in view.scan(ending(0)..ending(self.now.millis())).take(SWEPT) {
            let row = row?;
            let damaged = || Error::Damaged(key::ONCE);
            let (_, digest) = row.key.split_last_chunk::<32>().ok_or_else(damaged)?;
            let of = Name(*digest).row();
            // It may have been kept anew since.
            if of != self.name.row()
                && let Some(kept) = view.get(&of)?
                && parse(&kept.value)?.0 <= self.now.millis()
            {
                writes.push((of, None));
            }
            writes.push((row.key, None));
        }
        let ends = self.now.millis().saturating_add(KEPT);
        let (mark, answer) = answer.map_or((b"-", [].as_slice()), |answer| (b"+", answer));
        let value = [ends.to_be_bytes().as_slice(), &self.asked, mark, answer].concat();
        writes.push((self.name.row(), Some(value)));
        writes.push(([ending(ends).as_slice(), &self.name.0].concat(), Some(Vec::new())));
        Ok(writes)
    }
}

/// A store that holds back what a request writes. Its views show it as if it were written.
pub struct Holding {
    store: Arc<dyn Store>,
    inner: Mutex<Inner>,
}

#[derive(Default)]
struct Inner {
    back: Back,
    /// The request, and the commit of its row; none before it is known.
    once: Option<(Once, Option<Seq>)>,
    /// Whether it commits as it goes.
    through: bool,
}

/// What is held back.
#[derive(Clone, Default)]
struct Back {
    expects: Vec<Expect>,
    writes: Arc<Writes>,
    events: Vec<Vec<u8>>,
}

impl Holding {
    /// Over that store.
    pub fn over(store: Arc<dyn Store>) -> Self {
        Self { store, inner: Mutex::default() }
    }

    /// Says whose the writes are; `seen` is the commit of the row that has ended, if there is one.
    pub fn begin(&self, once: Once, seen: Option<Seq>) {
        self.inner().once = Some((once, seen));
    }

    /// Writes what was held back, with the answer.
    ///
    /// # Errors
    /// [`store::Error::Conflict`] where others were faster: nothing was written.
    pub fn finish(&self, answer: &[u8]) -> Result<(), Error> {
        let batch = {
            let view = self.store.view()?;
            self.inner().batch(&*view, Some(answer))?
        };
        self.store.commit(batch)?;
        self.inner().back = Back::default();
        Ok(())
    }

    /// Whether the request was begun: it was not carried out before.
    pub fn is_new(&self) -> bool {
        self.inner().once.is_some()
    }

    /// Whether something of the request is stored already.
    pub fn is_begun(&self) -> bool {
        self.inner().through
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    /// All that is held back as one batch, with the row of the request.
    fn batch(&self, view: &dyn View, answer: Option<&[u8]>) -> Result<Batch, Error> {
        let Back { expects, writes, events } = &self.back;
        let writes = writes.iter().map(|(key, value)| (key.clone(), value.clone())).collect();
        let mut batch = Batch { expects: expects.clone(), writes, event: feed::joined(events) };
        if let Some((once, seen)) = &self.once {
            batch.expects.push(Expect::At(once.name.row(), *seen));
            batch.writes.extend(once.keep(view, answer)?);
        }
        Ok(batch)
    }
}

impl Back {
    /// Adds a batch.
    fn hold(&mut self, batch: Batch) -> Result<(), store::Error> {
        let mut expects = Vec::with_capacity(batch.expects.len());
        for expect in batch.expects {
            match &expect {
                // What was held back is as this request left it.
                Expect::At(key, seen) => match self.writes.get(key) {
                    Some(written) if written.is_some() == seen.is_some() => {}
                    Some(_) => return Err(store::Error::Conflict),
                    None => expects.push(expect),
                },
                Expect::NoneNewer(..) => expects.push(expect),
            }
        }
        self.expects.append(&mut expects);
        Arc::make_mut(&mut self.writes).extend(batch.writes);
        self.events.extend(batch.event);
        Ok(())
    }
}

impl Store for Holding {
    fn view(&self) -> Result<Box<dyn View + '_>, store::Error> {
        // Taken before the view, so that nobody waits for the one while holding the other.
        let writes = Arc::clone(&self.inner().back.writes);
        Ok(Box::new(Overlay::owning(self.store.view()?, writes)))
    }

    fn commit(&self, batch: Batch) -> Result<Seq, store::Error> {
        let defines = batch.writes.iter().any(|(key, _)| *key == key::definitions());
        let (batch, before) = {
            let view = self.store.view()?;
            let mut inner = self.inner();
            let before = inner.back.clone();
            inner.back.hold(batch)?;
            if !inner.through && !defines {
                return Ok(view.seq().saturating_add(1));
            }
            let whole = inner.batch(&*view, None).map_err(|error| match error {
                Error::Store(error) => error,
                error @ Error::Damaged(_) => store::Error::Engine(Box::new(error)),
            })?;
            (whole, before)
        };
        let done = self.store.commit(batch);
        let mut inner = self.inner();
        match &done {
            Ok(seq) => {
                inner.back = Back::default();
                inner.through = true;
                if let Some((_, seen)) = &mut inner.once {
                    *seen = Some(*seq);
                }
            }
            Err(_) => inner.back = before,
        }
        done
    }

    fn head(&self) -> watch::Receiver<Seq> {
        self.store.head()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::MemoryStore;

    fn once(text: &str, asked: u8, now: i64) -> Once {
        let now = Instant::from_millis(now);
        Once { name: Name::of(Some("clinic"), text), asked: [asked; 32], now }
    }

    fn put(key: u8, seen: Option<Seq>) -> Batch {
        let key = vec![0x40, key];
        Batch {
            expects: vec![Expect::At(key.clone(), seen)],
            writes: vec![(key, Some(b"x".to_vec()))],
            event: None,
        }
    }

    #[test]
    fn what_is_held_back_is_written_with_the_answer_or_not_at_all() {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let holding = Holding::over(Arc::clone(&store));
        let first = once("k", 1, 1000);
        holding.begin(first.clone(), None);
        holding.commit(put(1, None)).unwrap();
        let seen = holding.view().unwrap().get(&[0x40, 1]).unwrap().unwrap().seq;
        holding.commit(put(1, Some(seen))).unwrap();
        assert!(matches!(holding.commit(put(1, None)), Err(store::Error::Conflict)));
        assert!(store.view().unwrap().get(&[0x40, 1]).unwrap().is_none());
        holding.finish(b"answer").unwrap();
        let view = store.view().unwrap();
        assert_eq!((view.seq(), view.get(&[0x40, 1]).unwrap().is_some()), (1, true));
        assert_eq!(first.find(&*view).unwrap(), Known::Answered(b"answer".to_vec()));
        assert_eq!(once("k", 2, 1000).find(&*view).unwrap(), Known::Other);
        assert_eq!(once("l", 1, 1000).find(&*view).unwrap(), Known::New(None));
        assert_eq!(once("k", 2, 1000 + KEPT).find(&*view).unwrap(), Known::New(Some(1)));
        let other = Once { name: Name::of(Some("other"), "k"), ..first };
        assert_eq!(other.find(&*view).unwrap(), Known::New(None));
    }

    #[test]
    fn of_two_that_race_one_writes() {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let both = [1, 2].map(|key| {
            let holding = Holding::over(Arc::clone(&store));
            holding.begin(once("k", 1, 0), None);
            holding.commit(put(key, None)).unwrap();
            holding
        });
        both[0].finish(b"first").unwrap();
        let late = both[1].finish(b"second");
        assert!(matches!(late, Err(Error::Store(store::Error::Conflict))));
        assert!(store.view().unwrap().get(&[0x40, 2]).unwrap().is_none());
    }

    #[test]
    fn definitions_are_stored_at_once_and_the_row_says_so() {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let holding = Holding::over(Arc::clone(&store));
        let request = once("k", 1, 0);
        holding.begin(request.clone(), None);
        holding.commit(put(1, None)).unwrap();
        let writes = vec![(key::definitions(), Some(Vec::new()))];
        holding.commit(Batch { writes, ..Batch::default() }).unwrap();
        assert!(store.view().unwrap().get(&[0x40, 1]).unwrap().is_some());
        assert_eq!(request.find(&*store.view().unwrap()).unwrap(), Known::Unanswered);
        holding.finish(b"answer").unwrap();
        let known = request.find(&*store.view().unwrap()).unwrap();
        assert_eq!(known, Known::Answered(b"answer".to_vec()));
    }

    #[test]
    fn what_has_ended_goes() {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let finish = |text: &str, now: i64| {
            let holding = Holding::over(Arc::clone(&store));
            let request = once(text, 1, now);
            let known = request.find(&*store.view().unwrap()).unwrap();
            let Known::New(seen) = known else { panic!("{known:?}") };
            holding.begin(request, seen);
            holding.finish(b"x").unwrap();
        };
        finish("a", 0);
        finish("b", 1);
        // Kept anew, so that it outlives the row that says when it ended at first.
        finish("a", KEPT);
        finish("c", 2 * KEPT - 1);
        let rows = store.view().unwrap().scan(vec![key::ONCE]..vec![key::ONCE + 1]).count();
        assert_eq!(rows, 4, "those of a and c");
    }
}
