//! `spondyl definitions list`: what is in force beside the standard, and where it came from.

use std::path::{Path, PathBuf};

use super::super::{Done, Failure, result, say};
use super::packages::package_of;
use crate::app::App;
use crate::config::Config;
use crate::fhir::json::At;

/// List the definitions that are in force beside the standard's.
#[derive(clap::Args, Debug)]
pub(super) struct Args {
    /// The directory of a server that is not running.
    #[arg(long, value_name = "DIR", env = "SPONDYL_DATA", default_value = "spondyl-data")]
    data: PathBuf,
}

/// Prints one line for each: type, canonical with version, and the package or `own` or `stored`.
///
/// # Errors
/// When the store cannot be opened.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    let app =
        App::open(existing(&args.data)?).map_err(|error| Failure::new("the definitions", error))?;
    let held = app.held();
    let mut lines = Vec::new();
    for ((kind, _), value) in held.standard.own.resources() {
        let text = |key: &str| value.at(key).as_str();
        lines.extend(text("url").map(|url| line(kind.as_str(), url, text("version"), "own")));
    }
    for (_, held) in held.in_force() {
        let from = package_of(&held.value).unwrap_or("stored");
        lines.push(line(&held.kind, &held.url, held.version.as_deref(), from));
    }
    lines.sort();
    lines.iter().for_each(|line| result(line));
    say(&format!("{} definitions beside those of FHIR 4.0.1", lines.len()));
    Ok(Done::Well)
}

/// The settings for a store that is there already.
pub(crate) fn existing(data: &Path) -> Result<Config, Failure> {
    match data.is_dir() {
        true => Ok(Config { data: data.to_owned(), ..Config::default() }),
        false => Err(Failure::new(data.display().to_string(), "there is no such directory")),
    }
}

fn line(kind: &str, url: &str, version: Option<&str>, from: &str) -> String {
    match version {
        Some(version) => format!("{kind}\t{url}|{version}\t{from}"),
        None => format!("{kind}\t{url}\t{from}"),
    }
}
