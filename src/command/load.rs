//! `spondyl load`: Bundles and NDJSON sent to a running server.
//!
//! A transaction or batch Bundle goes as it is. Every other resource, alone, in a line or as an entry
//! of another Bundle, is put under its own id, or under one derived from its content where it has
//! none; so whatever is sent twice changes nothing but its version. Lines go in batches. A journal
//! remembers what the server has taken, so that a broken load goes on where it stopped; each batch has
//! a key (`Idempotency-Key`), so that one of which the answer was lost is not written twice. The files
//! may be those of another server's export ([`super::exported`]).

use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use reqwest::{Method, StatusCode};
use serde_json::{Value, json};
use uuid::Uuid;

use super::client::{Answer, Server};
use super::exported::Origin;
use super::input::{self, Item};
use super::journal::Journal;
use super::login::Login;
use super::{Done, Failure, report, say};

/// Send Bundles and NDJSON files to a running server.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl load clinic/            every .json and .ndjson file there\n  \
spondyl load export.ndjson --errors refused.ndjson\n  spondyl load --from https://clinic.example/fhir  \
the export of another server\n\nA load that was broken off goes on where it \
stopped when it is started again."
)]
pub(super) struct Args {
    /// Files (a Bundle or a resource in .json, a resource a line in .ndjson) or directories of them.
    #[arg(required_unless_present_any = ["from", "manifest"], value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// The FHIR base URL of the server.
    #[arg(long, value_name = "URL", default_value = super::SERVER, env = "SPONDYL_SERVER")]
    server: String,
    /// Write what was refused to this file: one line of JSON each, with place, status and outcome.
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Write an OperationOutcome a line to this file for what was refused; its first issue tells of
    /// which line.
    #[arg(long, value_name = "FILE")]
    errors: Option<PathBuf>,
    /// The file that remembers what was taken.
    #[arg(long, value_name = "FILE", default_value = "spondyl-load.journal")]
    journal: PathBuf,
    /// Send everything again, whatever the journal says.
    #[arg(long)]
    again: bool,
    #[command(flatten)]
    login: Login,
    #[command(flatten)]
    export: Origin,
}

/// How many lines go in one batch.
const BATCH: usize = 200;
/// How often, and how long each time, a batch is waited for that is at work still.
const WAITS: usize = 60;
const WAIT: Duration = Duration::from_millis(500);
/// What a refusal is about that concerns the key.
const KEY: &str = "http.Idempotency-Key";

/// Runs the command.
///
/// # Errors
/// When a file cannot be read or written, or the server does not answer.
pub(super) async fn run(args: Args) -> Result<Done, Failure> {
    let files = input::expand(&args.paths).map_err(|error| Failure::new("load", error))?;
    let mut load = Load {
        server: Server::with(&args.server, args.login.credentials()?)?,
        journal: Journal::open(&args.journal, args.again)?,
        bar: ProgressBar::no_length().with_style(style()),
        taken: 0,
        skipped: 0,
        refused: Vec::new(),
    };
    for file in &files {
        load.file(file, file.display().to_string()).await?;
    }
    let mut exported = None;
    if args.export.is_asked() {
        let found = match args.export.fetch(args.again).await? {
            Ok(found) => found,
            Err(done) => return Ok(done),
        };
        for file in &found.files {
            load.file(&file.path, file.url.clone()).await?;
        }
        exported = Some(found);
    }
    load.bar.finish_and_clear();
    let done = load.conclude(args.report.as_deref(), args.errors.as_deref())?;
    // What was refused may be sent again, from the files that are here.
    if let Some(exported) = exported.filter(|_| done == Done::Well) {
        exported.forget().await?;
    }
    Ok(done)
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

impl Refusal {
    /// The outcome, with an issue before the others that tells what it is about.
    fn outcome(&self) -> Value {
        let status = self.status.map(|status| format!(", status {}", status.as_u16()));
        let about = json!({
            "severity": "information", "code": "informational",
            "diagnostics": format!("{}{}", self.place, status.unwrap_or_default()),
        });
        let mut outcome = self.outcome.clone();
        if let Some(issues) = outcome.get_mut("issue").and_then(Value::as_array_mut) {
            issues.insert(0, about);
        } else {
            let error = json!({ "severity": "error", "code": "processing",
                "diagnostics": "It was refused, and the server did not say why." });
            outcome = json!({ "resourceType": "OperationOutcome", "issue": [about, error] });
        }
        outcome
    }
}

/// Which part of which file goes next.
struct Part<'a> {
    file: &'a str,
    key: &'a str,
    /// The number of its last item.
    number: usize,
    /// How often the file was begun anew.
    round: usize,
}

