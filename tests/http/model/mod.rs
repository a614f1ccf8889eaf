//! What a server must have kept, as lists: for each resource its versions, and the order of all
//! writes. Each step is sent, and the answer held against the lists.

pub(crate) mod step;

use std::collections::BTreeSet;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::{Value, json};

use crate::client::{Answer, JSON, Server};
use crate::concurrent::{entries, version};
use step::{Content, How, Knows, Step, Write};

/// A resource with all that happened to it.
struct Subject {
    /// None until the server has chosen one.
    id: String,
    versions: Vec<Version>,
}

/// What one version is.
#[derive(Clone)]
struct Version {
    method: &'static str,
    /// None for a deletion.
    content: Option<Kept>,
}

#[derive(Clone, Copy, PartialEq, Debug)]
struct Kept {
    family: u8,
    key: u8,
    serial: u64,
}

/// The lists.
pub(crate) struct Model {
    /// What tells this model's resources from others on the same server.
    system: String,
    subjects: Vec<Subject>,
    /// Subject and version of each write, in the order of the commits.
    log: Vec<(usize, usize)>,
    serial: u64,
}

/// What a write of one resource comes to.
struct Expected {
    status: u16,
    /// The subject, and the version that is made of it.
    made: Option<(usize, Version)>,
}

impl Expected {
    fn nothing(status: u16) -> Self {
        Self { status, made: None }
    }
}

impl Subject {
    fn live(&self) -> Option<Kept> {
        self.versions.last().and_then(|version| version.content)
    }
}

impl Model {
    /// Nothing, but for a few ids that clients may choose.
    pub(crate) fn new(number: usize) -> Self {
        let subject = |at| Subject { id: format!("m{number}-{at}"), versions: Vec::new() };
        Self {
            system: format!("https://model.example/{number}"),
            subjects: (0..3).map(subject).collect(),
            log: Vec::new(),
            serial: 0,
        }
    }

    /// Sends the step and holds the answer against the lists.
    pub(crate) async fn run(&mut self, server: &Server, step: &Step) {
        match step {
            Step::Write(write) => self.write(server, write).await,
            Step::Transaction { writes, broken } => {
                self.transaction(server, writes, *broken).await;
            }
            Step::ConditionalCreate(content) => self.create_if_none(server, content).await,
            Step::ConditionalUpdate(content) => self.update_by_key(server, content).await,
            Step::ConditionalDelete { key } => self.delete_by_key(server, *key).await,
            Step::Read { subject } => self.read(server, subject % self.subjects.len()).await,
            Step::Vread { subject, version } => {
                self.vread(server, subject % self.subjects.len(), *version).await;
            }
            Step::History { subject } => self.history(server, subject % self.subjects.len()).await,
            Step::Search { family } => self.search(server, *family).await,
        }
    }

    /// Holds everything that the server tells against the lists.
    pub(crate) async fn check_all(&self, server: &Server) {
        for at in 0..self.subjects.len() {
            self.read(server, at).await;
            self.history(server, at).await;
            for version in 0..self.subjects[at].versions.len() {
                self.vread(server, at, version).await;
            }
        }
        for family in 0..3 {
            self.search(server, family).await;
        }
        self.order(server).await;
    }

    fn kept(&mut self, content: &Content) -> Kept {
        self.serial += 1;
        Kept { family: content.family, key: content.key, serial: self.serial }
    }

    fn resource(&self, kept: Kept, id: Option<&str>) -> Value {
        let mut resource = json!({
            "resourceType": "Patient",
            "identifier": [{ "system": self.system, "value": kept.key.to_string() }],
            "name": [{ "family": family(kept.family) }],
            "multipleBirthInteger": kept.serial,
        });
        if let Some(id) = id {
            resource["id"] = json!(id);
        }
        resource
    }

    /// The `If-Match` of what the client says to know.
    fn tag(&self, subject: usize, knows: Knows) -> Option<String> {
        let last = self.subjects[subject].versions.len().max(1);
        match knows {
            Knows::Nothing => None,
            Knows::Last => Some(format!("W/\"{last}\"")),
            Knows::Another => Some(format!("W/\"{}\"", last + 1)),
        }
    }

    /// What a write comes to when it stands alone.
    fn expect(&mut self, write: &Write) -> Expected {
        let count = self.subjects.len();
        let (Write::Update { subject, knows, .. }
        | Write::Patch { subject, knows, .. }
        | Write::Delete { subject, knows }) = write
        else {
            let Write::Create(content) = write else { unreachable!() };
            let kept = self.kept(content);
            let made = Version { method: "POST", content: Some(kept) };
            return Expected { status: 201, made: Some((count, made)) };
        };
        let (at, live) = (subject % count, self.subjects[subject % count].live());
        let is_new = self.subjects[at].versions.is_empty();
        if matches!(write, Write::Patch { .. }) && is_new {
            return Expected::nothing(404);
        }
        let holds = *knows == Knows::Nothing || (*knows == Knows::Last && live.is_some());
        if !holds {
            return Expected::nothing(412);
        }
        let (status, version) = match (write, live) {
            (Write::Update { content, .. }, live) => {
                let content = Some(self.kept(content));
                (if live.is_some() { 200 } else { 201 }, Version { method: "PUT", content })
            }
            (Write::Patch { .. }, None) => return Expected::nothing(410),
            (Write::Patch { how: How::JsonUnfit, .. }, Some(_)) => return Expected::nothing(409),
            (Write::Patch { family, .. }, Some(live)) => {
                let content = Some(self.kept(&Content { family: *family, key: live.key }));
                (200, Version { method: "PATCH", content })
            }
            (_, Some(_)) => (204, Version { method: "DELETE", content: None }),
            (_, None) => return Expected::nothing(204),
        };
        Expected { status, made: Some((at, version)) }
    }

