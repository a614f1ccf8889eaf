//! Links to one letter for a named recipient: a random text in a URL, of which the store keeps a
//! digest, and what it permits: to read that letter, and nothing else.
//!
//! A link ends on its day, when it has been used as often as it may be, or when who made it ends it.
//! Opening it is one use, and gives the right to read for half an hour in that browser.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::access::random;
use crate::fhir::{Id, Instant, ResourceType};
use crate::repository::secret::{self, Kept, Use};
use crate::repository::{Error, key, link};
use crate::smart::{Access, Action, Context, Scope};
use crate::store::{self, Seq, Store, View};

/// How long whoever opened a link may read, in milliseconds.
const READING: i64 = 30 * 60 * 1000;

/// How often it is tried to count a use while others count theirs.
const TRIES: usize = 8;

/// A link, as it is kept.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Link {
    /// For whom it is.
    pub recipient: String,
    /// The id of the Composition.
    pub letter: String,
    /// The resources of the letter, each as `Type/id`.
    pub parts: Vec<String>,
    /// The language of the letter, where it says.
    pub language: Option<String>,
    /// When it was made, in milliseconds.
    pub made: i64,
    /// Who made it: the resource, and the name at that time.
    pub by: (String, String),
    /// From when on it opens nothing, in milliseconds.
    pub ends: i64,
    /// How often it may be used.
    pub most: u32,
    /// When it was used, in milliseconds, in order.
    pub uses: Vec<i64>,
    /// When it was ended by hand, in milliseconds.
    pub revoked: Option<i64>,
}

/// What keeps a link from being opened.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Over {
    /// It was ended by hand.
    Revoked,
    /// Its day has come.
    Ended,
    /// It was used as often as it may be.
    Spent,
}

impl Over {
    /// Its name.
    pub fn code(self) -> &'static str {
        match self {
            Self::Revoked => "revoked",
            Self::Ended => "ended",
            Self::Spent => "spent",
        }
    }
}

impl Link {
    /// Why it cannot be opened at that time; none if it can.
    pub fn over(&self, now: Instant) -> Option<Over> {
        if self.revoked.is_some() {
            Some(Over::Revoked)
        } else if self.ends <= now.millis() {
            Some(Over::Ended)
        } else if self.uses.len() >= usize::try_from(self.most).unwrap_or(usize::MAX) {
            Some(Over::Spent)
        } else {
            None
        }
    }

    /// Whether who opened it may still read.
    fn is_read(&self, now: Instant) -> bool {
        matches!(self.over(now), None | Some(Over::Spent))
    }

    /// What it permits: to read its parts by their ids.
    pub fn access(&self, id: &str) -> Arc<Access> {
        let scopes = self.parts.iter().filter_map(|part| {
            let (kind, id) = part.split_once('/')?;
            Some(Scope {
                context: Context::System,
                kind: Some(ResourceType::parse(kind)?),
                actions: vec![Action::Read],
                criteria: vec![("_id".to_owned(), id.to_owned())],
            })
        });
        let client = format!("link/{id}");
        Arc::new(Access { client, scopes: scopes.collect(), patient: None, user: None })
    }
}

/// A link with its id.
#[derive(Clone, PartialEq, Debug)]
pub struct Found {
    /// The id, by which it can be ended; it opens nothing.
    pub id: String,
    /// The link.
    pub link: Link,
}

/// The links of a store.
pub struct Links {
    store: Arc<dyn Store>,
}

impl Links {
    /// The links of that store, which must not be guarded.
    pub fn of(store: Arc<dyn Store>) -> Self {
        Self { store }
    }

