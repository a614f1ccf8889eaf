//! `spondyl serve`: the API and the first page, until it is told to stop.

use std::net::SocketAddr;

use time::OffsetDateTime;
use tracing_subscriber::EnvFilter;

use super::{Done, Failure, say};
use crate::app::App;
use crate::config::Config;
use crate::error::Error;
use crate::fhir::{Instant, Resource, json};
use crate::interaction::batch::{Setting, process};
use crate::{demo, http};

/// Serve the R4 REST API and the first page.
///
/// Records are kept in a directory. Without authorisation only loopback addresses are served.
/// SIGINT and SIGTERM stop the server after the requests at work. What is logged is set by
/// RUST_LOG (default: info); bodies, names and search values never are.
#[derive(clap::Args, Debug)]
#[command(after_help = "Example:\n  spondyl serve --data records --listen 127.0.0.1:8080")]
pub(super) struct Args {
    #[command(flatten)]
    config: Config,
}

/// Runs the command.
///
/// # Errors
/// When the settings are unusable, the store cannot be opened, or the address cannot be had.
pub(super) fn run(args: Args) -> Result<Done, Failure> {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    let config = args.config;
    let listen = config.listen;
    let wants_demo = config.demo;
    let app = App::open(config).map_err(|error| Failure::new("the server did not start", error))?;
    if wants_demo {
        load_demo(&app)?;
    }
    let served = http::run(app, listen, tell);
    served.map_err(|error| Failure::new(format!("{listen} cannot be served"), error))?;
    Ok(Done::Well)
}

fn tell(address: SocketAddr) {
    say(&format!("spondyl listens on http://{address}/ (API: http://{address}/fhir)"));
    say("No authorisation is configured, so only this machine can reach it. Ctrl-C stops it.");
}

/// Loads the demo clinic, unless the store holds something already.
fn load_demo(app: &App) -> Result<(), Failure> {
    if *app.store.head().borrow() > 0 {
        say("The store is not empty, so the demo clinic is not loaded.");
        return Ok(());
    }
    let now = Instant::from(OffsetDateTime::now_utc());
    for (name, bytes) in demo::bundles() {
        let load = || -> Result<(), Error> {
            let bundle = Resource::from_value(json::parse(bytes, json::MAX_DEPTH)?)?;
            process(Setting { app, base: "", now, answer: None, strict: true }, bundle).map(drop)
        };
        load().map_err(|error| Failure::new(format!("the demo file {name} was refused"), error))?;
    }
    Ok(())
}
