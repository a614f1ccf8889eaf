//! Conditional interactions, held against the lists.

use super::{Content, Model, Version, those};
use crate::client::{JSON, Server};

impl Model {
    fn criteria(&self, key: u8) -> String {
        format!("identifier={}%7C{key}", self.system)
    }

    pub(super) async fn create_if_none(&mut self, server: &Server, content: &Content) {
        let found = those(self, |kept| kept.key == content.key);
        let kept = self.kept(content);
        let body = self.resource(kept, None).to_string();
        let criteria = self.criteria(content.key);
        let headers = [JSON, ("If-None-Exist", criteria.as_str())];
        let answer = server.send("POST", "/Patient", &headers, body).await;
        match found.as_slice() {
            [] => {
                let made = Version { method: "POST", content: Some(kept) };
                self.note(&answer.has_status(201), Some((self.subjects.len(), made)));
            }
            [at] => {
                let subject = &self.subjects[*at];
                let place = format!("/Patient/{}/_history/{}", subject.id, subject.versions.len());
                let answer = answer.has_status(200);
                assert!(answer.header("Location").ends_with(&place), "{answer:?}");
            }
            _ => drop(answer.is_error(412, "multiple-matches")),
        }
    }

    pub(super) async fn update_by_key(&mut self, server: &Server, content: &Content) {
        let found = those(self, |kept| kept.key == content.key);
        let kept = self.kept(content);
        let url = format!("/Patient?{}", self.criteria(content.key));
        let answer = server.put(&url, &self.resource(kept, None)).await;
        let (status, at, method) = match found.as_slice() {
            [] => (201, self.subjects.len(), "POST"),
            [at] => (200, *at, "PUT"),
            _ => return drop(answer.is_error(412, "multiple-matches")),
        };
        let made = Version { method, content: Some(kept) };
        self.note(&answer.has_status(status), Some((at, made)));
    }

    pub(super) async fn delete_by_key(&mut self, server: &Server, key: u8) {
        let found = those(self, |kept| kept.key == key);
        let answer = server.delete(&format!("/Patient?{}", self.criteria(key))).await;
        match found.as_slice() {
            [] => drop(answer.has_status(204)),
            [at] => {
                let made = Version { method: "DELETE", content: None };
                self.note(&answer.has_status(204), Some((*at, made)));
            }
            _ => drop(answer.is_error(412, "multiple-matches")),
        }
    }
}