    /// Makes a link; the text by which it is opened is known to nobody else.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn make(&self, link: &Link, now: Instant) -> Result<(String, Found), Error> {
        let letter = Id::parse(&link.letter).ok_or(Error::Damaged(key::LINKS))?;
        let (text, id) = (random(), uuid::Uuid::new_v4().simple().to_string());
        let place = Kept { ends: Instant::from_millis(link.ends), value: place(&letter, &id) };
        let mut batch = secret::keep(&*self.store.view()?, Use::Link, &text, &place, now)?;
        link::put(&mut batch, &letter, &id, bytes(link), None);
        self.store.commit(batch)?;
        Ok((text, Found { id, link: link.clone() }))
    }

    /// The link of that text, if it can be opened; this is no use of it.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn find(&self, text: &str, now: Instant) -> Result<Option<Found>, Error> {
        let view = self.store.view()?;
        let found = named(&*view, Use::Link, text, now)?;
        let found = found.map(|(_, found, _)| found);
        Ok(found.filter(|found| found.link.over(now).is_none()))
    }

    /// Uses the link of that text: counts it, and gives the text by which the letter is read for a
    /// while. None where it cannot be opened.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn open(&self, text: &str, now: Instant) -> Result<Option<(String, Found)>, Error> {
        for _ in 0..TRIES {
            let view = self.store.view()?;
            let Some((letter, mut found, seq)) = named(&*view, Use::Link, text, now)? else {
                return Ok(None);
            };
            if found.link.over(now).is_some() {
                return Ok(None);
            }
            found.link.uses.push(now.millis());
            let reading = random();
            let ends = now.millis().saturating_add(READING).min(found.link.ends);
            let place = Kept { ends: Instant::from_millis(ends), value: place(&letter, &found.id) };
            let mut batch = secret::keep(&*view, Use::Reading, &reading, &place, now)?;
            drop(view);
            link::put(&mut batch, &letter, &found.id, bytes(&found.link), Some(seq));
            match self.store.commit(batch) {
                Ok(_) => return Ok(Some((reading, found))),
                // Another use was counted a moment before.
                Err(store::Error::Conflict) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(store::Error::Conflict.into())
    }

    /// The link that was opened by whoever has that text; none where they may read no longer.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn read(&self, reading: &str, now: Instant) -> Result<Option<Found>, Error> {
        let view = self.store.view()?;
        let found = named(&*view, Use::Reading, reading, now)?;
        Ok(found.map(|(_, found, _)| found).filter(|found| found.link.is_read(now)))
    }

    /// Ends a link; none where there is none. Who reads just then reads no more.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn revoke(&self, letter: &Id, id: &str, now: Instant) -> Result<Option<Found>, Error> {
        for _ in 0..TRIES {
            let Some(kept) = link::find(&*self.store.view()?, letter, id)? else {
                return Ok(None);
            };
            let mut link = parse(&kept.value)?;
            if link.revoked.is_some() {
                return Ok(Some(Found { id: kept.link, link }));
            }
            link.revoked = Some(now.millis());
            let mut batch = store::Batch::default();
            link::put(&mut batch, letter, id, bytes(&link), Some(kept.seq));
            match self.store.commit(batch) {
                Ok(_) => return Ok(Some(Found { id: kept.link, link })),
                Err(store::Error::Conflict) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(store::Error::Conflict.into())
    }

    /// All links to a letter, the latest first.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn all(&self, letter: &Id) -> Result<Vec<Found>, Error> {
        let kept = link::all(&*self.store.view()?, letter)?;
        let found = kept.into_iter().map(|kept| {
            let link = parse(&kept.value)?;
            Ok(Found { id: kept.link, link })
        });
        let mut found: Vec<Found> = found.collect::<Result<_, Error>>()?;
        found.sort_by_key(|found| std::cmp::Reverse(found.link.made));
        Ok(found)
    }
}

/// The link that a secret names, and the commit that wrote it.
fn named(
    view: &dyn View,
    purpose: Use,
    text: &str,
    now: Instant,
) -> Result<Option<(Id, Found, Seq)>, Error> {
    let Some(kept) = secret::find(view, purpose, text, now)? else { return Ok(None) };
    let damaged = || Error::Damaged(key::SECRETS);
    let place = std::str::from_utf8(&kept.value).map_err(|_| damaged())?;
    let (letter, id) = place.split_once('/').ok_or_else(damaged)?;
    let letter = Id::parse(letter).ok_or_else(damaged)?;
    let Some(kept) = link::find(view, &letter, id)? else { return Ok(None) };
    let found = Found { id: id.to_owned(), link: parse(&kept.value)? };
    Ok(Some((letter, found, kept.seq)))
}

fn place(letter: &Id, id: &str) -> Vec<u8> {
    format!("{letter}/{id}").into_bytes()
}

fn bytes(link: &Link) -> Vec<u8> {
    // A struct of texts and numbers always has a JSON form.
    serde_json::to_vec(link).unwrap_or_default()
}