impl Part<'_> {
    /// The key under which a Bundle of that kind is written once.
    fn key(&self, kind: &str) -> String {
        let text = format!("{kind}/{}/{}/{}", self.key, self.round, self.number);
        format!("\"{}\"", Uuid::new_v5(&Uuid::NAMESPACE_OID, text.as_bytes()))
    }
}

/// A resource on its way to the server.
struct Outgoing {
    place: String,
    resource: Value,
}

impl Load {
    async fn file(&mut self, path: &Path, name: String) -> Result<(), Failure> {
        self.bar.set_message(name.clone());
        let fail = |error: std::io::Error| Failure::new(name.clone(), error);
        let key = Journal::key(self.server.base(), path).map_err(fail)?;
        let (done, round) = (self.journal.done(&key), self.journal.round(&key));
        let mut batch = Vec::new();
        let (mut number, refused_before) = (0, self.refused.len());
        for item in input::read(path).map_err(fail)? {
            let item = item.map_err(fail)?;
            number += 1;
            if number <= done {
                self.skipped += 1;
                continue;
            }
            let part = Part { file: &name, key: &key, number, round };
            self.item(&part, item, &mut batch).await?;
            if batch.len() >= BATCH {
                self.send_batch(&part, &mut batch).await?;
                self.journal.note(&key, number)?;
            }
        }
        let part = Part { file: &name, key: &key, number, round };
        self.send_batch(&part, &mut batch).await?;
        // A file of which something was refused is sent whole the next time, mended or not.
        match self.refused.len() > refused_before {
            true => self.journal.note(&key, 0),
            false if number > done => self.journal.note(&key, number),
            false => Ok(()),
        }
    }

    async fn item(
        &mut self,
        part: &Part<'_>,
        item: Item,
        batch: &mut Vec<Outgoing>,
    ) -> Result<(), Failure> {
        let place = match item.line {
            Some(line) => format!("{}:{line}", part.file),
            None => part.file.to_owned(),
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
            Some("transaction" | "batch") => self.send_bundle(part, &place, &resource).await,
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

    async fn send_bundle(
        &mut self,
        part: &Part<'_>,
        place: &str,
        bundle: &Value,
    ) -> Result<(), Failure> {
        let answer = self.post(&part.key("bundle"), bundle).await?;
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

    /// Sends a Bundle under a key. One that is at work still, as a run that was broken off left it, is
    /// waited for.
    async fn post(&self, key: &str, bundle: &Value) -> Result<Answer, Failure> {
        let headers = [("Idempotency-Key", key)];
        for _ in 0..WAITS {
            let answer = self.server.send_with(Method::POST, "", bundle, &headers).await?;
            let about_key = |value: Value| text(&value, "/issue/0/expression/0") == Some(KEY);
            if answer.status != StatusCode::CONFLICT || !answer.json().is_some_and(about_key) {
                return Ok(answer);
            }
            tokio::time::sleep(WAIT).await;
        }
        self.server.send_with(Method::POST, "", bundle, &headers).await
    }

    async fn send_batch(
        &mut self,
        part: &Part<'_>,
        batch: &mut Vec<Outgoing>,
    ) -> Result<(), Failure> {
        if batch.is_empty() {
            return Ok(());
        }
        self.bar.inc(batch.len() as u64);
        let (places, entries): (Vec<_>, Vec<_>) =
            batch.drain(..).map(|outgoing| (outgoing.place, entry(outgoing.resource))).unzip();
        let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
        let answer = self.post(&part.key("lines"), &bundle).await?;
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

    fn conclude(self, report: Option<&Path>, errors: Option<&Path>) -> Result<Done, Failure> {
        if let Some(path) = errors {
            let lines = self.refused.iter().map(|refusal| refusal.outcome().to_string() + "\n");
            std::fs::write(path, lines.collect::<String>())
                .map_err(|error| Failure::new(path.display().to_string(), error))?;
        }
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
