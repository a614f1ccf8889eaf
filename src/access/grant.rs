//! What a client that has proven who it is gets of what it asks for.
//!
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html>,
//! <https://www.rfc-editor.org/rfc/rfc6749#section-5.2>.

use crate::access::clients::Clients;
use crate::access::{clauses, first_time};
use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant};
use crate::repository;
use crate::repository::secret::Use;
use crate::smart::assertion::{Claimed, Proven, Refused};
use crate::smart::client::Client;
use crate::smart::{Access, Context, Scope, user};
use crate::store::Store;

/// Why nothing is granted.
#[derive(Debug, thiserror::Error)]
pub enum Denied {
    /// The request lacks something, or has it twice.
    #[error("{0}.")]
    Request(String),
    /// The grant is of another type.
    #[error("The only grant_type is client_credentials.")]
    GrantType,
    /// The client did not prove who it is.
    #[error("{0}")]
    Client(#[from] Refused),
    /// There is no such client.
    #[error("The client is not registered.")]
    Unknown,
    /// None of the scopes is within what the client is registered for.
    #[error("None of the scopes is within what the client is registered for.")]
    Scope,
    /// The server failed.
    #[error("the server failed")]
    Failed(Error),
}

impl Denied {
    /// HTTP status, and the code of OAuth 2.0.
    pub fn code(&self) -> (u16, &'static str) {
        match self {
            Self::Request(_) => (400, "invalid_request"),
            Self::GrantType => (400, "unsupported_grant_type"),
            Self::Client(_) | Self::Unknown => (401, "invalid_client"),
            Self::Scope => (400, "invalid_scope"),
            Self::Failed(_) => (500, "server_error"),
        }
    }
}

/// The registered client that an assertion says it is from.
///
/// # Errors
/// [`Denied::Unknown`]; [`Denied::Client`] where it names other keys than those registered.
pub fn client(app: &App, claimed: &Claimed) -> Result<Client, Denied> {
    let found = Clients::of(&app.config.data).find(&claimed.client);
    let found = found.map_err(|fault| Denied::Failed(Error::Internal(Box::new(fault))))?;
    let client = found.ok_or(Denied::Unknown)?;
    if claimed.jku.is_some() && claimed.jku != client.jwks_uri {
        return Err(Refused::Key.into());
    }
    Ok(client)
}

/// What the client gets of the scopes that it asks for: of each as much as it is registered for.
/// Scopes that are not about resources, and those whose criteria cannot be asked, give nothing.
///
/// # Errors
/// [`Denied::Scope`] when nothing is left.
pub fn grant(app: &App, client: &Client, asked: &str) -> Result<Access, Denied> {
    let registered = Scope::all(&client.scope);
    let (patient, user) =
        (client.patient.as_deref().and_then(Id::parse), client.user.as_deref().and_then(user));
    let held = app.held();
    let is_usable = |scope: &Scope| match (scope.context, scope.kind) {
        (Context::Patient, _) if patient.is_none() => false,
        (Context::User, _) if user.is_none() => false,
        (_, Some(kind)) => clauses(&held.rules, kind, scope).is_ok(),
        (_, None) => scope.criteria.is_empty(),
    };
    let mut scopes: Vec<Scope> = Vec::new();
    for scope in Scope::all(asked).iter().filter(|scope| is_usable(scope)) {
        for narrowed in registered.iter().filter_map(|own| scope.narrowed_to(own)) {
            if !scopes.contains(&narrowed) {
                scopes.push(narrowed);
            }
        }
    }
    if scopes.is_empty() {
        return Err(Denied::Scope);
    }
    Ok(Access { client: client.id.clone(), scopes, patient, user })
}

/// Whether the assertion of that client was not used before; from now on it was.
///
/// # Errors
/// A failure of the store.
pub fn use_once(
    store: &dyn Store,
    client: &str,
    proven: &Proven,
    now: Instant,
) -> Result<bool, repository::Error> {
    let secret = format!("{client} {}", proven.id);
    first_time(store, (Use::Assertion, &secret), now, proven.ends)
}
