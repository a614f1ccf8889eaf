//! What has changed on the other server, spooled to a file before any of it is taken.
//!
//! The first time all resources are asked for, type by type; from then on what has changed since, from
//! the history where the server has one (which tells of deletions too), else by `_lastUpdated`. A
//! write may bear a time somewhat before it is to be seen, so each round begins a little before the
//! end of the last; what is known already is passed over.
//! Source: <http://hl7.org/fhir/R4/http.html#history>, <http://hl7.org/fhir/R4/search.html#lastUpdated>.

use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use reqwest::{StatusCode, header};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use time::OffsetDateTime;
use time::format_description::well_known::Rfc2822;

use super::super::client::{JSON, Server};
use super::super::{Failure, report};
use super::state::State;
use crate::fhir::{Instant, query};

/// A change there.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(super) struct Change {
    /// The resource, such as `Patient/1`.
    pub(super) of: String,
    /// Its version.
    pub(super) version: String,
    /// The resource; none where it is deleted.
    pub(super) resource: Option<Value>,
}

/// The first line of a spool.
#[derive(Serialize, Deserialize)]
struct Head {
    /// From when on changes are asked for the next time.
    cursor: String,
}

/// Changes in a file.
pub(super) struct Spool {
    path: PathBuf,
    /// From when on changes are asked for the next time.
    pub(super) cursor: String,
}

/// What the other server can tell.
struct Abilities {
    /// The history of all.
    whole: bool,
    /// Types, and whether each has a history.
    types: BTreeMap<String, bool>,
    /// The server's time, in milliseconds since the epoch.
    now: i64,
}

/// What is not taken from another server unless it is named: what tells a server how to work, and what
/// it tells of itself.
const LEFT_OUT: [&str; 33] = [
    "ActivityDefinition",
    "AuditEvent",
    "CapabilityStatement",
    "ChargeItemDefinition",
    "CodeSystem",
    "CompartmentDefinition",
    "ConceptMap",
    "EffectEvidenceSynthesis",
    "EventDefinition",
    "ExampleScenario",
    "GraphDefinition",
    "ImplementationGuide",
    "Library",
    "Measure",
    "MeasureReport",
    "MessageDefinition",
    "NamingSystem",
    "ObservationDefinition",
    "OperationDefinition",
    "Parameters",
    "PlanDefinition",
    "Questionnaire",
    "ResearchElementDefinition",
    "SearchParameter",
    "SpecimenDefinition",
    "StructureDefinition",
    "StructureMap",
    "Subscription",
    "SubstanceSpecification",
    "TerminologyCapabilities",
    "TestReport",
    "TestScript",
    "ValueSet",
];

/// How many resources a page has.
const PAGE: usize = 200;

impl Spool {
    /// The spool in that directory, if one is whole.
    pub(super) fn open(directory: &Path) -> Result<Option<Self>, Failure> {
        let path = directory.join("spool.ndjson");
        let file = match File::open(&path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            file => file.map_err(|error| failed(&path, error))?,
        };
        let mut line = String::new();
        BufReader::new(file).read_line(&mut line).map_err(|error| failed(&path, error))?;
        let head: Head = serde_json::from_str(&line).map_err(|error| failed(&path, error))?;
        Ok(Some(Self { path, cursor: head.cursor }))
    }

    /// The changes, read as they are asked for.
    pub(super) fn changes(
        &self,
    ) -> Result<impl Iterator<Item = Result<Change, Failure>> + use<>, Failure> {
        let path = self.path.clone();
        let file = File::open(&path).map_err(|error| failed(&path, error))?;
        let lines = BufReader::new(file).lines().skip(1);
        Ok(lines.map(move |line| {
            let line = line.map_err(|error| failed(&path, error))?;
            serde_json::from_str(&line).map_err(|error| failed(&path, error))
        }))
    }

    /// Removes it.
    pub(super) fn remove(self) -> Result<(), Failure> {
        std::fs::remove_file(&self.path).map_err(|error| failed(&self.path, error))
    }
}

fn failed(path: &Path, error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Failure {
    Failure::new(path.display().to_string(), error)
}

/// The other server, asked for what has changed.
pub(super) struct Source<'a> {
    pub(super) server: &'a Server,
    /// The types that are wanted; empty: all but those that are left out.
    pub(super) types: &'a [String],
    /// How far a round reaches back before the end of the last, in milliseconds.
    pub(super) overlap: i64,
}

