//! What the client of a subscription may see: by what it is registered for now, within the scopes of
//! the token that the subscription was written with.
//!
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/safety_security.html>.

use std::sync::Arc;

use crate::access::clients::Clients;
use crate::access::grant::{self, Denied};
use crate::app::App;
use crate::config::Authorisation;
use crate::error::Error;
use crate::notify::Fault;
use crate::repository::notice::Subscriber;
use crate::smart::{Access, Scope};
use crate::store::View;

/// What both lists permit: of two scopes the narrower, where one is within the other.
fn both(some: &[Scope], others: &[Scope]) -> Vec<Scope> {
    let pairs = some.iter().flat_map(|one| others.iter().map(move |other| (one, other)));
    let narrower =
        pairs.filter_map(|(one, other)| one.narrowed_to(other).or_else(|| other.narrowed_to(one)));
    narrower.collect()
}

/// What may be seen.
pub(super) enum Sight {
    /// Everything: it was asked for without authorisation, and none is configured.
    All,
    /// What that access permits.
    By(Arc<Access>),
    /// Nothing: the client is not registered, or for none of it any more.
    Nothing,
}

impl Sight {
    /// That of a subscriber.
    ///
    /// # Errors
    /// When the registration cannot be read.
    pub(super) fn of(app: &App, subscriber: &Subscriber) -> Result<Self, Fault> {
        let Some(client) = &subscriber.client else {
            let is_open = app.config.access == Authorisation::Open;
            return Ok(if is_open { Self::All } else { Self::Nothing });
        };
        let unread = |fault| Fault::Failed(Error::Internal(Box::new(fault)));
        let found = Clients::of(&app.config.data).find(client).map_err(unread)?;
        let Some(client) = found else { return Ok(Self::Nothing) };
        let registered = match grant::grant(app, &client, &client.scope) {
            Ok(access) => access,
            Err(Denied::Failed(error)) => return Err(error.into()),
            Err(_) => return Ok(Self::Nothing),
        };
        let scopes = both(&registered.scopes, &Scope::all(&subscriber.scope));
        if scopes.is_empty() {
            return Ok(Self::Nothing);
        }
        Ok(Self::By(Arc::new(Access { scopes, ..registered })))
    }

    /// The view as it is for the subscriber; none where nothing may be seen.
    pub(super) fn over<'v>(&self, app: &App, view: &'v dyn View) -> Option<Box<dyn View + 'v>> {
        match self {
            Self::All => Some(crate::access::whole(view)),
            Self::By(access) => Some(crate::access::seen(app, access, view)),
            Self::Nothing => None,
        }
    }
}
