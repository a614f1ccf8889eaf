//! Sessions of people who signed in: a random text in a cookie, of which the store keeps a digest and
//! what it permits.
//!
//! A session ends after a time without requests, after a time in any case, and when it is signed out.
//! What was found of one is at hand; when it was last used is written at most once a minute.
//! Source: <https://cheatsheetseries.owasp.org/cheatsheets/Session_Management_Cheat_Sheet.html>.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::{Deserialize, Serialize};

use crate::access::random;
use crate::access::token::Line;
use crate::fhir::Instant;
use crate::repository::secret::{self, Kept, Use};
use crate::repository::{Error, key};
use crate::smart::Access;
use crate::store::{self, Store};

/// A person who has signed in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Session {
    /// What they may do.
    pub access: Arc<Access>,
    /// Their name, as the record has it.
    pub name: String,
    /// What their pages send back with everything that changes something, so that no page of another
    /// site can.
    pub csrf: String,
}

/// A session as it was found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Found {
    /// The session.
    pub session: Arc<Session>,
    /// Whether it should be told to the store that it is in use ([`Sessions::touch`]).
    pub is_due: bool,
}

/// The form in which a session is kept.
#[derive(Serialize, Deserialize)]
struct Written {
    access: Line,
    name: String,
    csrf: String,
    /// When it was last in use, in milliseconds.
    seen: i64,
}

struct Held {
    session: Arc<Session>,
    ends: Instant,
    /// When it was last in use.
    seen: Instant,
    /// When that was last written.
    written: Instant,
}

/// The sessions of a store.
pub struct Sessions {
    store: Arc<dyn Store>,
    idle: i64,
    longest: i64,
    held: Mutex<HashMap<String, Held>>,
}

/// How many are kept at hand.
const MANY: usize = 10_000;

/// How long the store may not know that a session is in use, in milliseconds.
const UNWRITTEN: i64 = 60_000;

impl Sessions {
    /// The sessions of that store, which must not be guarded; they end after `idle` milliseconds
    /// without a request, and after `longest` in any case.
    pub fn of(store: Arc<dyn Store>, (idle, longest): (i64, i64)) -> Self {
        Self { store, idle, longest, held: Mutex::default() }
    }

    /// Begins a session; the text by which it is found is known to nobody else.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn begin(&self, access: &Access, name: &str, now: Instant) -> Result<String, Error> {
        let text = random();
        let written = Written {
            access: Line::of(access),
            name: name.to_owned(),
            csrf: random(),
            seen: now.millis(),
        };
        let kept = Kept { ends: later(now, self.longest), value: bytes(&written) };
        let batch = secret::keep(&*self.store.view()?, Use::Session, &text, &kept, now)?;
        self.store.commit(batch)?;
        Ok(text)
    }

    /// The session of that text; none where it has ended or never was.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn find(&self, text: &str, now: Instant) -> Result<Option<Found>, Error> {
        let mut held = self.held();
        if !held.contains_key(text) {
            // Read while nobody ends one, so that none that has ended is kept at hand.
            let kept = secret::find(&*self.store.view()?, Use::Session, text, now)?;
            let Some(kept) = kept else { return Ok(None) };
            if held.len() >= MANY {
                held.clear();
            }
            held.insert(text.to_owned(), read(&kept)?);
        }
        let Some(known) = held.get_mut(text) else { return Ok(None) };
        if known.ends <= now || later(known.seen, self.idle) <= now {
            held.remove(text);
            return Ok(None);
        }
        known.seen = known.seen.max(now);
        let is_due = later(known.written, UNWRITTEN) <= now;
        Ok(Some(Found { session: Arc::clone(&known.session), is_due }))
    }

    /// Writes that a session is in use; whether it still is one.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn touch(&self, text: &str, now: Instant) -> Result<bool, Error> {
        let view = self.store.view()?;
        let kept = secret::find(&*view, Use::Session, text, now)?;
        let Some(kept) = kept else {
            drop(view);
            self.held().remove(text);
            return Ok(false);
        };
        let mut written: Written = parse(&kept.value)?;
        written.seen = written.seen.max(now.millis());
        let kept = Kept { ends: kept.ends, value: bytes(&written) };
        let batch = secret::keep(&*view, Use::Session, text, &kept, now)?;
        drop(view);
        match self.store.commit(batch) {
            Ok(_) => {}
            // Another request wrote the same, or ended it; the next one finds out.
            Err(store::Error::Conflict) => return Ok(true),
            Err(error) => return Err(error.into()),
        }
        if let Some(known) = self.held().get_mut(text) {
            known.written = known.written.max(now);
        }
        Ok(true)
    }

    /// Ends a session.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn end(&self, text: &str) -> Result<(), Error> {
        self.store.commit(secret::forget(Use::Session, text))?;
        self.held().remove(text);
        Ok(())
    }

    fn held(&self) -> MutexGuard<'_, HashMap<String, Held>> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether the state of a sign-in comes back for the first time; from now on it did.