fn parse(value: &[u8]) -> Result<Link, Error> {
    serde_json::from_slice(value).map_err(|_| Error::Damaged(key::LINKS))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::MemoryStore;

    fn at(seconds: i64) -> Instant {
        Instant::from_millis(seconds * 1000)
    }

    fn link() -> Link {
        Link {
            recipient: "Dr Iva Somebody".to_owned(),
            letter: "c".to_owned(),
            parts: vec!["Composition/c".to_owned(), "Binary/b".to_owned()],
            language: None,
            made: 0,
            by: ("Practitioner/ilse".to_owned(), "Ilse".to_owned()),
            ends: 10_000_000,
            most: 2,
            uses: Vec::new(),
            revoked: None,
        }
    }

    fn links() -> Links {
        Links::of(Arc::new(MemoryStore::new()))
    }

    #[test]
    fn a_link_is_opened_as_often_as_it_may_be() {
        let links = links();
        let (text, made) = links.make(&link(), at(0)).unwrap();
        assert!(text.len() == 43 && text != made.id);
        assert!(
            links.find(&text, at(1)).unwrap().is_some()
                && links.find(&text, at(1)).unwrap().is_some()
        );
        let (reading, opened) = links.open(&text, at(2)).unwrap().unwrap();
        assert_eq!(
            (opened.id.as_str(), opened.link.uses.as_slice()),
            (made.id.as_str(), &[2000][..])
        );
        assert!(links.open(&text, at(3)).unwrap().is_some());
        assert!(
            links.open(&text, at(4)).unwrap().is_none()
                && links.find(&text, at(4)).unwrap().is_none()
        );
        assert!(links.read(&reading, at(1801)).unwrap().is_some(), "who opened it reads on");
        assert!(links.read(&reading, at(1802)).unwrap().is_none(), "for half an hour");
        let letter = Id::parse("c").unwrap();
        let [found] = &links.all(&letter).unwrap()[..] else { panic!("one link") };
        assert_eq!((found.link.uses.len(), found.link.over(at(5))), (2, Some(Over::Spent)));
    }

    #[test]
    fn a_link_that_was_ended_opens_nothing_and_reads_nothing() {
        let links = links();
        let (text, made) = links.make(&link(), at(0)).unwrap();
        let (reading, _) = links.open(&text, at(1)).unwrap().unwrap();
        let letter = Id::parse("c").unwrap();
        let revoke = |letter: &Id| links.revoke(letter, &made.id, at(2)).unwrap();
        assert!(revoke(&Id::parse("d").unwrap()).is_none() && revoke(&letter).is_some());
        assert!(links.open(&text, at(3)).unwrap().is_none());
        assert!(links.read(&reading, at(3)).unwrap().is_none());
        assert_eq!(links.all(&letter).unwrap()[0].link.over(at(3)), Some(Over::Revoked));
    }

    #[test]
    fn a_link_ends_on_its_day_for_who_reads_too() {
        let links = links();
        let (text, _) = links.make(&link(), at(0)).unwrap();
        let (reading, _) = links.open(&text, at(9999)).unwrap().unwrap();
        assert!(links.read(&reading, at(9999)).unwrap().is_some());
        assert!(links.read(&reading, at(10_000)).unwrap().is_none());
        assert!(links.open(&text, at(10_000)).unwrap().is_none());
        for guess in ["", "x", &text[..42], &reading] {
            assert!(links.open(guess, at(1)).unwrap().is_none(), "{guess}");
        }
        assert!(links.read(&text, at(9999)).unwrap().is_none(), "each text has one use");
    }

    #[test]
    fn two_at_once_are_two_uses() {
        let links = Arc::new(links());
        let (text, _) = links.make(&Link { most: 20, ..link() }, at(0)).unwrap();
        let threads: Vec<_> = (0..4)
            .map(|_| {
                let (links, text) = (Arc::clone(&links), text.clone());
                std::thread::spawn(move || links.open(&text, at(1)).unwrap().is_some())
            })
            .collect();
        assert!(threads.into_iter().all(|thread| thread.join().unwrap()));
        assert_eq!(links.find(&text, at(2)).unwrap().unwrap().link.uses.len(), 4);
    }

    #[test]
    fn it_permits_to_read_its_parts_by_their_ids() {
        let access = link().access("1");
        assert_eq!(access.scope_text(), "system/Binary.r?_id=b system/Composition.r?_id=c");
        assert_eq!((access.client.as_str(), &access.user), ("link/1", &None));
    }
}
