//! Authorisation: the application as it is for whoever has a token.
//!
//! [`narrow`] gives an application whose store shows, and lets be written, only what a token
//! permits ([`smart::Access`](crate::smart::Access)). All else works with it as with any other.
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html>,
//! <http://hl7.org/fhir/R4/security.html#AuthZ>.

mod beyond;
mod judge;
pub mod clients;
pub mod grant;
pub mod link;
pub mod session;
pub mod token;
mod view;

use std::sync::Arc;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

pub use judge::{Whose, clauses};

use crate::app::App;
use crate::fhir::Instant;
use crate::repository;
use crate::repository::secret::{self, Kept, Use};
use crate::smart::{Access, Action};
use crate::store::{self, Store, View};
use view::Guarded;

/// What stands where something is changed is seen by who may see it or change it.
const CHANGED: [Action; 4] = [Action::Read, Action::Search, Action::Update, Action::Delete];

/// Whether a secret comes for the first time; from now on, until it ends, it did.
fn first_time(
    store: &dyn Store,
    (purpose, secret): (Use, &str),
    now: Instant,
    ends: Instant,
) -> Result<bool, repository::Error> {
    let view = store.view()?;
    if secret::find(&*view, purpose, secret, now)?.is_some() {
        return Ok(false);
    }
    let batch = secret::keep(&*view, purpose, secret, &Kept { ends, value: Vec::new() }, now)?;
    drop(view);
    match store.commit(batch) {
        Ok(_) => Ok(true),
        // Another request with the same was a moment faster.
        Err(store::Error::Conflict) => Ok(false),
        Err(error) => Err(error.into()),
    }
}

/// A text that nobody guesses: 256 bits, in 43 letters of base64url.
pub fn random() -> String {
    // Three times the 122 random bits of a UUID, pressed together.
    let parts = [(); 3].map(|()| *uuid::Uuid::new_v4().as_bytes());
    URL_SAFE_NO_PAD.encode(Sha256::digest(parts.concat()))
}

/// The application for whoever has that access, who asks for one of those actions.
pub fn narrow(app: &App, access: &Arc<Access>, actions: &'static [Action]) -> App {
    let held = app.held();
    let guarded = |actions| {
        Arc::new(Guarded {
            store: Arc::clone(&app.store),
            access: Arc::clone(access),
            held: Arc::clone(&held),
            actions,
            most: app.config.max_search_rows,
        })
    };
    app.on_behalf(guarded(actions), guarded(&CHANGED), Arc::clone(access))
}

/// A view as it is for whoever has that access and reads or searches.
pub fn seen<'a>(app: &App, access: &Arc<Access>, view: &'a dyn View) -> Box<dyn View + 'a> {
    view::seen(app, access, view)
}

/// A view that another holds open, whole.
pub fn whole<'a>(view: &'a dyn View) -> Box<dyn View + 'a> {
    Box::new(view::Open(view))
}
