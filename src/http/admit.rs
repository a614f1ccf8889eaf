//! Who asks, and what they may do: the one place that every request passes.
//!
//! With `--access smart` a request needs a token, or the cookie of a person's session (`session.rs`).
//! A token is asked first, and a request that has one has no session. The application that the rest works with is then
//! the one of that token, whose store shows no more than it permits. What a route does is asked of
//! the token's scopes first, so that a refusal does not depend on what is stored.
//! Source: <https://www.rfc-editor.org/rfc/rfc6750>,
//! <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html>.

use std::cell::RefCell;
use std::collections::HashMap;
use std::sync::Arc;

use actix_web::http::header;
use actix_web::{HttpRequest, web};

use crate::access::session::Session;
use crate::access::{narrow, token::Tokens};
use crate::app::{App, Held};
use crate::config::Authorisation;
use crate::error::Error;
use crate::fhir::{Instant, ResourceType};
use crate::http::issuer::Issuer;
use crate::http::rate::{Rates, Who};
use crate::http::route::{Route, Verb};
use crate::http::{extract, journal, session};
use crate::outbound::Outbound;
use crate::smart::{Access, Action, Context, Scope};

/// What a route does, as scopes name it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Needed {
    /// Nothing: it is open to all.
    Nothing,
    /// That action, with resources of the type that the path names, or of any.
    One(Action),
    /// An update; where there is nothing yet, a create.
    Put,
    /// Reading and finding whatever is needed for the answer: operations, pages, Bundles.
    Reading,
    /// The same for a form that a page sends, which names in a field whose it is.
    Form,
}

impl Needed {
    /// What the route needs for that verb.
    pub(super) fn of(route: Route, verb: Verb) -> Self {
        use Action::{Create, Delete, Read, Search, Update};
        match (route, verb) {
            (_, Verb::Options)
            | (
                Route::Metadata
                | Route::OpenApi
                | Route::Icon
                | Route::Script
                | Route::Live
                | Route::Ready
                | Route::Metrics
                | Route::SmartConfiguration
                | Route::Token
                | Route::Introspect
                | Route::Revoke
                | Route::SignIn
                | Route::SignInBack
                | Route::SignOut
                | Route::SharedLink
                | Route::SharedLetter
                | Route::SharedForm,
                _,
            ) => Self::Nothing,
            (Route::Links | Route::LinkEnd, _) => Self::Form,
            (Route::Type, Verb::Post) => Self::One(Create),
            (Route::Type | Route::Instance, Verb::Put) => Self::Put,
            (Route::Type | Route::Instance, Verb::Patch) => Self::One(Update),
            (Route::Type | Route::Instance, Verb::Delete) => Self::One(Delete),
            (Route::Instance | Route::InstanceHistory | Route::Version, _) => Self::One(Read),
            (Route::System, Verb::Post)
            | (
                Route::Operation
                | Route::Export
                | Route::ExportFile
                | Route::Index
                | Route::Audit
                | Route::AuditCases
                | Route::Episode
                | Route::Visit
                | Route::Letters
                | Route::Patient,
                _,
            ) => Self::Reading,
            (
                Route::System
                | Route::Type
                | Route::SystemSearch
                | Route::TypeSearch
                | Route::SystemHistory
                | Route::TypeHistory
                | Route::Compartment
                | Route::CompartmentSearch,
                _,
            ) => Self::One(Search),
        }
    }

    /// One of these must be permitted.
    fn actions(self) -> &'static [Action] {
        match self {
            Self::Nothing => &[],
            Self::One(Action::Create) => &[Action::Create],
            Self::One(Action::Read) => &[Action::Read],
            Self::One(Action::Update) => &[Action::Update],
            Self::One(Action::Delete) => &[Action::Delete],
            Self::One(Action::Search) => &[Action::Search],
            Self::Put => &[Action::Update, Action::Create],
            Self::Reading | Self::Form => &[Action::Read, Action::Search],
        }
    }

    /// What may be seen while it is done: what is found by what finds, else what is read at all.
    fn seen(self) -> &'static [Action] {
        match self {
            Self::One(Action::Search) => &[Action::Search],
            Self::One(Action::Read) => &[Action::Read],
            _ => &[Action::Read, Action::Search],
        }
    }

    fn is_permitted(self, access: &Access, kind: Option<ResourceType>) -> bool {
        self.actions().iter().any(|action| match kind {
            Some(kind) => access.permits(kind, *action),
            None => access.permits_some(*action),
        })
    }
}

