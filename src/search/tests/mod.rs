//! Searches over the store in memory.

mod pages;
mod costs;
mod others;
mod refusals;
mod spans;
mod tables;

use std::sync::Arc;

use serde_json::{Value, json};

use super::query::Limits;
use super::*;
use crate::definitions::Definitions;
use crate::definitions::model::Model;
use crate::definitions::search_parameter::SearchParameters;
use crate::fhir::{Id, Instant, Resource, ResourceType};
use crate::index::{self, Rules};
use crate::repository::{Change, Method, batch, current};
use crate::store::{MemoryStore, Store};
use crate::terminology::Terminology;

const BASE: &str = "https://me.example/fhir";

/// A store with the rules that it is searched by.
struct Clinic {
    store: MemoryStore,
    rules: Rules,
    clock: std::cell::Cell<i64>,
    limits: Limits,
}

impl Clinic {
    fn new() -> Self {
        let definitions = Arc::new(Definitions::embedded().unwrap());
        let parameters = SearchParameters::load(&definitions).unwrap();
        let model = Arc::new(Model::standard().unwrap());
        let rules = Rules::new(model, parameters, Some(BASE.to_owned()))
            .with_terminology(Arc::new(Terminology::new(definitions)));
        let start = Instant::parse("2026-03-02T08:00:00Z").unwrap();
        let limits = Limits::default();
        Self { store: MemoryStore::new(), rules, clock: start.millis().into(), limits }
    }

    /// Each write is a second later than the one before.
    fn put(&self, value: Value) {
        let resource = Resource::from_value(value).unwrap();
        let id = Id::parse(resource.id_text().unwrap()).unwrap();
        self.clock.set(self.clock.get() + 1000);
        let batch = {
            let view = self.store.view().unwrap();
            let now = current(&*view, resource.kind(), &id).unwrap();
            let at = Instant::from_millis(self.clock.get());
            let entries = |resource: &Resource| index::entries(&self.rules, resource);
            let change = Change::write(now.as_ref(), Method::Put, id, resource, at, entries);
            batch(&*view, &[change]).unwrap()
        };
        self.store.commit(batch).unwrap();
    }

    /// Several at once, none of which is there yet.
    fn put_all(&self, values: Vec<Value>) {
        self.clock.set(self.clock.get() + 1000);
        let at = Instant::from_millis(self.clock.get());
        let changes = values.into_iter().map(|value| {
            let resource = Resource::from_value(value).unwrap();
            let id = Id::parse(resource.id_text().unwrap()).unwrap();
            let entries = |resource: &Resource| index::entries(&self.rules, resource);
            Change::write(None, Method::Put, id, resource, at, entries)
        });
        let batch = {
            let view = self.store.view().unwrap();
            batch(&*view, &changes.collect::<Vec<_>>()).unwrap()
        };
        self.store.commit(batch).unwrap();
    }

    fn delete(&self, kind: &str, id: &str) {
        let batch = {
            let view = self.store.view().unwrap();
            let kind = ResourceType::parse(kind).unwrap();
            let now = current(&*view, kind, &Id::parse(id).unwrap()).unwrap().unwrap();
            batch(&*view, &[Change::delete(&now, Instant::from_millis(self.clock.get()))]).unwrap()
        };
        self.store.commit(batch).unwrap();
    }

    fn query(&self, url: &str, strict: bool) -> Result<Query, Error> {
        let (kind, text) = url.split_once('?').unwrap();
        let pairs: Vec<(String, String)> = text
            .split('&')
            .filter_map(|pair| pair.split_once('='))
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect();
        let now = Instant::parse("2026-03-02T00:00:00Z").unwrap();
        let setting = Setting { rules: &self.rules, now, strict, limits: self.limits };
        Query::parse(&setting, ResourceType::parse(kind).unwrap(), &pairs)
    }

    fn page(&self, url: &str, cursor: Option<&Cursor>) -> Result<Page, Error> {
        let view = self.store.view().unwrap();
        run(&*view, &self.rules, &self.query(url, true)?, cursor)
    }

    /// The ids of a page, joined by blanks.
    fn ids(&self, url: &str) -> String {
        show(&self.page(url, None).unwrap_or_else(|error| panic!("{url}: {error}")))
    }

    fn check(&self, url: &str, expected: &str) {
        assert_eq!(self.ids(url), expected, "{url}");
    }
}

fn show(page: &Page) -> String {
    let ids: Vec<_> = page.matches.iter().map(|found| found.id.to_string()).collect();
    ids.join(" ")
}

/// One Observation for each value; the ids are those given.
fn observations(values: &[(&str, Value)]) -> Clinic {
    let clinic = Clinic::new();
    for (id, members) in values {
        let mut value = json!({ "resourceType": "Observation", "id": id, "status": "final" });
        value.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
        clinic.put(value);
    }
    clinic
}
