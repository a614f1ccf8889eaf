//! The search oracle: generated queries over a generated clinic, answered by the server and by an
//! evaluator that was written apart from it: the published FHIRPath of each parameter over every
//! resource, and plain comparison from search.html. Both must find the same.
//!
//! `SPONDYL_ORACLE=10000 cargo test --test oracle` asks so many queries of 5,000 resources;
//! `SPONDYL_ORACLE_SEED` makes it another clinic with other queries.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::too_many_lines,
    reason = "a test says what is wrong by failing"
)]

mod asked;
mod clinic;
mod compare;
mod extract;
mod world;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use serde_json::{Value, json};
use spondyl::app::{App, Held, Standard};
use spondyl::config::Config;
use spondyl::fhir::{Id, Instant, Resource, ResourceType};
use spondyl::interaction::query::pairs;
use spondyl::interaction::search::{Question, Scope, search};
use spondyl::repository::{Change, Method, batch};
use spondyl::store::MemoryStore;

use clinic::{BASE, Dice};
use world::World;

fn app() -> App {
    let config = Config { base_url: Some(BASE.to_owned()), ..Config::default() };
    let standard = Arc::new(Standard::embedded().unwrap());
    App::on(config, Box::new(MemoryStore::new()), standard).unwrap()
}

/// Stores the resources as the server would, each a second after the one before, and puts into them
/// what the server stamps.
fn store(app: &App, held: &Held, resources: &mut [Value], start: i64) {
    for (at, chunk) in resources.chunks_mut(200).enumerate() {
        let mut changes = Vec::new();
        for (number, value) in chunk.iter_mut().enumerate() {
            let moment = Instant::from_millis(start + (at * 200 + number) as i64 * 1000);
            let resource = Resource::from_value(value.clone()).unwrap();
            let id = Id::parse(resource.id_text().unwrap()).unwrap();
            let entries = |resource: &Resource| held.entries(resource);
            changes.push(Change::write(None, Method::Put, id, resource, moment, entries));
            value["meta"]["lastUpdated"] = json!(moment.to_string());
        }
        let batch = batch(&*app.store.view().unwrap(), &changes).unwrap();
        app.store.commit(batch).unwrap();
    }
}

/// The ids on all pages, and the total.
fn ask(
    app: &App,
    held: &Held,
    (kind, asked): &asked::Asked,
    count: usize,
    now: i64,
) -> Result<BTreeSet<String>, String> {
    let scope = Scope::Type(ResourceType::parse(kind).unwrap());
    let mut parameters = asked.clone();
    parameters.push(("_count".to_owned(), count.to_string()));
    parameters.push(("_total".to_owned(), "accurate".to_owned()));
    let (mut ids, mut total) = (BTreeSet::new(), None);
    loop {
        let question =
            Question { scope: scope.clone(), pairs: parameters, strict: true, most_rows: None };
        let view = app.store.view().unwrap();
        let bundle = search(held, &*view, &question, BASE, Instant::from_millis(now));
        let bundle = bundle.map_err(|error| format!("{:?}", error.issues()))?;
        for entry in &bundle.entries {
            let resource: Value = serde_json::from_slice(entry.resource.as_ref().unwrap()).unwrap();
            if !ids.insert(world::id(&resource)) {
                return Err(format!("{} is on two pages", resource["id"]));
            }
        }
        total = bundle.total.or(total);
        let Some((_, next)) = bundle.links.iter().find(|(name, _)| *name == "next") else { break };
        parameters = pairs(next.split_once('?').unwrap().1);
    }
    if total != Some(ids.len() as u64) {
        return Err(format!("the total is told as {total:?}, {} were found", ids.len()));
    }
    Ok(ids)
}

#[test]
fn the_server_finds_what_the_oracle_finds() {
    let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse().ok());
    let queries = number("SPONDYL_ORACLE").unwrap_or(400);
    let seed = number("SPONDYL_ORACLE_SEED").unwrap_or(1) as u64;
    let count = if queries > 1000 { 5000 } else { 1500 };
    let start = Instant::parse("2026-01-05T08:00:00Z").unwrap().millis();
    let now = Instant::parse("2026-03-02T08:00:00Z").unwrap().millis();
    let mut resources = clinic::resources(count, seed);
    let app = app();
    let held = app.held();
    store(&app, &held, &mut resources, start);
    let world = World::new(&resources, now);
    let mut dice = Dice::new(seed ^ 0xA5A5);
    let (mut faults, mut found, mut kinds) = (Vec::new(), 0, BTreeMap::<String, usize>::new());
    for _ in 0..queries {
        let asked = asked::query(&world, &mut dice);
        let page = [7, 50, 1000][dice.below(3)];
        let expected = world.find(asked.0, &asked.1);
        let answer = ask(&app, &held, &asked, page, now);
        found += usize::from(!expected.is_empty());
        for (name, _) in &asked.1 {
            let kind = name.rsplit(['.', ':']).next().unwrap();
            *kinds.entry(kind.to_owned()).or_default() += 1;
        }
        if answer.as_ref() != Ok(&expected) {
            let text: Vec<_> =
                asked.1.iter().map(|(name, value)| format!("{name}={value}")).collect();
            let what = match answer {
                Err(error) => error,
                Ok(ids) => {
                    let more: Vec<_> = ids.difference(&expected).take(3).collect();
                    let less: Vec<_> = expected.difference(&ids).take(3).collect();
                    format!("{} found, too many {more:?}, missed {less:?}", ids.len())
                }
            };
            faults.push(format!("{}?{}: {what}", asked.0, text.join("&")));
        }
    }
    println!("{queries} queries of {} resources, {found} find something", resources.len());
    println!("parameters and modifiers: {kinds:?}");
    assert!(found * 3 > queries, "most queries should find something");
    let told = faults.iter().take(30).cloned().collect::<Vec<_>>().join("\n");
    assert!(faults.is_empty(), "{} of {queries}:\n{told}", faults.len());
}
