//! Transactions, held against the lists: all of the writes or none.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::{Model, Version, Write, as_entry};
use crate::client::Server;

/// The order in which the standard has the verbs carried out
/// (<http://hl7.org/fhir/R4/http.html#trules>).
fn rank(method: &str) -> u8 {
    match method {
        "DELETE" => 0,
        "POST" => 1,
        _ => 2,
    }
}

impl Model {
    fn entry(&self, write: &Write) -> Value {
        let (verb, place, kind, body) = self.request(write);
        let mut entry =
            json!({ "request": { "method": verb, "url": place.trim_start_matches('/') } });
        if !body.is_empty() {
            entry["resource"] = as_entry(kind, &body);
        }
        if let Some(tag) = self.tag_of(write) {
            entry["request"]["ifMatch"] = json!(tag);
        }
        entry
    }

    pub(super) async fn transaction(&mut self, server: &Server, writes: &[Write], broken: bool) {
        let count = self.subjects.len();
        let (mut entries, mut statuses, mut made) = (Vec::new(), Vec::new(), Vec::new());
        let mut touched = BTreeSet::new();
        let mut is_refused = broken;
        for write in writes {
            // Two entries about one resource are refused; that is tested elsewhere.
            if let Write::Update { subject, .. }
            | Write::Patch { subject, .. }
            | Write::Delete { subject, .. } = write
                && !touched.insert(subject % count)
            {
                continue;
            }
            let expected = self.expect(write);
            entries.push(self.entry(write));
            is_refused |= expected.status >= 400;
            if let Some((at, version)) = expected.made {
                made.push((statuses.len(), at, version));
            }
            statuses.push(expected.status);
        }
        if broken {
            let request = json!({ "method": "PATCH", "url": "Patient/never-there" });
            let patch = as_entry("application/json-patch+json", "[]");
            entries.push(json!({ "resource": patch, "request": request }));
        }
        let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
        let answer = server.post("", &bundle).await;
        if is_refused {
            assert!((400..500).contains(&answer.status), "{writes:?}: {answer:?}");
            return;
        }
        let told = answer.has_status(200).json();
        for (at, status) in statuses.iter().enumerate() {
            let found = told["entry"][at]["response"]["status"].as_str().unwrap();
            assert!(found.starts_with(&status.to_string()), "{found}, expected {status}");
        }
        made.sort_by_key(|(place, _, version)| (rank(version.method), *place));
        for (place, at, version) in made {
            self.keep(&told["entry"][place]["response"], at, version);
        }
    }

    /// Adds what an entry made, and holds its answer against it.
    fn keep(&mut self, response: &Value, at: usize, version: Version) {
        let is_deletion = version.content.is_none();
        // Creates are told apart by the ids that they were given.
        let at = if version.method == "POST" { self.subjects.len() } else { at };
        let location = || response["location"].as_str().unwrap_or_default().to_owned();
        self.push(at, version, || location().split('/').nth(1).unwrap().to_owned());
        if !is_deletion {
            let subject = &self.subjects[at];
            let place = format!("Patient/{}/_history/{}", subject.id, subject.versions.len());
            assert_eq!(location(), place);
        }
    }
}
