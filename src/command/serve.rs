//! `spondyl serve`: the API and the first page, until it is told to stop.

use std::collections::BTreeSet;
use std::net::SocketAddr;

use super::{Done, Failure, demo, private, result, say};
use crate::app::{App, is_descriptive};
use crate::config::{Authorisation, Config};
use crate::fhir::json::At;
use crate::fhir::{Instant, ResourceType};
use crate::repository::key;
use crate::{http, interaction, store};

/// Serve the R4 REST API and the first page.
///
/// Records are kept in a directory. Without authorisation only loopback addresses are served.
/// SIGINT and SIGTERM stop the server after the requests at work. What is logged is set by
/// `RUST_LOG` (default: info) and `--log-requests`; bodies, names and search values never are.
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
    super::log::begin(&args.config.operating, "info");
    let (wants_demo, access) = (args.config.demo, args.config.access);
    let (app, listen) = open(args.config)?;
    let empty = is_empty(&app).map_err(|error| Failure::new("the store", error))?;
    if wants_demo && !empty {
        say("The store is not empty, so the demo clinic is not loaded.");
    }
    serve(app, listen, move |address| {
        tell(address, access);
        if wants_demo && empty {
            demo::load_in_background(address);
        }
    })
}

/// The application with those settings, and where it is to listen.
pub(super) fn open(config: Config) -> Result<(App, SocketAddr), Failure> {
    let listen = config.listen;
    private::keep(&config).map_err(|error| Failure::new("the server did not start", error))?;
    let app = App::open(config).map_err(|error| Failure::new("the server did not start", error))?;
    let now = Instant::from(time::OffsetDateTime::now_utc());
    let published = interaction::publish::publish(&app, now);
    published.map_err(|error| Failure::new("our own definitions cannot be stored", error))?;
    Ok((app, listen))
}

/// Whether no record was ever stored; definitions are none, nor is what is of the types of those that
/// the program publishes itself.
fn is_empty(app: &App) -> Result<bool, store::Error> {
    let view = app.store.view()?;
    let held = app.held();
    let own =
        held.standard.own.resources().filter_map(|(_, value)| value.at("resourceType").as_str());
    let own: BTreeSet<&str> = own.collect();
    let is_record = |kind: &ResourceType| !is_descriptive(*kind) && !own.contains(kind.as_str());
    let kinds = ResourceType::all().filter(is_record);
    for kind in kinds {
        if let Some(row) = view.scan(key::current_range(kind)).next() {
            return row.map(|_| false);
        }
    }
    Ok(true)
}

/// Serves until the process is told to stop.
pub(super) fn serve(
    app: App,
    listen: SocketAddr,
    ready: impl FnOnce(SocketAddr),
) -> Result<Done, Failure> {
    let served = http::run(app, listen, ready);
    let fail = |error| {
        let hint = "is the port taken? --listen 127.0.0.1:0 takes a free one";
        Failure::new(format!("{listen} cannot be served ({hint})"), error)
    };
    served.map(|()| Done::Well).map_err(fail)
}

/// Says where the server is and who can reach it.
pub(super) fn tell(address: SocketAddr, access: Authorisation) {
    result(&format!("spondyl serves http://{address}/fhir (first page: http://{address}/)"));
    say(match access {
        Authorisation::Open => {
            "No authorisation is configured, so only this machine can reach it. Ctrl-C stops it."
        }
        Authorisation::Smart => {
            "Clients need an access token (spondyl client registers them). Ctrl-C stops it."
        }
    });
}