///
/// # Errors
/// A failure of the store.
pub fn first_time(
    store: &dyn Store,
    state: &str,
    now: Instant,
    ends: Instant,
) -> Result<bool, Error> {
    super::first_time(store, (Use::SignIn, state), now, ends)
}

fn later(moment: Instant, millis: i64) -> Instant {
    Instant::from_millis(moment.millis().saturating_add(millis))
}

fn bytes(written: &Written) -> Vec<u8> {
    // A struct of texts and numbers always has a JSON form.
    serde_json::to_vec(written).unwrap_or_default()
}

fn parse(value: &[u8]) -> Result<Written, Error> {
    serde_json::from_slice(value).map_err(|_| Error::Damaged(key::SECRETS))
}

fn read(kept: &Kept) -> Result<Held, Error> {
    let written = parse(&kept.value)?;
    let access = written.access.read().ok_or(Error::Damaged(key::SECRETS))?;
    let session = Session { access: Arc::new(access), name: written.name, csrf: written.csrf };
    let seen = Instant::from_millis(written.seen);
    Ok(Held { session: Arc::new(session), ends: kept.ends, seen, written: seen })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::smart::{Scope, user};
    use crate::store::MemoryStore;

    fn at(seconds: i64) -> Instant {
        Instant::from_millis(seconds * 1000)
    }

    fn begun() -> (Arc<dyn Store>, Sessions, String, Access) {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let sessions = Sessions::of(Arc::clone(&store), (600_000, 3_600_000));
        let access = Access {
            client: "person/ilse".to_owned(),
            scopes: Scope::all("user/*.rs"),
            patient: None,
            user: user("Practitioner/ilse"),
        };
        let text = sessions.begin(&access, "Ilse", at(0)).unwrap();
        (store, sessions, text, access)
    }

    #[test]
    fn a_session_is_found_as_it_began_also_after_a_restart() {
        let (store, sessions, text, access) = begun();
        let found = sessions.find(&text, at(1)).unwrap().unwrap();
        assert_eq!((&*found.session.access, found.session.name.as_str()), (&access, "Ilse"));
        assert!(text.len() == 43 && found.session.csrf.len() == 43 && text != found.session.csrf);
        let again = Sessions::of(store, (600_000, 3_600_000));
        assert_eq!(again.find(&text, at(1)).unwrap(), Some(found));
        assert_eq!(again.find("other", at(1)).unwrap(), None);
    }

    #[test]
    fn it_ends_without_requests_and_in_any_case() {
        let (store, sessions, text, _) = begun();
        assert!(sessions.find(&text, at(599)).unwrap().is_some());
        // In use until then, and told to the store, so that a restart knows it too.
        assert!(sessions.find(&text, at(1100)).unwrap().unwrap().is_due);
        assert!(sessions.touch(&text, at(1100)).unwrap());
        assert!(!sessions.find(&text, at(1101)).unwrap().unwrap().is_due);
        let again = Sessions::of(store, (600_000, 3_600_000));
        assert!(again.find(&text, at(1699)).unwrap().is_some());
        assert!(sessions.find(&text, at(1701)).unwrap().is_none(), "no request for ten minutes");
        for minute in 30..60 {
            assert!(again.find(&text, at(minute * 60 - 101)).unwrap().is_some(), "{minute}");
        }
        assert!(again.find(&text, at(3600)).unwrap().is_none(), "an hour in any case");
    }

    #[test]
    fn what_is_signed_out_does_not_come_back() {
        let (_, sessions, text, _) = begun();
        assert!(sessions.find(&text, at(1)).unwrap().is_some());
        sessions.end(&text).unwrap();
        assert!(sessions.find(&text, at(2)).unwrap().is_none());
        assert!(!sessions.touch(&text, at(2)).unwrap());
        assert!(sessions.find(&text, at(3)).unwrap().is_none());
    }

    #[test]
    fn a_state_comes_back_once() {
        let store = MemoryStore::new();
        assert!(first_time(&store, "s", at(0), at(600)).unwrap());
        assert!(!first_time(&store, "s", at(1), at(600)).unwrap());
        assert!(first_time(&store, "t", at(1), at(600)).unwrap());
    }
}
