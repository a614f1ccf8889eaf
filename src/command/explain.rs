//! `spondyl explain`: by which indexes a search is answered, and in which order.

use std::path::PathBuf;
use std::sync::Arc;

use super::{Done, Failure, result, say};
use crate::app::{App, Standard};
use crate::config::Config;
use crate::fhir::{Id, Instant, ResourceType};
use crate::interaction::query::pairs;
use crate::interaction::search::{Question, Scope, plans};
use crate::store::MemoryStore;

/// Print the plan of a search: the index that gives the candidates, with its rows, what is asked of
/// them, and how a page comes about.
///
/// Rows are counted in the store of `--data`, which no server may have open meanwhile; without a
/// store only the shape of the plan is told.
#[derive(clap::Args, Debug)]
#[command(after_help = "Example:\n  spondyl explain --data records \
'Observation?patient=p1&code=http://loinc.org|72514-3'")]
pub(super) struct Args {
    /// The search as it stands behind the base, or with it: `Type?parameters`,
    /// `Patient/1/Observation?parameters`, or `?_type=Type,Type&parameters`.
    #[arg(value_name = "URL")]
    url: String,
    /// Directory of a store to count in.
    #[arg(long, env = "SPONDYL_DATA", value_name = "DIR")]
    data: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// When the store cannot be opened.
pub(super) fn run(args: Args) -> Result<Done, Failure> {
    let Some(question) = question(&args.url) else {
        say("The URL names no search, such as Observation?patient=p1.");
        return Ok(Done::Refused);
    };
    let app = open(args.data)?;
    let held = app.held();
    let failed = |error| Failure::new("the store cannot be read", error);
    let view = app.store.view().map_err(failed)?;
    let now = Instant::from(time::OffsetDateTime::now_utc());
    match plans(&held, &*view, &question, now) {
        Ok(plans) => {
            let texts: Vec<String> = plans.iter().map(ToString::to_string).collect();
            result(texts.join("\n").trim_end());
            Ok(Done::Well)
        }
        Err(error) => {
            for issue in error.issues() {
                let place = issue.expression.map(|place| format!("{place}: ")).unwrap_or_default();
                say(&format!("{} {place}{}", issue.code.as_str(), issue.diagnostics));
            }
            Ok(Done::Refused)
        }
    }
}

/// The application on that store, which must be there already, or on an empty one.
fn open(data: Option<PathBuf>) -> Result<App, Failure> {
    let fail = |error| Failure::new("explain", error);
    let Some(data) = data else {
        say("No store is named (--data), so no rows can be counted.");
        let standard = Arc::new(Standard::embedded().map_err(fail)?);
        return App::on(Config::default(), Box::new(MemoryStore::new()), standard).map_err(fail);
    };
    if !data.is_dir() {
        return Err(Failure::new(data.display().to_string(), "there is no such store"));
    }
    App::open(Config { data, ..Config::default() }).map_err(fail)
}

/// The question that the URL asks; none if it is no search.
fn question(url: &str) -> Option<Question> {
    let (path, text) = url.split_once('?').unwrap_or((url, ""));
    let path = match path.split_once("://") {
        // Behind the host; a base has one part or more.
        Some((_, rest)) => rest.split_once('/').map_or("", |(_, path)| path),
        None => path,
    };
    let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty()).collect();
    let kind = |name: &str| ResourceType::parse(name);
    let scope = match parts.as_slice() {
        [.., of, id, "*"] => Scope::Compartment(kind(of)?, Id::parse(id)?, None),
        [.., of, id, name] if kind(of).is_some() && kind(name).is_some() => {
            Scope::Compartment(kind(of)?, Id::parse(id)?, kind(name))
        }
        [.., name] if kind(name).is_some() => Scope::Type(kind(name)?),
        _ if text.is_empty() => return None,
        [] | [_] => Scope::System,
        _ => return None,
    };
    Some(Question { scope, pairs: pairs(text), strict: true, most_rows: None })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn questions() {
        for (url, expected) in [
            ("Observation?code=x", Some("Observation")),
            ("/fhir/Observation?code=x", Some("Observation")),
            ("http://127.0.0.1:8080/fhir/Observation", Some("Observation")),
            ("https://h.example/Patient/1/Observation?code=x", Some("Patient/1/Observation")),
            ("Patient/1/*", Some("Patient/1/*")),
            ("?_type=Patient", Some("")),
            ("http://h.example/fhir?_type=Patient", Some("")),
            ("Nobody", None),
            ("", None),
            ("Nobody/1/Patient?x=y", Some("Patient")),
        ] {
            let found = question(url).map(|question| match question.scope {
                Scope::System => String::new(),
                Scope::Type(kind) => kind.to_string(),
                Scope::Compartment(of, id, kind) => {
                    format!("{of}/{id}/{}", kind.map_or("*", |kind| kind.as_str()))
                }
            });
            assert_eq!(found.as_deref(), expected, "{url}");
        }
    }
}
