//! `spondyl definitions load`: the definitions of published packages, put in force.
//!
//! They are stored as resources, like definitions that come over the API: in the directory of a
//! server that is not running, or sent to one that is. All of them are taken, or none. Each carries
//! a tag with the package that it came from.

use std::collections::BTreeMap;
use std::path::PathBuf;

use reqwest::Method;
use serde_json::{Value, json};

use super::super::client::Server;
use super::super::login::Login;
use super::super::{Done, Failure, report, result, say, wait_for};
use super::packages::{Choice, Chosen, PACKAGE_TAG, choose, read};
use crate::app::App;
use crate::config::Config;
use crate::error::Error;
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Instant, Resource};
use crate::interaction::batch::{Setting, process};

/// Put the definitions of published packages in force.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl definitions load hl7.fhir.uv.ips-2.0.0.tgz --data records\n  \
spondyl definitions load guide.tgz --server http://127.0.0.1:8080/fhir\n\nThe packages are read from \
files; nothing is fetched. Name what depends on each other together."
)]
pub(super) struct Args {
    /// Packages: .tgz files with package/package.json and one resource a file.
    #[arg(required = true, value_name = "PACKAGE")]
    packages: Vec<PathBuf>,
    /// The directory of a server that is not running.
    #[arg(long, value_name = "DIR", env = "SPONDYL_DATA", default_value = "spondyl-data")]
    data: PathBuf,
    /// Send them to a running server with this FHIR base URL instead.
    #[arg(long, value_name = "URL")]
    server: Option<String>,
    #[command(flatten)]
    login: Login,
}

/// Runs the command.
///
/// # Errors
/// When a package cannot be read, the store not opened, or the server does not answer.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    let packages = read(&args.packages)?;
    if let Some(server) = &args.server {
        let chosen = choose(&packages, &crate::app::Standard::embedded().map_err(failed)?);
        let server = Server::with(server, args.login.credentials()?)?;
        return wait_for(send(&server, &chosen));
    }
    let config = Config { data: args.data.clone(), ..Config::default() };
    let app = App::open(config).map_err(failed)?;
    let held = app.held();
    let chosen = choose(&packages, &held.standard);
    let labels = held.in_force().filter_map(|(_, held)| super::packages::package_of(&held.value));
    let loaded: Vec<String> =
        labels.map(|label| label.split('#').next().unwrap_or_default().to_owned()).collect();
    store(&app, &chosen, &loaded)
}

fn failed(error: crate::app::Broken) -> Failure {
    Failure::new("the definitions are not loaded", error)
}

fn store(app: &App, choice: &Choice, loaded: &[String]) -> Result<Done, Failure> {
    let now = Instant::from(time::OffsetDateTime::now_utc());
    let bundle = Resource::from_value(bundle(choice)).map_err(|e| Failure::new("load", e))?;
    let base = "http://localhost/fhir";
    let (text, operations): (&[u8], _) = (&[], None);
    let setting = Setting { app, base, now, answer: None, strict: true, text, operations };
    match process(setting, bundle) {
        Ok(_) => {
            tell(choice, loaded);
            Ok(Done::Well)
        }
        Err(error @ (Error::Repository(_) | Error::Internal(_))) => {
            Err(Failure::new("the definitions are not loaded", error))
        }
        Err(error) => {
            refuse(choice, &operation_outcome(&error.issues()));
            Ok(Done::Refused)
        }
    }
}

async fn send(server: &Server, choice: &Choice) -> Result<Done, Failure> {
    let answer = server.send(Method::POST, "", &bundle(choice)).await?;
    if answer.status.is_success() {
        tell(choice, &[]);
        return Ok(Done::Well);
    }
    match answer.json() {
        Some(outcome) => refuse(choice, &outcome),
        None => say(&format!("refused with status {}", answer.status)),
    }
    Ok(Done::Refused)
}

/// One transaction with all of them.
fn bundle(choice: &Choice) -> Value {
    let entries = choice.chosen.iter().map(|chosen| {
        let url = format!("{}/{}", chosen.kind, chosen.id);
        json!({ "resource": chosen.value, "request": { "method": "PUT", "url": url } })
    });
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries.collect::<Vec<_>>() })
}

/// Prints the issues with the file that each is about.
fn refuse(choice: &Choice, outcome: &Value) {
    let mut outcome = outcome.clone();
    let issues = outcome.get_mut("issue").and_then(Value::as_array_mut);
    for issue in issues.into_iter().flatten() {
        let place = issue.pointer("/expression/0").and_then(Value::as_str).unwrap_or_default();
        let Some((chosen, rest)) = entry_of(choice, place) else { continue };
        let named = format!("{}: {}{rest}", chosen.place, chosen.kind);
        if let Some(object) = issue.as_object_mut() {
            object.insert("expression".into(), json!([named]));
        }
    }
    let is_error = |line: &String| line.starts_with("error") || line.starts_with("fatal");
    for line in report::issue_lines(&outcome).into_iter().filter(is_error) {
        result(&line);
    }
    say("Nothing was loaded.");
}

/// The resource behind `Bundle.entry[3].resource.name`, with what follows it.
fn entry_of<'c, 'p>(choice: &'c Choice, place: &'p str) -> Option<(&'c Chosen, &'p str)> {
    let (index, rest) = place.strip_prefix("Bundle.entry[")?.split_once(']')?;
    let chosen = choice.chosen.get(index.parse::<usize>().ok()?)?;
    Some((chosen, rest.strip_prefix(".resource").unwrap_or(rest)))
}

/// Says what was loaded, what was left out, and what is missing.
fn tell(choice: &Choice, loaded: &[String]) {
    let mut kinds: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for chosen in &choice.chosen {
        *kinds.entry((&chosen.package, chosen.kind.as_str())).or_default() += 1;
    }
    for ((package, kind), count) in kinds {
        result(&format!("{package}: {count} {kind}"));
    }
    for (reason, count) in &choice.left_out {
        say(&format!("left out: {count} {reason}"));
    }
    let missing = choice.missing.iter().filter(|(name, ..)| !loaded.contains(name));
    for (name, version, needed_by) in missing {
        say(&format!(
            "{needed_by} needs {name} {version}, which is not loaded: what it defines is not checked"
        ));
    }
    say(&format!("tagged with {PACKAGE_TAG}; `spondyl definitions list` shows them"));
}
