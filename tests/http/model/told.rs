//! Reads, histories and searches, held against the lists.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::{Model, Version, all_entries, family, ids, those};
use crate::client::Server;
use crate::concurrent::{assert_unbroken, version};

impl Model {
    /// That the resource is the one of that version.
    fn assert_is(&self, found: &Value, at: usize, number: usize) {
        let subject = &self.subjects[at];
        let kept = subject.versions[number].content.unwrap();
        let mut found = found.clone();
        let meta = found.as_object_mut().unwrap().remove("meta").unwrap();
        assert_eq!(meta["versionId"], json!((number + 1).to_string()));
        assert_eq!(found, self.resource(kept, Some(&subject.id)), "version {}", number + 1);
    }

    pub(super) async fn read(&self, server: &Server, at: usize) {
        let subject = &self.subjects[at];
        let answer = server.get(&format!("/Patient/{}", subject.id)).await;
        match subject.versions.last().map(|last| last.content) {
            None => drop(answer.is_error(404, "not-found")),
            Some(None) => drop(answer.is_error(410, "deleted")),
            Some(Some(_)) => {
                let answer = answer.has_status(200);
                assert_eq!(version(answer.header("ETag")), subject.versions.len());
                self.assert_is(&answer.json(), at, subject.versions.len() - 1);
            }
        }
    }

    pub(super) async fn vread(&self, server: &Server, at: usize, number: usize) {
        let subject = &self.subjects[at];
        let url = format!("/Patient/{}/_history/{}", subject.id, number + 1);
        let answer = server.get(&url).await;
        match subject.versions.get(number) {
            None => drop(answer.is_error(404, "not-found")),
            Some(Version { content: None, .. }) => drop(answer.is_error(410, "deleted")),
            Some(_) => self.assert_is(&answer.has_status(200).json(), at, number),
        }
    }

    pub(super) async fn history(&self, server: &Server, at: usize) {
        let subject = &self.subjects[at];
        let url = format!("/Patient/{}/_history?_count=4", subject.id);
        if subject.versions.is_empty() {
            server.get(&url).await.is_error(404, "not-found");
            return;
        }
        let history = all_entries(server, &url).await;
        assert_eq!(history.len(), subject.versions.len());
        assert_unbroken(&history);
        for (number, entry) in history.iter().enumerate() {
            self.assert_entry(entry, at, number);
        }
    }

    /// That the entry of a history tells of that version.
    fn assert_entry(&self, entry: &Value, at: usize, number: usize) {
        let subject = &self.subjects[at];
        let told = &subject.versions[number];
        assert_eq!(entry["request"]["method"], told.method, "{entry}");
        let url = entry["fullUrl"].as_str().unwrap();
        assert!(url.ends_with(&format!("/Patient/{}", subject.id)), "{url}");
        assert_eq!(version(entry["response"]["etag"].as_str().unwrap()), number + 1);
        match told.content {
            Some(_) => self.assert_is(&entry["resource"], at, number),
            None => assert!(entry.get("resource").is_none(), "{entry}"),
        }
    }

    pub(super) async fn search(&self, server: &Server, name: u8) {
        let system = &self.system;
        let url = format!("/Patient?identifier={system}%7C&family:exact={}&_count=3", family(name));
        let expected = ids(self, &those(self, |kept| kept.family == name));
        let page = server.get(&url).await.has_status(200).json();
        assert_eq!(page["total"], json!(expected.len()), "{url}");
        let found = all_entries(server, &url).await;
        let found: Vec<&str> =
            found.iter().map(|entry| entry["resource"]["id"].as_str().unwrap()).collect();
        assert_eq!(found.len(), expected.len(), "{found:?}");
        assert_eq!(found.into_iter().map(str::to_owned).collect::<BTreeSet<_>>(), expected);
    }

    /// That the history of the type tells all writes in their order.
    pub(super) async fn order(&self, server: &Server) {
        let mut history = all_entries(server, "/Patient/_history?_count=200").await;
        let own = history.split_off(history.len() - self.log.len());
        for (entry, (at, number)) in own.iter().zip(&self.log) {
            self.assert_entry(entry, *at, *number);
        }
    }
}