impl Source<'_> {
    /// Spools what has changed since the last round, and what is open. Whether deletions could be told
    /// comes with it.
    pub(super) async fn spool(
        &self,
        directory: &Path,
        state: &State,
    ) -> Result<(Spool, bool), Failure> {
        let abilities = self.abilities().await?;
        let path = directory.join("spool.ndjson");
        let part = path.with_extension("part");
        let file = File::create(&part).map_err(|error| failed(&part, error))?;
        let cursor = abilities.now.saturating_sub(self.overlap);
        let cursor = Instant::from_millis(cursor).to_string();
        let mut out = Out { file: BufWriter::new(file), path: part, seen: HashSet::new() };
        out.line(&Head { cursor: cursor.clone() })?;
        let mut tells_deletions = true;
        match state.cursor() {
            None => {
                for kind in abilities.types.keys() {
                    self.pages(&format!("{kind}?_count={PAGE}"), &mut out).await?;
                }
            }
            Some(since) if abilities.whole => {
                let pairs = [("_since", since), ("_count", &PAGE.to_string())];
                self.pages(&format!("_history?{}", query::encode(&pairs)), &mut out).await?;
            }
            Some(since) => {
                for (kind, has_history) in &abilities.types {
                    let count = PAGE.to_string();
                    let place = if *has_history {
                        format!(
                            "{kind}/_history?{}",
                            query::encode(&[("_since", since), ("_count", &count)])
                        )
                    } else {
                        tells_deletions = false;
                        let after = format!("ge{since}");
                        format!(
                            "{kind}?{}",
                            query::encode(&[("_lastUpdated", &after), ("_count", &count)])
                        )
                    };
                    self.pages(&place, &mut out).await?;
                }
            }
        }
        for of in state.open_links().into_keys() {
            if !out.seen.contains(&of) {
                self.one(&of, &mut out).await?;
            }
        }
        let Out { file, path: part, .. } = out;
        let file = file.into_inner().map_err(|error| failed(&part, error.into_error()))?;
        file.sync_all().map_err(|error| failed(&part, error))?;
        std::fs::rename(&part, &path).map_err(|error| failed(&path, error))?;
        Ok((Spool { path, cursor }, tells_deletions))
    }

    async fn abilities(&self) -> Result<Abilities, Failure> {
        let answer = self.server.get("metadata", JSON).await?;
        let statement = answer.json().filter(|_| answer.status.is_success());
        let Some(statement) = statement else {
            let text =
                format!("it does not tell what it can do (status {})", answer.status.as_u16());
            return Err(Failure::new(self.server.base().to_owned(), text));
        };
        // Its own clock counts, for it is what its resources bear.
        let date =
            answer.header(header::DATE).and_then(|text| OffsetDateTime::parse(text, &Rfc2822).ok());
        let now = Instant::from(date.unwrap_or_else(OffsetDateTime::now_utc)).millis();
        let rest = statement.pointer("/rest/0");
        let list = |value: Option<&Value>, name: &str| {
            value
                .and_then(|value| value.get(name))
                .and_then(Value::as_array)
                .cloned()
                .unwrap_or_default()
        };
        let can = |value: Option<&Value>, code: &str| {
            list(value, "interaction").iter().any(|one| one.get("code").is_some_and(|c| c == code))
        };
        let mut types = BTreeMap::new();
        for resource in list(rest, "resource") {
            let kind = resource.get("type").and_then(Value::as_str).unwrap_or_default().to_owned();
            let is_wanted = match self.types {
                [] => !LEFT_OUT.contains(&kind.as_str()),
                named => named.contains(&kind),
            };
            if is_wanted {
                types.insert(kind, can(Some(&resource), "history-type"));
            }
        }
        if let Some(missing) = self.types.iter().find(|kind| !types.contains_key(*kind)) {
            return Err(Failure::new(
                self.server.base().to_owned(),
                format!("it has no {missing}"),
            ));
        }
        Ok(Abilities { whole: can(rest, "history-system"), types, now })
    }

    /// Follows the pages from that place.
    async fn pages(&self, place: &str, out: &mut Out) -> Result<(), Failure> {
        let mut url = format!("{}/{place}", self.server.base());
        loop {
            let answer = self.server.get_url(&url, JSON, &[]).await?;
            let bundle = answer.json().filter(|_| answer.status.is_success());
            let Some(bundle) = bundle else {
                report::refusal(&url, answer.status, answer.json().as_ref());
                return Err(Failure::new(url, format!("status {}", answer.status.as_u16())));
            };
            let entries = bundle.get("entry").and_then(Value::as_array);
            for entry in entries.into_iter().flatten().filter(|entry| !is_topic(entry)) {
                if let Some(change) = change(entry) {
                    self.take(change, out)?;
                }
            }
            let links = bundle.get("link").and_then(Value::as_array).into_iter().flatten();
            let mut next =
                links.filter(|link| link.get("relation").is_some_and(|name| name == "next"));
            match next.find_map(|link| link.get("url")?.as_str()) {
                Some(next) => next.clone_into(&mut url),
                None => return Ok(()),
            }
        }
    }

    /// A resource as it is there now.
    async fn one(&self, of: &str, out: &mut Out) -> Result<(), Failure> {
        let answer = self.server.get(of, JSON).await?;
        let gone = [StatusCode::NOT_FOUND, StatusCode::GONE].contains(&answer.status);
        let resource = answer.json().filter(|_| answer.status.is_success());
        let tag = answer.header(header::ETAG).map(tag);
        let version = match &resource {
            Some(resource) => Some(version_of(resource)),
            None if gone => Some(tag.unwrap_or_default()),
            None => None,
        };
        match version {
            Some(version) => out.take(&Change { of: of.to_owned(), version, resource }),
            // What cannot be asked now stays open.
            None => Ok(()),
        }
    }

    fn take(&self, change: Change, out: &mut Out) -> Result<(), Failure> {
        let kind = change.of.split('/').next().unwrap_or_default();
        let is_wanted = match self.types {
            [] => !LEFT_OUT.contains(&kind),
            named => named.iter().any(|one| one == kind),
        };
        if is_wanted { out.take(&change) } else { Ok(()) }
    }
}

