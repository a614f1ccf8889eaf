//! `spondyl load`: Bundles and NDJSON sent to a running server.
//!
//! A transaction or batch Bundle goes as it is. Every other resource, alone, in a line or as an entry
//! of another Bundle, is put under its own id, or under one derived from its content where it has
//! none; so whatever is sent twice changes nothing but its version. Lines go in batches. A journal
//! remembers what the server has taken, so that a broken load goes on where it stopped.

use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use reqwest::{Method, StatusCode};
use serde_json::{Value, json};
use uuid::Uuid;

use super::client::{Answer, Server};
use super::input::{self, Item};
use super::journal::Journal;
use super::{Done, Failure, report, say};

/// Send Bundles and NDJSON files to a running server.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl load clinic/            every .json and .ndjson file there\n  \
spondyl load export.ndjson --report refused.ndjson\n\nA load that was broken off goes on where it \
stopped when it is started again."
)]
pub(super) struct Args {
    /// Files (a Bundle or a resource in .json, a resource a line in .ndjson) or directories of them.
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// The FHIR base URL of the server.
    #[arg(long, value_name = "URL", default_value = super::SERVER, env = "SPONDYL_SERVER")]
    server: String,
    /// Write what was refused to this file: one line of JSON each, with place, status and outcome.
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// The file that remembers what was taken.
    #[arg(long, value_name = "FILE", default_value = "spondyl-load.journal")]
    journal: PathBuf,
    /// Send everything again, whatever the journal says.
    #[arg(long)]
    again: bool,
}

/// How many lines go in one batch.
const BATCH: usize = 200;

/// Runs the command.
///
/// # Errors
/// When a file cannot be read or written, or the server does not answer.
pub(super) async fn run(args: Args) -> Result<Done, Failure> {
    let files = input::expand(&args.paths).map_err(|error| Failure::new("load", error))?;
    let mut load = Load {
        server: Server::new(&args.server)?,
        journal: Journal::open(&args.journal, args.again)?,
        bar: ProgressBar::no_length().with_style(style()),
        taken: 0,
        skipped: 0,
        refused: Vec::new(),
    };
    for file in &files {
        load.file(file).await?;
    }
    load.bar.finish_and_clear();
    load.conclude(args.report.as_deref())
}

fn style() -> ProgressStyle {
    let template = "{spinner} {msg} {human_pos} sent, {per_sec}, {elapsed}";
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_spinner())
}

struct Load {
    server: Server,
    journal: Journal,
    bar: ProgressBar,
    taken: usize,
    skipped: usize,
    refused: Vec<Refusal>,
}

struct Refusal {
    place: String,
    status: Option<StatusCode>,
    outcome: Value,
}

/// A resource on its way to the server.
struct Outgoing {
    place: String,
    resource: Value,
}

impl Load {
    async fn file(&mut self, path: &Path) -> Result<(), Failure> {
        let name = path.display().to_string();
        self.bar.set_message(name.clone());
        let fail = |error: std::io::Error| Failure::new(name.clone(), error);
        let key = Journal::key(self.server.base(), path).map_err(fail)?;
        let done = self.journal.done(&key);
        let mut batch = Vec::new();
        let (mut number, refused_before) = (0, self.refused.len());
        for item in input::read(path).map_err(fail)? {
            let item = item.map_err(fail)?;
            number += 1;
            if number <= done {
                self.skipped += 1;
                continue;
            }
            self.item(&name, item, &mut batch).await?;
            if batch.len() >= BATCH {
                self.send_batch(&mut batch).await?;
                self.journal.note(&key, number)?;
            }
        }
        self.send_batch(&mut batch).await?;
        // A file of which something was refused is sent whole the next time, mended or not.
        match self.refused.len() > refused_before {
            true => self.journal.note(&key, 0),
            false if number > done => self.journal.note(&key, number),
            false => Ok(()),
        }
    }

    async fn item(
        &mut self,
        file: &str,
        item: Item,
        batch: &mut Vec<Outgoing>,
    ) -> Result<(), Failure> {
        let place = match item.line {
            Some(line) => format!("{file}:{line}"),
            None => file.to_owned(),
        };
        let resource = match item.content {
            Ok(resource) => resource,
            Err(malformed) => {
                let said = report::malformed(&malformed);
                self.refuse(place, None, outcome("structure", &said));
                return Ok(());
            }
        };
        let is_bundle = text(&resource, "/resourceType") == Some("Bundle");
        match text(&resource, "/type").filter(|_| is_bundle) {
            Some("transaction" | "batch") => self.send_bundle(&place, &resource).await,
            Some(_) => {
                let entries = entries_of(&resource).iter().enumerate();
                batch.extend(entries.filter_map(|(index, entry)| {
                    let resource = entry.get("resource")?.clone();
                    Some(Outgoing { place: format!("{place} entry[{index}]"), resource })
                }));
                Ok(())
            }
            None => {
                batch.push(Outgoing { place, resource });
                Ok(())
            }
        }
    }

