//! Published examples searched: 475 official resources, 1,032 queries with the ids expected.
//!
//! The expectations come from another evaluator of the same expressions (npm's fhirpath), and from
//! matching written from <http://hl7.org/fhir/R4/search.html>. Misses that have a reason stand in
//! `conformance/search/known.json`; one that no longer misses must leave the list.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test says what is wrong by failing"
)]

mod shared;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::Value;
use spondyl::definitions::model::Model;
use spondyl::definitions::search_parameter::SearchParameters;
use spondyl::fhir::{Id, Instant, Resource, ResourceType, json};
use spondyl::index::{self, Rules};
use spondyl::repository::{Change, Method, batch};
use spondyl::search::query::Limits;
use spondyl::search::{Query, Setting, run};
use spondyl::store::{MemoryStore, Store};

fn cases() -> Option<PathBuf> {
    shared::find("standard/cases/search-tests/cases.jsonl")?;
    shared::find("standard/cases")
}

fn rules() -> Rules {
    let model = Arc::new(Model::standard().unwrap());
    Rules::new(model, SearchParameters::standard().unwrap(), None)
}

fn put(store: &MemoryStore, rules: &Rules, text: &str) {
    let value = json::parse(text.as_bytes(), 64).unwrap();
    let resource = Resource::from_value(value).unwrap();
    let id = Id::parse(resource.id_text().unwrap()).unwrap();
    let batch = {
        let view = store.view().unwrap();
        let at = Instant::parse("2026-03-02T08:10:00Z").unwrap();
        let entries = |resource: &Resource| index::entries(rules, resource);
        let change = Change::write(None, Method::Put, id, resource, at, entries);
        batch(&*view, &[change]).unwrap()
    };
    store.commit(batch).unwrap();
}

fn percent_decode(text: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        rest = after;
        match (first, after) {
            (b'%', [high, low, after @ ..]) => {
                let digits = [*high, *low];
                let digits = std::str::from_utf8(&digits).unwrap();
                bytes.push(u8::from_str_radix(digits, 16).unwrap());
                rest = after;
            }
            _ => bytes.push(*first),
        }
    }
    String::from_utf8(bytes).unwrap()
}

/// The ids on all pages of a few, and the total.
fn search(
    store: &MemoryStore,
    rules: &Rules,
    url: &str,
) -> Result<(BTreeSet<String>, u64), String> {
    let (kind, text) = url.split_once('?').unwrap();
    let pairs: Vec<(String, String)> = text
        .split('&')
        .map(|pair| pair.split_once('=').unwrap())
        .map(|(name, value)| (percent_decode(name), percent_decode(value)))
        .collect();
    let now = Instant::parse("2026-03-02T08:10:00Z").unwrap();
    let limits = Limits { page: 7, told: 1000, ..Limits::default() };
    let setting = Setting { rules, now, strict: true, limits };
    let kind = ResourceType::parse(kind).unwrap();
    let query = Query::parse(&setting, kind, &pairs).map_err(|error| error.to_string())?;
    let view = store.view().unwrap();
    let (mut ids, mut cursor) = (BTreeSet::new(), None);
    loop {
        let page =
            run(&*view, rules, &query, cursor.as_ref()).map_err(|error| error.to_string())?;
        for found in &page.matches {
            assert!(ids.insert(found.id.to_string()), "{url}: {} on two pages", found.id);
        }
        cursor = page.next;
        if cursor.is_none() {
            return Ok((ids, page.total.unwrap()));
        }
    }
}

/// The type of the query's first parameter with its modifier.
fn label(rules: &Rules, url: &str) -> String {
    let (kind, text) = url.split_once('?').unwrap();
    let name = text.split(['=', '&']).next().unwrap();
    if name.starts_with("_has") {
        return "reverse chain".to_owned();
    }
    if name.contains('.') {
        return "chain".to_owned();
    }
    let (code, modifier) = name.split_once(':').map_or((name, ""), |(code, m)| (code, m));
    let found = rules.parameter(ResourceType::parse(kind).unwrap(), code);
    let found = found.map_or("unknown", |parameter| parameter.definition.kind.as_str());
    if modifier.is_empty() { found.to_owned() } else { format!("{found} :{modifier}") }
}

#[test]
fn every_case_but_the_known() {
    let Some(cases) = cases() else { return };
    let (store, rules) = (MemoryStore::new(), rules());
    let list = std::fs::read_to_string(cases.join("search-tests/dataset.txt")).unwrap();
    for file in list.lines() {
        let text = std::fs::read_to_string(cases.join("r4-examples").join(file)).unwrap();
        put(&store, &rules, &text);
    }
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let known = std::fs::read_to_string(here.join("conformance/search/known.json")).unwrap();
    let known: BTreeMap<String, String> = serde_json::from_str(&known).unwrap();
    let (mut counts, mut misses) = (BTreeMap::<String, (usize, usize)>::new(), BTreeSet::new());
    let text = std::fs::read_to_string(cases.join("search-tests/cases.jsonl")).unwrap();
    for line in text.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        let (id, url) = (case["id"].as_str().unwrap(), case["query"].as_str().unwrap());
        let expected: BTreeSet<String> = serde_json::from_value(case["expected"].clone()).unwrap();
        let found = search(&store, &rules, url);
        let count = counts.entry(label(&rules, url)).or_default();
        let total = u64::try_from(expected.len()).unwrap();
        if found.as_ref().is_ok_and(|found| *found == (expected.clone(), total)) {
            count.0 += 1;
        } else {
            count.1 += 1;
            misses.insert(id.to_owned());
            if !known.contains_key(id) {
                println!("{id} {url}\n  expected {expected:?}\n  found    {found:?}");
            }
        }
    }
    for (label, (passed, missed)) in &counts {
        println!("{label}: {passed} passed, {missed} missed");
    }
    let known: BTreeSet<String> = known.into_keys().collect();
    assert_eq!(misses, known);
}
