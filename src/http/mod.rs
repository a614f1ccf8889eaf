//! The REST API over HTTP: the only place that names the web framework.
//!
//! Reads and short searches answer where they arrive: some lookups in the store are shorter than a hop
//! to another thread. Longer searches run on threads of their own, few more than there are cores;
//! writes and operations, which may wait for the disk, on the blocking pool.
//! Source: <http://hl7.org/fhir/R4/http.html>.

mod admit;
mod audit;
mod binary;
mod bulk;
mod bundle;
mod dispatch;
mod extract;
mod flight;
mod format;
mod happening;
mod health;
mod issuer;
mod journal;
mod metrics;
mod middleware;
mod once;
mod openapi;
mod operation;
mod page;
mod people;
mod pool;
mod prefer;
mod rate;
mod reply;
mod resource;
mod route;
mod search;
mod session;
mod shared;
mod sign_in;
mod smart;
#[cfg(test)]
mod tests;
mod tls;
mod verb;

use std::io;
use std::net::SocketAddr;
use std::sync::{Arc, Weak};

use actix_cors::Cors;
use actix_web::dev::Server;
use actix_web::middleware::{Condition, DefaultHeaders};
use actix_web::{HttpServer, web};

use crate::access::link::Links;
use crate::access::session::Sessions;
use crate::access::token::Tokens;
use crate::app::App;
use crate::bulk::{Disclosed, Exports};
use crate::error::Error;
use crate::fhir::Instant;
use crate::http::admit::Narrowed;
use crate::http::flight::FLIGHTS;
use crate::http::issuer::Issuer;
use crate::http::metrics::Metrics;
use crate::http::once::AtWork;
use crate::http::rate::Rates;
use crate::operation::facts;
use crate::outbound::Outbound;
use crate::trail::Trail;
use crate::{interaction, notify};

/// The path of the API.
pub const BASE: &str = "/fhir";

/// The time of a request.
fn now() -> Instant {
    Instant::from(time::OffsetDateTime::now_utc())
}

/// Runs what may wait for the disk on the blocking pool.
async fn block<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Error> + Send + 'static,
) -> Result<T, Error> {
    let flight = FLIGHTS.begin(now());
    let work = move || {
        let _at_work = flight;
        work()
    };
    web::block(work).await.map_err(|error| Error::Internal(Box::new(error)))?
}

/// When the server began to run as it does.
struct Since(Instant);

/// A server that listens, not yet running.
pub struct Serving {
    /// Where it listens.
    pub address: SocketAddr,
    /// The server, to be awaited; it ends on SIGINT or SIGTERM after the requests at work.
    pub server: Server,
    /// What is written of what was done.
    trail: web::Data<Option<Trail>>,
}

impl Serving {
    /// Runs until the server ends, and then writes what is still to be written of the audit trail.
    ///
    /// # Errors
    /// Those of the server.
    pub async fn run(self) -> io::Result<()> {
        let ended = self.server.await;
        if let Some(trail) = self.trail.as_ref() {
            trail.close().await;
        }
        ended
    }
}

/// Pages of those origins may call the API and see its headers
/// (<http://hl7.org/fhir/R4/security.html#cors>).
fn cors(origins: &[String]) -> Cors {
    let cors = Cors::default().allow_any_method().allow_any_header().expose_headers(EXPOSED);
    let cors = cors.max_age(CORS_SECONDS);
    origins.iter().fold(cors, |cors, origin| cors.allowed_origin(origin))
}

/// What pages of other origins may see of an answer beside its content.
const EXPOSED: [&str; 10] = [
    "content-disposition",
    "content-location",
    "etag",
    "last-modified",
    "location",
    "preference-applied",
    "retry-after",
    "x-correlation-id",
    "x-request-id",
    "x-security-context",
];

/// That browsers come by TLS only from now on (<https://www.rfc-editor.org/rfc/rfc6797>).
const TRANSPORT_SECURITY: (&str, &str) = ("Strict-Transport-Security", "max-age=31536000");

/// How long a browser may remember what it may ask.
const CORS_SECONDS: usize = 3600;

