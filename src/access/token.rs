//! Access tokens: random text, of which the store keeps a digest and what it permits.
//!
//! Source: <https://www.rfc-editor.org/rfc/rfc6750>,
//! <https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html>.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::fhir::{Id, Instant};
use crate::repository::secret::{self, Kept, Use};
use crate::repository::{self, Error};
use crate::smart::{Access, Scope, user};
use crate::store::Store;

/// What a token permits, in the form in which it is kept.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Line {
    /// The client.
    pub client: String,
    scope: String,
    patient: Option<String>,
    user: Option<String>,
}

impl Line {
    /// The form of an access.
    pub fn of(access: &Access) -> Self {
        Self {
            client: access.client.clone(),
            scope: access.scope_text(),
            patient: access.patient.as_ref().map(ToString::to_string),
            user: access.user.as_ref().map(|(kind, id)| format!("{kind}/{id}")),
        }
    }

    /// The access; none where the form is damaged.
    pub fn read(&self) -> Option<Access> {
        let (patient, user) = (self.patient.as_deref(), self.user.as_deref().map(user));
        Some(Access {
            client: self.client.clone(),
            scopes: Scope::all(&self.scope),
            patient: patient.map(|id| Id::parse(id).ok_or(())).transpose().ok()?,
            user: user.map(|user| user.ok_or(())).transpose().ok()?,
        })
    }
}

/// The tokens of a store; what was found of one lately is at hand.
pub struct Tokens {
    store: Arc<dyn Store>,
    lately: Mutex<Lately>,
}

#[derive(Default)]
struct Lately {
    found: HashMap<String, (Arc<Access>, Instant)>,
    /// How many tokens were revoked: what was read before the last of these is not kept.
    revoked: u64,
}

/// How many tokens are kept at hand.
const LATELY: usize = 10_000;

impl Tokens {
    /// The tokens of that store, which must not be guarded.
    pub fn of(store: Arc<dyn Store>) -> Self {
        Self { store, lately: Mutex::default() }
    }

    /// A new token for that access, which ends then.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn issue(&self, access: &Access, now: Instant, ends: Instant) -> Result<String, Error> {
        // Twice as long as what the audit trail tells of it.
        let token = format!("{}{}", Uuid::new_v4().simple(), Uuid::new_v4().simple());
        let line = Line::of(access);
        // A struct of texts always has a JSON form.
        let value = serde_json::to_vec(&line).unwrap_or_default();
        let kept = Kept { ends, value };
        let batch = secret::keep(&*self.store.view()?, Use::Token, &token, &kept, now)?;
        self.store.commit(batch)?;
        Ok(token)
    }

    /// What a token permits, and when it ends; none for one that has ended, or was never issued.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn find(&self, token: &str, now: Instant) -> Result<Option<(Arc<Access>, Instant)>, Error> {
        let lately = self.lately();
        let known = lately.found.get(token).filter(|(_, ends)| *ends > now).cloned();
        if known.is_some() {
            return Ok(known);
        }
        let revoked = lately.revoked;
        drop(lately);
        let kept = secret::find(&*self.store.view()?, Use::Token, token, now)?;
        let Some(kept) = kept else { return Ok(None) };
        let access = read(&kept.value).ok_or(Error::Damaged(repository::key::SECRETS))?;
        let found = (Arc::new(access), kept.ends);
        let mut lately = self.lately();
        if lately.revoked == revoked {
            if lately.found.len() >= LATELY {
                lately.found.clear();
            }
            lately.found.insert(token.to_owned(), found.clone());
        }
        Ok(Some(found))
    }

    /// Ends a token.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn revoke(&self, token: &str) -> Result<(), Error> {
        self.store.commit(secret::forget(Use::Token, token))?;
        let mut lately = self.lately();
        lately.revoked += 1;
        lately.found.remove(token);
        Ok(())
    }

    fn lately(&self) -> std::sync::MutexGuard<'_, Lately> {
        self.lately.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn read(value: &[u8]) -> Option<Access> {
    serde_json::from_slice::<Line>(value).ok()?.read()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::MemoryStore;

    #[test]
    fn a_token_is_found_as_it_was_issued_until_it_ends_or_is_revoked() {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let tokens = Tokens::of(Arc::clone(&store));
        let access = Access {
            client: "clinic".to_owned(),
            scopes: Scope::all("system/Observation.rs?code=a%20b patient/*.r"),
            patient: Id::parse("p-1"),
            user: user("Practitioner/x"),
        };
        let at = Instant::from_millis;
        let token = tokens.issue(&access, at(0), at(1000)).unwrap();
        let again = Tokens::of(store);
        for tokens in [&tokens, &again] {
            let (found, ends) = tokens.find(&token, at(999)).unwrap().unwrap();
            assert_eq!((found.scope_text(), ends), (access.scope_text(), at(1000)));
            assert_eq!((&found.patient, &found.user), (&access.patient, &access.user));
            assert_eq!(tokens.find(&token, at(1000)).unwrap(), None);
        }
        again.revoke(&token).unwrap();
        assert_eq!(again.find(&token, at(1)).unwrap(), None);
        assert_eq!(again.find("other", at(1)).unwrap(), None);
    }
}
