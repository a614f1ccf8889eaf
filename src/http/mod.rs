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
mod extract;
mod flight;
mod format;
mod issuer;
mod middleware;
mod once;
mod openapi;
mod operation;
mod page;
mod pool;
mod prefer;
mod rate;
mod reply;
mod resource;
mod route;
mod search;
mod smart;
#[cfg(test)]
mod tests;
mod tls;
mod verb;

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use actix_cors::Cors;
use actix_web::dev::Server;
use actix_web::middleware::{Condition, DefaultHeaders};
use actix_web::{HttpServer, web};

use crate::access::token::Tokens;
use crate::app::App;
use crate::bulk::Exports;
use crate::error::Error;
use crate::fhir::Instant;
use crate::http::admit::Narrowed;
use crate::http::flight::FLIGHTS;
use crate::http::issuer::Issuer;
use crate::http::once::AtWork;
use crate::http::rate::Rates;
use crate::interaction;
use crate::outbound::Outbound;

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
}

/// How long the requests at work may take after the server was told to stop.
const SHUTDOWN_SECONDS: u64 = 10;

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
    if let Some(woken) = app.indexing() {
        let app = Arc::downgrade(&app.clone().into_inner());
        let follower = std::thread::Builder::new().name("indexing".to_owned());
        follower.spawn(move || interaction::indexing::follow(&app, &woken))?;
    }
    let exports = web::Data::new(Exports::of(&app.config.data));
    export(&app, &exports)?;
    let since = web::Data::new(Since(now()));
    let outbound = Outbound::new(&app.config.outbound, app.config.outbound_private);
    let outbound = web::Data::new(outbound.map_err(io::Error::other)?);
    let issuer = web::Data::new(Issuer::of(&app.config));
    let tokens = web::Data::new(Tokens::of(Arc::clone(&app.store)));
    let rates = web::Data::new(Rates::of(app.config.rate));
    let at_work = web::Data::new(AtWork::default());
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
            .app_data(web::Data::new(Narrowed::default()))
            .wrap(actix_web::middleware::from_fn(middleware::every_request))
            .wrap(actix_web::middleware::Compress::default())
            .wrap(Condition::new(secure, DefaultHeaders::new().add(TRANSPORT_SECURITY)))
            .wrap(Condition::new(cross_origin, cors(&app.config.cors_origin)))
            .default_service(web::to(route::answer))
    })
    .tcp_nodelay(true)
    .client_request_timeout(Duration::from_secs(30))
    .keep_alive(Duration::from_secs(75))
    .shutdown_timeout(SHUTDOWN_SECONDS);
    let server = match tls {
        Some(settings) => server.bind_rustls_0_23(listen, settings)?,
        None => server.bind(listen)?,
    };
    let bound = server.addrs().first().copied();
    let address = bound.ok_or_else(|| io::Error::other("the server listens nowhere"))?;
    Ok(Serving { address, server: server.run() })
}

/// Starts the thread that runs exports.
fn export(app: &web::Data<App>, exports: &web::Data<Exports>) -> io::Result<()> {
    let app = Arc::downgrade(&app.clone().into_inner());
    let exports = exports.clone().into_inner();
    let thread = std::thread::Builder::new().name("export".to_owned());
    thread.spawn(move || {
        if let Err(fault) = exports.sweep(now()) {
            tracing::warn!(%fault, "old exports cannot be removed");
        }
        exports.follow(&app, &|moment| FLIGHTS.settled(moment));
    })?;
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
        serving.server.await
    })
}