/// The application as it is for whoever sent a request.
pub(super) struct Admitted {
    /// The application.
    pub(super) app: web::Data<App>,
    /// The session, where it is a person in a browser.
    pub(super) session: Option<Arc<Session>>,
}

/// Who sent the request, and what the application is for them. `kind` is the type that the path names
/// as the one in question; `is_own`: the application is that of this request alone.
///
/// # Errors
/// [`Error::Unauthenticated`], [`Error::Forbidden`], or a failure of the store.
pub(super) async fn admit(
    app: web::Data<App>,
    request: &HttpRequest,
    needed: Needed,
    kind: Option<ResourceType>,
    now: Instant,
    is_own: bool,
) -> Result<Admitted, Error> {
    let rates = given::<Rates>(request)?;
    let address = Who::Address(request.peer_addr().map(|address| address.ip()));
    if app.config.access == Authorisation::Open || needed == Needed::Nothing {
        rates.count(&address)?;
        let app = kept(&app, kind).unwrap_or(app);
        return Ok(Admitted { app, session: None });
    }
    // Who has no token that holds is counted by address, so that none is found by trying.
    let session = match request.headers().contains_key(header::AUTHORIZATION) {
        true => Ok(None),
        false => session::of(&app, request, needed, now).await.map(Some),
    };
    let found = match session {
        Ok(Some(session)) => {
            journal::identified(request, &session.access, None);
            Ok((Arc::clone(&session.access), Some(session)))
        }
        Ok(None) => access(&app, request, now).await.map(|access| (access, None)),
        Err(error) => Err(error),
    };
    let (access, session) = match found {
        Ok(found) => found,
        Err(error) => return Err(rates.count(&address).err().unwrap_or(error)),
    };
    if rates.are_limited() {
        rates.count(&Who::Client(access.client.clone()))?;
    }
    // A Bundle may hold anything; each of its entries is asked for itself.
    let is_bundle = matches!(needed, Needed::Reading | Needed::Form) && kind.is_none();
    if !is_bundle && !needed.is_permitted(&access, kind) {
        return Err(Error::Forbidden);
    }
    let Some(trail) = kept(&app, kind) else {
        let app = match is_own {
            // What a request holds back is its own.
            true => web::Data::new(narrow(&app, &access, needed.seen())),
            false => given::<Narrowed>(request)?.find(&app, &access, needed.seen()),
        };
        return Ok(Admitted { app, session });
    };
    let own = of_trail(&access).filter(|own| needed.is_permitted(own, kind));
    let own = Arc::new(own.ok_or(Error::Forbidden)?);
    Ok(Admitted { app: web::Data::new(narrow(&trail, &own, needed.seen())), session })
}

/// The application over the audit trail, to be read, where one is kept and is what is asked about.
fn kept(app: &App, kind: Option<ResourceType>) -> Option<web::Data<App>> {
    let trail = app.trail.as_ref().filter(|_| is_of_trail(app, kind))?;
    Some(web::Data::new(trail.to_be_read()))
}

/// Whether what is asked about is the audit trail that is kept.
pub(super) fn is_of_trail(app: &App, kind: Option<ResourceType>) -> bool {
    app.trail.is_some() && kind.is_some_and(|kind| kind.as_str() == TRAIL)
}

/// The type of the entries of the trail.
const TRAIL: &str = "AuditEvent";