/// Listens for the application at that address.
///
/// # Errors
/// When the address cannot be listened on.
pub fn serve(app: web::Data<App>, listen: SocketAddr) -> io::Result<Serving> {
    index(&app.clone().into_inner())?;
    app.trail.as_ref().map(index).transpose()?;
    keep_facts(Arc::downgrade(&app.clone().into_inner()))?;
    let trail = web::Data::new(Trail::start(&app.clone().into_inner())?);
    let exports = web::Data::new(Exports::of(&app.config.data));
    export(&app, &exports, &trail)?;
    let told = trail.clone();
    let metrics = web::Data::new(Metrics::new());
    let operating = app.config.operating.clone();
    let since = web::Data::new(Since(now()));
    let outbound = Outbound::new(&app.config.outbound, app.config.outbound_private);
    let outbound = web::Data::new(outbound.map_err(io::Error::other)?);
    let issuer = web::Data::new(Issuer::of(&app.config));
    let tokens = web::Data::new(Tokens::of(Arc::clone(&app.store)));
    let sessions = Sessions::of(Arc::clone(&app.store), app.config.sign_in.ends());
    let sessions = web::Data::new(sessions);
    let links = web::Data::new(Links::of(Arc::clone(&app.store)));
    let sign_in = web::Data::new(sign_in::SignIn::of(&app)?);
    let rates = web::Data::new(Rates::of(app.config.rate));
    let at_work = web::Data::new(AtWork::default());
    let followed = Arc::downgrade(&app.clone().into_inner());
    let base = app.config.public_base().map(str::to_owned);
    let scheme = app.config.scheme();
    let tls = app.config.tls().map(|(chain, key)| tls::settings(chain, key)).transpose()?;
    let secure = tls.is_some();
    let server = HttpServer::new(move || {
        let cross_origin = !app.config.cors_origin.is_empty();
        actix_web::App::new()
            .app_data(app.clone())
            .app_data(since.clone())
            .app_data(tokens.clone())
            .app_data(outbound.clone())
            .app_data(exports.clone())
            .app_data(rates.clone())
            .app_data(issuer.clone())
            .app_data(at_work.clone())
            .app_data(sessions.clone())
            .app_data(links.clone())
            .app_data(sign_in.clone())
            .app_data(trail.clone())
            .app_data(metrics.clone())
            .app_data(web::Data::new(Narrowed::default()))
            .wrap(actix_web::middleware::from_fn(middleware::every_request))
            .wrap(actix_web::middleware::Compress::default())
            .wrap(Condition::new(secure, DefaultHeaders::new().add(TRANSPORT_SECURITY)))
            .wrap(Condition::new(cross_origin, cors(&app.config.cors_origin)))
            .default_service(web::to(dispatch::answer))
    })
    .tcp_nodelay(true)
    .client_request_timeout(operating.request_timeout)
    .keep_alive(operating.keep_alive)
    .max_connections(operating.max_connections.get())
    .shutdown_timeout(operating.shutdown_timeout.as_secs());
    let server = match tls {
        Some(settings) => server.bind_rustls_0_23(listen, settings)?,
        None => server.bind(listen)?,
    };
    let bound = server.addrs().first().copied();
    let address = bound.ok_or_else(|| io::Error::other("the server listens nowhere"))?;
    let base = base.unwrap_or_else(|| format!("{scheme}://{address}{BASE}"));
    tell_subscribers(followed, notify::Setting { base, clock: now })?;
    Ok(Serving { address, server: server.run(), trail: told })
}

/// Starts the thread that makes the rows of new search parameters.
fn index(app: &Arc<App>) -> io::Result<()> {
    let Some(woken) = app.indexing() else { return Ok(()) };
    let app = Arc::downgrade(app);
    let follower = std::thread::Builder::new().name("indexing".to_owned());
    follower.spawn(move || interaction::indexing::follow(&app, &woken)).map(drop)
}

/// Starts the thread that keeps the facts of episodes.
fn keep_facts(app: Weak<App>) -> io::Result<()> {
    let follower = std::thread::Builder::new().name("facts".to_owned());
    follower.spawn(move || facts::follow(&app)).map(drop)
}

/// Starts the thread that runs exports.
fn export(
    app: &web::Data<App>,
    exports: &web::Data<Exports>,
    trail: &web::Data<Option<Trail>>,
) -> io::Result<()> {
    let trail = Arc::downgrade(&trail.clone().into_inner());
    let app = Arc::downgrade(&app.clone().into_inner());
    let exports = exports.clone().into_inner();
    let thread = std::thread::Builder::new().name("export".to_owned());
    thread.spawn(move || {
        if let Err(fault) = exports.sweep(now()) {
            tracing::warn!(%fault, "old exports cannot be removed");
        }
        let disclosed = |disclosed: Disclosed<'_>| journal::export::tell(&trail, disclosed);
        exports.follow(&app, &|moment| FLIGHTS.settled(moment), &disclosed);
    })?;
    Ok(())
}

/// Starts the thread that tells subscribers.
fn tell_subscribers(app: Weak<App>, setting: notify::Setting) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let thread = std::thread::Builder::new().name("notify".to_owned());
    thread.spawn(move || runtime.block_on(notify::follow(app, setting)))?;
    Ok(())
}

/// Serves the application until SIGINT or SIGTERM; `ready` is told the address as soon as requests
/// are accepted.
///
/// # Errors
/// When the address cannot be listened on.
pub fn run(app: App, listen: SocketAddr, ready: impl FnOnce(SocketAddr)) -> io::Result<()> {
    let app = web::Data::new(app);
    actix_web::rt::System::new().block_on(async move {
        let serving = serve(app.clone(), listen)?;
        ready(serving.address);
        // The first to ask for a type need not wait for its rules to be made ready.
        let warming = std::thread::Builder::new().name("warm-up".to_owned());
        let warming = warming.spawn(move || app.held().warm());
        if let Err(error) = warming {
            tracing::warn!(%error, "no warm-up");
        }
        serving.run().await
    })
}
