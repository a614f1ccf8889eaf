//! `spondyl audit`: an indicator over a period, for scheduled reports.
//!
//! The same `MeasureReport` as `$evaluate-measure` gives, as it is or as rows; from a running
//! server, or from the directory of one that does not run.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde_json::Value;

use super::client::Server;
use super::definitions::list::existing;
use super::login::Login;
use super::{Done, Failure, report, result, say, wait_for};
use crate::app::App;
use crate::audit::flat::{Row, columns, object, rows, stratifiers};
use crate::config::Config;
use crate::error::Error;
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Id, Instant, Resource, ResourceType, query};
use crate::operation::parameters::Parameters;
use crate::operation::{self, Call, Form, Output, Place, Writes, facts};
use crate::repository::Stored;

/// Count an indicator over the episodes that ended in a period.
///
/// It counts what is recorded and never says how anyone should be treated.
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  spondyl audit disability-improved --from 2026-01-01 --to \
2026-12-31\n  spondyl audit thrust-prepared --from 2026-01-01 --to 2026-03-31 --group-by practitioner \
--format csv > thrust.csv\n  spondyl audit drop-out --from 2026-01-01 --to 2026-12-31 --store records \
--format json\n\nExit codes: 0 a report was made, 1 the question was refused (the reason is printed), \
2 wrong command line, 3 could not be done.")]
pub(super) struct Args {
    /// The id of the Measure, such as disability-improved.
    measure: String,
    /// The first day of the period.
    #[arg(long, value_name = "YYYY-MM-DD")]
    from: String,
    /// The last day of the period, which counts as a whole.
    #[arg(long, value_name = "YYYY-MM-DD")]
    to: String,
    /// The directory of a server that is not running.
    #[arg(long, value_name = "DIR", conflicts_with = "server")]
    store: Option<PathBuf>,
    /// The thresholds of change that the server of that directory is started with.
    #[arg(long, env = "SPONDYL_THRESHOLDS", value_name = "FILE")]
    thresholds: Option<PathBuf>,
    /// The FHIR base URL of the server.
    #[arg(long, value_name = "URL", default_value = super::SERVER, env = "SPONDYL_SERVER")]
    server: String,
    #[command(flatten)]
    login: Login,
    /// text and csv are tables, ndjson has an object a row, json is the report as a resource.
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// Show the strata of this stratifier too, such as practitioner or month; may be given several
    /// times.
    #[arg(long, value_name = "STRATIFIER")]
    group_by: Vec<String>,
    /// Only this Patient, Practitioner, Organization or Group, as a reference.
    #[arg(long, value_name = "REFERENCE")]
    subject: Option<String>,
    /// Only episodes of this care manager, as a reference.
    #[arg(long, value_name = "REFERENCE")]
    practitioner: Option<String>,
}

#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
enum Format {
    Text,
    Csv,
    Ndjson,
    Json,
}

/// Runs the command.
///
/// # Errors
/// When the server does not answer or the store cannot be read.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    if Id::parse(&args.measure).is_none() {
        say("spondyl: a Measure is named by its id, such as disability-improved");
        return Ok(Done::Misused);
    }
    let answer = match &args.store {
        Some(store) => from_store(args, store)?,
        None => wait_for_answer(args)?,
    };
    let Ok(mut found) = answer else { return Ok(Done::Refused) };
    let known = stratifiers(&found);
    if let Some(other) = args.group_by.iter().find(|name| !known.contains(&name.as_str())) {
        say(&format!(
            "spondyl: the Measure has no stratifier {other}; it has {}",
            known.join(", ")
        ));
        return Ok(Done::Misused);
    }
    match args.format {
        Format::Json => {
            if !args.group_by.is_empty() {
                keep(&mut found, &args.group_by);
            }
            let text = serde_json::to_string_pretty(&found);
            result(&text.map_err(|error| Failure::new("audit", error))?);
        }
        Format::Ndjson => {
            rows(&found, &args.group_by)
                .into_iter()
                .for_each(|row| result(&object(row).to_string()));
        }
        Format::Csv => write_csv(rows(&found, &args.group_by))?,
        Format::Text => result(table(rows(&found, &args.group_by)).trim_end()),
    }
    Ok(Done::Well)
}

/// Names and values of the operation's parameters.
fn pairs(args: &Args) -> Vec<(String, String)> {
    let given = [
        ("periodStart", Some(&args.from)),
        ("periodEnd", Some(&args.to)),
        ("subject", args.subject.as_ref()),
        ("practitioner", args.practitioner.as_ref()),
    ];
    given.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?.clone()))).collect()
}

/// The report of a running server; nothing where it refused, which is told.
fn wait_for_answer(args: &Args) -> Result<Result<Value, ()>, Failure> {
    let mut found = Err(());
    wait_for(async {
        let server = Server::with(&args.server, args.login.credentials()?)?;
        let place =
            format!("Measure/{}/$evaluate-measure?{}", args.measure, query::encode(&pairs(args)));
        let answer = server.get(&place, "application/fhir+json").await?;
        match answer.json().filter(|_| answer.status.is_success()) {
            Some(report) => found = Ok(report),
            None => report::refusal(&place, answer.status, answer.json().as_ref()),
        }
        Ok(Done::Well)
    })?;
    Ok(found)
}