    /// The body of a patch, as JSON Patch or as Parameters.
    fn patch(&self, family_: u8, how: How) -> Value {
        let (name, serial) = (family(family_), self.serial);
        if how == How::FhirPath {
            let replace = |path: &str, value: Value| {
                let mut part = vec![
                    json!({ "name": "type", "valueCode": "replace" }),
                    json!({ "name": "path", "valueString": path }),
                ];
                part.push(value);
                json!({ "name": "operation", "part": part })
            };
            return json!({ "resourceType": "Parameters", "parameter": [
                replace("Patient.name[0].family", json!({ "name": "value", "valueString": name })),
                replace("Patient.multipleBirth", json!({ "name": "value", "valueInteger": serial })),
            ] });
        }
        let replace =
            |path: &str, value: Value| json!({ "op": "replace", "path": path, "value": value });
        let mut patch = vec![
            replace("/name/0/family", json!(name)),
            replace("/multipleBirthInteger", json!(serial)),
        ];
        if how == How::JsonUnfit {
            patch.push(json!({ "op": "test", "path": "/multipleBirthInteger", "value": "no" }));
        }
        Value::Array(patch)
    }

    /// Verb, address, media type and body of a write.
    fn request(&self, write: &Write) -> (&'static str, String, &'static str, String) {
        let count = self.subjects.len();
        let place = |subject: &usize| format!("/Patient/{}", self.subjects[subject % count].id);
        let sent = |content: &Content, id| {
            let kept = Kept { family: content.family, key: content.key, serial: self.serial };
            self.resource(kept, id).to_string()
        };
        match write {
            Write::Create(content) => ("POST", "/Patient".into(), JSON.1, sent(content, None)),
            Write::Update { subject, content, .. } => {
                let id = &self.subjects[subject % count].id;
                ("PUT", place(subject), JSON.1, sent(content, Some(id)))
            }
            Write::Patch { subject, family, how, .. } => {
                let kind = match how {
                    How::FhirPath => JSON.1,
                    _ => "application/json-patch+json",
                };
                ("PATCH", place(subject), kind, self.patch(*family, *how).to_string())
            }
            Write::Delete { subject, .. } => ("DELETE", place(subject), JSON.1, String::new()),
        }
    }

    fn tag_of(&self, write: &Write) -> Option<String> {
        match write {
            Write::Create(_) => None,
            Write::Update { subject, knows, .. }
            | Write::Patch { subject, knows, .. }
            | Write::Delete { subject, knows } => self.tag(subject % self.subjects.len(), *knows),
        }
    }

    async fn write(&mut self, server: &Server, write: &Write) {
        let expected = self.expect(write);
        let (verb, place, kind, body) = self.request(write);
        let tag = self.tag_of(write);
        let mut headers = vec![("Content-Type", kind)];
        headers.extend(tag.as_deref().map(|tag| ("If-Match", tag)));
        let answer = server.send(verb, &place, &headers, body).await;
        assert_eq!(answer.status, expected.status, "{write:?}: {answer:?}");
        self.note(&answer, expected.made);
    }

    /// Adds what was made, and holds the answer's tag and place against it.
    fn note(&mut self, answer: &Answer, made: Option<(usize, Version)>) {
        let Some((at, version_)) = made else { return };
        let is_deletion = version_.content.is_none();
        self.push(at, version_, || {
            let location = answer.header("Location");
            location.rsplit('/').nth(2).unwrap_or_else(|| panic!("{location}")).to_owned()
        });
        if !is_deletion {
            assert_eq!(version(answer.header("ETag")), self.subjects[at].versions.len());
        }
    }

    fn push(&mut self, at: usize, version: Version, id: impl FnOnce() -> String) {
        if at == self.subjects.len() {
            self.subjects.push(Subject { id: id(), versions: Vec::new() });
        }
        self.subjects[at].versions.push(version);
        self.log.push((at, self.subjects[at].versions.len() - 1));
    }
}

fn family(number: u8) -> String {
    format!("Family{number}")
}

mod conditional;
mod told;
mod transaction;

/// A patch as an entry of a Bundle brings it.
fn as_entry(kind: &str, body: &str) -> Value {
    if kind == JSON.1 {
        return serde_json::from_str(body).unwrap();
    }
    json!({ "resourceType": "Binary", "contentType": kind, "data": BASE64_STANDARD.encode(body) })
}

/// The live subjects that a test selects.
fn those(model: &Model, is_wanted: impl Fn(Kept) -> bool) -> Vec<usize> {
    let live = model.subjects.iter().enumerate();
    live.filter(|(_, subject)| subject.live().is_some_and(&is_wanted)).map(|(at, _)| at).collect()
}

fn ids(model: &Model, at: &[usize]) -> BTreeSet<String> {
    at.iter().map(|at| model.subjects[*at].id.clone()).collect()
}

async fn all_entries(server: &Server, path: &str) -> Vec<Value> {
    entries(server, path).await
}
