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
use crate::smart::{Access, Action};
use view::Guarded;

/// A text that nobody guesses: 256 bits, in 43 letters of base64url.
pub fn random() -> String {
    // Three times the 122 random bits of a UUID, pressed together.
    let parts = [(); 3].map(|()| *uuid::Uuid::new_v4().as_bytes());
    URL_SAFE_NO_PAD.encode(Sha256::digest(parts.concat()))
}

/// The application for whoever has that access, who asks for one of those actions.
pub fn narrow(app: &App, access: &Arc<Access>, actions: &'static [Action]) -> App {
    let guarded = Guarded {
        store: Arc::clone(&app.store),
        access: Arc::clone(access),
        held: app.held(),
        actions,
        most: app.config.max_search_rows,
    };
    app.on_behalf(Arc::new(guarded), Arc::clone(access))
}