/// What of an access is about the trail: it is seen by who was given it by name, never along with all
/// else, nor as part of a patient's records.
fn of_trail(access: &Access) -> Option<Access> {
    let is_own = |scope: &&Scope| {
        scope.context == Context::System && scope.kind.is_some_and(|kind| kind.as_str() == TRAIL)
    };
    let scopes: Vec<Scope> = access.scopes.iter().filter(is_own).cloned().collect();
    (!scopes.is_empty()).then(|| Access { scopes, ..access.clone() })
}

/// The applications of tokens that asked lately, one of these for each thread that answers: making one
/// touches much that all threads share. A token that has ended or was revoked is found out before.
#[derive(Default)]
pub(super) struct Narrowed(RefCell<Lately>);

#[derive(Default)]
struct Lately {
    /// The definitions that all of them work with.
    held: Option<Arc<Held>>,
    /// By the place of the access, which is kept, so that no other comes to be there.
    apps: HashMap<Place, (Arc<Access>, web::Data<App>)>,
}

/// Where an access is, and what is seen by it.
type Place = (usize, &'static [Action]);

/// How many are kept for each thread.
const LATELY: usize = 1000;

impl Narrowed {
    fn find(&self, app: &App, access: &Arc<Access>, seen: &'static [Action]) -> web::Data<App> {
        let mut lately = self.0.borrow_mut();
        if !lately.held.as_ref().is_some_and(|held| app.holds(held)) || lately.apps.len() >= LATELY
        {
            // Asked for before they are narrowed: if others come in force meanwhile, all is made anew.
            *lately = Lately { held: Some(app.held()), apps: HashMap::new() };
        }
        let key = (Arc::as_ptr(access).addr(), seen);
        let made = || (Arc::clone(access), web::Data::new(narrow(app, access, seen)));
        lately.apps.entry(key).or_insert_with(made).1.clone()
    }
}

/// Whether somebody sent the request who is known, where that is asked of anyone.
pub(super) async fn is_somebody(app: &web::Data<App>, request: &HttpRequest, now: Instant) -> bool {
    if app.config.access == Authorisation::Open {
        return true;
    }
    match request.headers().contains_key(header::AUTHORIZATION) {
        true => access(app, request, now).await.is_ok(),
        false => session::of(app, request, Needed::Reading, now).await.is_ok(),
    }
}

/// What the token of the request permits.
///
/// # Errors
/// [`Error::Unauthenticated`] without a token that holds, or a failure of the store.
pub(super) async fn access(
    app: &App,
    request: &HttpRequest,
    now: Instant,
) -> Result<Arc<Access>, Error> {
    let sent = request.headers().get(header::AUTHORIZATION).and_then(|text| text.to_str().ok());
    let Some(sent) = sent else {
        return Err(Error::Unauthenticated("The request needs an access token."));
    };
    let (scheme, token) = sent.split_once(' ').unwrap_or((sent, ""));
    if !scheme.eq_ignore_ascii_case("Bearer") {
        return Err(Error::Unauthenticated("The access token is sent as Bearer."));
    }
    let token = token.trim();
    let unknown =
        || Error::Unauthenticated("The access token has ended, or was never issued here.");
    if token.contains('.') {
        // No token of ours has a dot; every JWT has.
        let Some(issuer) = given::<Option<Issuer>>(request)?.as_ref() else {
            return Err(unknown());
        };
        let (outbound, base) = (given::<Outbound>(request)?, extract::base(app, request));
        let access = issuer.find(outbound, token, &base, now).await.ok_or_else(unknown)?;
        journal::identified(request, &access, Some(token));
        return Ok(access);
    }
    let found = given::<Tokens>(request)?.find(token, now)?;
    let (access, _) = found.ok_or_else(unknown)?;
    journal::identified(request, &access, Some(token));
    Ok(access)
}

/// What the server was given at its start.
pub(super) fn given<T: 'static>(request: &HttpRequest) -> Result<&web::Data<T>, Error> {
    let found = request.app_data::<web::Data<T>>();
    found.ok_or_else(|| Error::Internal("the server was not put together".into()))
}
