//! `spondyl demo`: a server over a temporary directory with the invented clinic in it.
//!
//! The clinic is loaded over the API, like anyone else's records.

use std::net::SocketAddr;

use reqwest::Method;
use serde_json::Value;

use super::client::Server;
use super::{Done, Failure, report, result, say, serve, wait_for};
use crate::config::{Authorisation, Config, Operating};
use crate::demo;
use crate::fhir::json;

/// Serve an invented clinic from a temporary directory, and print what to open.
///
/// Everything is gone when the server stops. All people and places are invented.
#[derive(clap::Args, Debug)]
#[command(after_help = "Example:\n  spondyl demo --listen 127.0.0.1:0")]
pub(super) struct Args {
    /// Address and port to listen on; port 0 takes a free one.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
}

/// Runs the command.
///
/// # Errors
/// When there is no room for the records or the address cannot be had.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    super::log::begin(&Operating::default(), "warn");
    let directory = tempfile::Builder::new().prefix("spondyl-demo-").tempdir();
    let directory = directory.map_err(|error| Failure::new("no temporary directory", error))?;
    let data = directory.path().join("records");
    // Its people are invented, so that the cases of an audit may be listed.
    let config =
        Config { listen: args.listen, data, demo: true, audit_cases: true, ..Config::default() };
    let (app, listen) = serve::open(config)?;
    serve::serve(app, listen, |address| {
        serve::tell(address, Authorisation::Open);
        load_in_background(address);
    })
}

/// Loads the clinic into the server at that address and prints the links, while it serves.
pub(super) fn load_in_background(address: SocketAddr) {
    let loading = std::thread::Builder::new().name("demo".to_owned());
    let loading = loading.spawn(move || {
        if let Err(failure) = wait_for(load(address)) {
            say(&format!("the demo clinic is not loaded: {}", super::chain(&failure)));
        }
    });
    if let Err(error) = loading {
        say(&format!("the demo clinic is not loaded: {error}"));
    }
}

async fn load(address: SocketAddr) -> Result<Done, Failure> {
    let base = format!("http://{address}/fhir");
    let server = Server::new(&base)?;
    for (name, bytes) in demo::bundles() {
        let bundle = json::parse(bytes, json::MAX_DEPTH);
        let bundle = bundle.map_err(|error| Failure::new(format!("the file {name}"), error))?;
        let answer = server.send(Method::POST, "", &bundle).await?;
        if !answer.status.is_success() {
            report::refusal(name, answer.status, answer.json().as_ref());
            return Ok(Done::Refused);
        }
    }
    result("\nThe demo clinic is loaded; all its people and places are invented. Open");
    result(&format!("  http://{address}/\n\nor the letter of an episode:"));
    let found = server.get("EpisodeOfCare?_count=100", "application/fhir+json").await?;
    for episode in episodes(&found.json().unwrap_or_default()) {
        result(&format!("  {base}/EpisodeOfCare/{episode}/$episode-summary?_format=pdf"));
    }
    result("\n(_format=html to read it here, _format=json for the FHIR document.)");
    Ok(Done::Well)
}

/// The ids in a searchset.
fn episodes(bundle: &Value) -> Vec<String> {
    let entries = bundle.get("entry").and_then(Value::as_array).into_iter().flatten();
    let ids = entries.filter_map(|entry| entry.pointer("/resource/id")?.as_str());
    ids.map(str::to_owned).collect()
}