    async fn send_bundle(&mut self, place: &str, bundle: &Value) -> Result<(), Failure> {
        let answer = self.server.send(Method::POST, "", bundle).await?;
        let entries = entries_of(bundle).len();
        self.bar.inc(entries as u64);
        if !answer.status.is_success() {
            self.refuse_answer(place.to_owned(), &answer);
            return Ok(());
        }
        let places = (0..entries).map(|index| format!("{place} entry[{index}]")).collect();
        self.entries_answered(places, &answer);
        Ok(())
    }

    async fn send_batch(&mut self, batch: &mut Vec<Outgoing>) -> Result<(), Failure> {
        if batch.is_empty() {
            return Ok(());
        }
        self.bar.inc(batch.len() as u64);
        let (places, entries): (Vec<_>, Vec<_>) =
            batch.drain(..).map(|outgoing| (outgoing.place, entry(outgoing.resource))).unzip();
        let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
        let answer = self.server.send(Method::POST, "", &bundle).await?;
        if answer.status.is_success() {
            self.entries_answered(places, &answer);
        } else {
            for place in places {
                self.refuse_answer(place, &answer);
            }
        }
        Ok(())
    }

    fn entries_answered(&mut self, places: Vec<String>, answer: &Answer) {
        let body = answer.json().unwrap_or_default();
        let mut answers = entries_of(&body).iter().map(|entry| entry.get("response"));
        for place in places {
            let response = answers.next().flatten().unwrap_or(&Value::Null);
            let code = text(response, "/status").and_then(|status| status.get(..3));
            let status = code.and_then(|code| StatusCode::from_bytes(code.as_bytes()).ok());
            if status.is_some_and(|status| status.is_success()) {
                self.taken += 1;
            } else {
                self.refuse(place, status, response.get("outcome").cloned().unwrap_or_default());
            }
        }
    }

    fn refuse_answer(&mut self, place: String, answer: &Answer) {
        self.refuse(place, Some(answer.status), answer.json().unwrap_or_default());
    }

    fn refuse(&mut self, place: String, status: Option<StatusCode>, outcome: Value) {
        self.bar.suspend(|| {
            let shown = status.unwrap_or(StatusCode::BAD_REQUEST);
            report::refusal(&place, shown, Some(&outcome));
        });
        self.refused.push(Refusal { place, status, outcome });
    }

    fn conclude(self, report: Option<&Path>) -> Result<Done, Failure> {
        if let Some(path) = report {
            let lines = self.refused.iter().map(|refusal| {
                let status = refusal.status.map(|status| status.as_u16());
                json!({ "place": refusal.place, "status": status, "outcome": refusal.outcome })
            });
            let lines: Vec<String> = lines.map(|line| line.to_string() + "\n").collect();
            std::fs::write(path, lines.concat())
                .map_err(|error| Failure::new(path.display().to_string(), error))?;
        }
        let (taken, refused, skipped) = (self.taken, self.refused.len(), self.skipped);
        say(&format!("{taken} taken, {refused} refused, {skipped} sent earlier"));
        Ok(if refused == 0 { Done::Well } else { Done::Refused })
    }
}

/// A batch entry that puts the resource under its own id, or under one derived from its content.
fn entry(mut resource: Value) -> Value {
    let derived = || Uuid::new_v5(&Uuid::NAMESPACE_OID, resource.to_string().as_bytes());
    let id = text(&resource, "/id").map_or_else(|| derived().to_string(), str::to_owned);
    let url = format!("{}/{id}", text(&resource, "/resourceType").unwrap_or_default());
    if let Some(object) = resource.as_object_mut() {
        object.insert("id".into(), json!(id));
    }
    json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
}

fn text<'a>(value: &'a Value, pointer: &str) -> Option<&'a str> {
    value.pointer(pointer).and_then(Value::as_str)
}

fn entries_of(bundle: &Value) -> &[Value] {
    bundle.get("entry").and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default()
}

fn outcome(code: &str, diagnostics: &str) -> Value {
    let issue = json!({ "severity": "error", "code": code, "diagnostics": diagnostics });
    json!({ "resourceType": "OperationOutcome", "issue": [issue] })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_resource_without_id_gets_the_same_one_each_time() {
        let resource = json!({ "resourceType": "Basic", "code": { "text": "x" } });
        let first = entry(resource.clone());
        assert_eq!(first, entry(resource));
        let id = first["resource"]["id"].as_str().unwrap();
        assert_eq!(first["request"]["url"], format!("Basic/{id}"));
        let named = entry(json!({ "resourceType": "Basic", "id": "b" }));
        assert_eq!(named["request"]["url"], "Basic/b");
    }
}