/// A spool that is being written. The history comes newest first, so the first that is said of a
/// resource is what counts.
struct Out {
    file: BufWriter<File>,
    path: PathBuf,
    seen: HashSet<String>,
}

impl Out {
    fn take(&mut self, change: &Change) -> Result<(), Failure> {
        if self.seen.insert(change.of.clone()) { self.line(change) } else { Ok(()) }
    }

    fn line(&mut self, value: &impl Serialize) -> Result<(), Failure> {
        let text = serde_json::to_string(value).map_err(|error| failed(&self.path, error))?;
        writeln!(self.file, "{text}").map_err(|error| failed(&self.path, error))
    }
}

/// Whether an entry is a topic of Subscriptions, which R4 has as a Basic: what a server tells of itself.
/// Source: <http://hl7.org/fhir/R5/versions.html#extensions>.
fn is_topic(entry: &Value) -> bool {
    let code = entry.pointer("/resource/code/coding/0/code");
    entry.pointer("/resource/resourceType").is_some_and(|kind| kind == "Basic")
        && code.is_some_and(|code| code == "SubscriptionTopic")
}

/// What an entry of a searchset or a history tells; none where it tells of no change.
fn change(entry: &Value) -> Option<Change> {
    let text = |pointer: &str| entry.pointer(pointer).and_then(Value::as_str);
    if text("/search/mode").is_some_and(|mode| mode != "match") {
        return None;
    }
    let deleted = text("/request/method") == Some("DELETE");
    let resource = entry.get("resource").filter(|_| !deleted);
    let Some(resource) = resource else {
        let url = text("/request/url").or_else(|| text("/fullUrl"))?;
        let url = url.split("/_history").next().unwrap_or(url);
        let mut parts = url.rsplit('/');
        let (id, kind) = (parts.next()?, parts.next()?);
        let version = text("/response/etag")
            .map(tag)
            .or_else(|| text("/response/lastModified").map(str::to_owned));
        return deleted.then(|| Change {
            of: format!("{kind}/{id}"),
            version: version.unwrap_or_default(),
            resource: None,
        });
    };
    let of = format!("{}/{}", text("/resource/resourceType")?, text("/resource/id")?);
    let version = version_of(resource);
    Some(Change { of, version, resource: Some(resource.clone()) })
}

/// What tells one version of a resource from another, also where the server counts none.
fn version_of(resource: &Value) -> String {
    let meta = |name: &str| resource.get("meta")?.get(name)?.as_str().map(str::to_owned);
    let content =
        || uuid::Uuid::new_v5(&uuid::Uuid::NAMESPACE_OID, resource.to_string().as_bytes());
    let version = meta("versionId").or_else(|| meta("lastUpdated"));
    version.unwrap_or_else(|| content().to_string())
}

/// The version in a tag.
pub(super) fn tag(text: &str) -> String {
    text.trim_start_matches("W/").trim_matches('"').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn entries_tell_of_changes() {
        let resource = json!({ "resourceType": "Basic", "id": "b", "meta": { "versionId": "2" } });
        let taken =
            Change { of: "Basic/b".into(), version: "2".into(), resource: Some(resource.clone()) };
        let gone = Change { of: "Basic/b".into(), version: "3".into(), resource: None };
        for (entry, expected) in [
            (json!({ "resource": resource, "search": { "mode": "match" } }), Some(taken.clone())),
            (
                json!({ "resource": resource, "request": { "method": "PUT", "url": "Basic/b" } }),
                Some(taken),
            ),
            (json!({ "resource": resource, "search": { "mode": "include" } }), None),
            (json!({ "resource": { "resourceType": "OperationOutcome" } }), None),
            (
                json!({ "fullUrl": "http://a/fhir/Basic/b", "request": { "method": "DELETE", "url": "Basic/b" },
                "response": { "status": "204", "etag": "W/\"3\"" } }),
                Some(gone),
            ),
        ] {
            assert_eq!(change(&entry), expected, "{entry}");
        }
    }
}