/// The report of a store that no server uses; nothing where it was refused, which is told.
fn from_store(args: &Args, store: &Path) -> Result<Result<Value, ()>, Failure> {
    let failed = |error| Failure::new(store.display().to_string(), error);
    let config = Config { thresholds: args.thresholds.clone(), ..existing(store)? };
    let app = App::open(config).map_err(failed)?;
    let now = Instant::from(time::OffsetDateTime::now_utc());
    let report = facts::complete(&app, &|_, _| ()).and_then(|()| evaluate(args, &app, now));
    match report {
        Ok(report) => Ok(Ok(report)),
        Err(error @ (Error::Repository(_) | Error::Internal(_))) => {
            Err(Failure::new(store.display().to_string(), error))
        }
        Err(error) => {
            let outcome = operation_outcome(&error.issues());
            report::issue_lines(&outcome).iter().for_each(|line| say(line));
            Ok(Err(()))
        }
    }
}

fn evaluate(args: &Args, app: &App, now: Instant) -> Result<Value, Error> {
    let kind = ResourceType::parse("Measure");
    let id = Id::parse(&args.measure).ok_or(Error::NotFound)?;
    let place = Place { kind, id: Some(id), version: None };
    let operation = operation::find("evaluate-measure", &place)?;
    let call = Call {
        app,
        base: "http://localhost/fhir",
        now,
        place,
        parameters: Parameters::new(pairs(args), None),
        text: &[],
        form: Form::Resource,
        writes: &ReadOnly,
    };
    match (operation.run)(&call)? {
        Output::Resource(report) => Ok(report),
        _ => Err(Error::Internal("a report is a resource".into())),
    }
}

/// An audit writes nothing.
struct ReadOnly;

impl Writes for ReadOnly {
    fn amend(
        &self,
        _: (ResourceType, &Id),
        _: &dyn Fn(&Resource) -> Result<Option<Resource>, Error>,
    ) -> Result<Stored, Error> {
        Err(Error::Internal("an audit writes nothing".into()))
    }

    fn create(&self, _: &Resource, _: &str) -> Result<Stored, Error> {
        Err(Error::Internal("an audit writes nothing".into()))
    }
}

/// Leaves only the named stratifiers in a report.
fn keep(found: &mut Value, wanted: &[String]) {
    let groups = found.get_mut("group").and_then(Value::as_array_mut);
    for group in groups.into_iter().flatten() {
        if let Some(splits) = group.get_mut("stratifier").and_then(Value::as_array_mut) {
            splits.retain(|split| {
                let code = split.pointer("/code/0/coding/0/code").and_then(Value::as_str);
                code.is_some_and(|code| wanted.iter().any(|name| name == code))
            });
        }
    }
}

/// A value as it stands in a table: text without quotes, nothing for null.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn write_csv(rows: Vec<Row>) -> Result<(), Failure> {
    let failed = |error| Failure::new("the standard output", error);
    let mut writer = csv::Writer::from_writer(std::io::stdout().lock());
    writer.write_record(columns()).map_err(failed)?;
    for row in rows {
        writer.write_record(row.iter().map(cell)).map_err(failed)?;
    }
    writer.flush().map_err(|error| Failure::new("the standard output", error))
}

/// The columns that hold something, each as wide as its widest cell.
fn table(rows: Vec<Row>) -> String {
    let mut lines = vec![columns()];
    lines.extend(rows.iter().map(|row| row.iter().map(cell).collect()));
    let count = columns().len();
    let width = |at: usize| {
        let cells = lines.iter().skip(1).filter_map(|line| line.get(at));
        let widest = cells.map(|cell| cell.chars().count()).max().unwrap_or_default();
        let name = lines.first().and_then(|names| names.get(at)).map_or(0, |name| name.len());
        if widest == 0 { 0 } else { widest.max(name) }
    };
    let widths: Vec<usize> = (0..count).map(width).collect();
    let mut text = String::new();
    for line in &lines {
        let mut out = String::new();
        for (cell, width) in line.iter().zip(&widths).filter(|(_, width)| **width > 0) {
            // Writing to a text cannot fail.
            let _written = write!(out, "{cell:width$}  ");
        }
        text.push_str(out.trim_end());
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_table_has_only_columns_that_tell() {
        let report = json!({
            "measure": "m", "period": { "start": "2026-01-01", "end": "2026-12-31" },
            "group": [{ "measureScore": { "value": 0.25, "code": "1" } }],
        });
        let text = table(rows(&report, &[]));
        let lines: Vec<Vec<&str>> =
            text.lines().map(|line| line.split_whitespace().collect()).collect();
        assert_eq!(lines[0], ["measure", "start", "end", "group", "score", "unit"]);
        assert_eq!(lines[1], ["m", "2026-01-01", "2026-12-31", "1", "0.25", "1"]);
    }

    #[test]
    fn only_the_named_stratifiers_are_kept() {
        let split = |code: &str| json!({ "code": [{ "coding": [{ "code": code }] }] });
        let mut report = json!({ "group": [{ "stratifier": [split("sex"), split("month")] }] });
        keep(&mut report, &["month".to_owned()]);
        assert_eq!(report, json!({ "group": [{ "stratifier": [split("month")] }] }));
    }
}
