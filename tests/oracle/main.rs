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
mod order;
mod world;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde_json::{Value, json};
use spondyl::app::{App, Held, Standard};
use spondyl::config::Config;
use spondyl::fhir::{Id, Instant, Resource, ResourceType};
use spondyl::interaction::query::pairs;
use spondyl::interaction::search::{Question, Scope, search};
use spondyl::repository::{Change, Method, batch};
use spondyl::store::MemoryStore;

use asked::Asked;
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

/// So many pages are turned at most, of sorted matches and of others; where there would be more,
/// each holds more.
const MOST_PAGES: [usize; 2] = [3, 8];

/// The ids on all pages, in their order. The total of the first page must be theirs.
fn ask(
    app: &App,
    held: &Held,
    asked: &Asked,
    expected: usize,
    now: i64,
) -> Result<Vec<String>, String> {
    let kind = ResourceType::parse(asked.kind).unwrap();
    let scope = match &asked.patient {
        Some(id) => Scope::Compartment(
            ResourceType::parse("Patient").unwrap(),
            Id::parse(id).unwrap(),
            Some(kind),
        ),
        None => Scope::Type(kind),
    };
    let most = MOST_PAGES[usize::from(asked.sort.is_empty())];
    let count = asked.count.max(expected.div_ceil(most));
    let mut parameters = asked.pairs.clone();
    parameters.push(("_count".to_owned(), count.to_string()));
    parameters.push(("_total".to_owned(), "accurate".to_owned()));
    parameters.push(("_sort".to_owned(), asked.sort.join(",")));
    let (mut ids, mut total) = (Vec::new(), None);
    loop {
        let question =
            Question { scope: scope.clone(), pairs: parameters, strict: true, most_rows: None };
        let view = app.store.view().unwrap();
        let bundle = search(held, &*view, &question, BASE, Instant::from_millis(now));
        let bundle = bundle.map_err(|error| format!("{:?}", error.issues()))?;
        for entry in &bundle.entries {
            let resource: Value = serde_json::from_slice(entry.resource.as_ref().unwrap()).unwrap();
            ids.push(world::id(&resource));
        }
        total = total.or(bundle.total);
        let Some((_, next)) = bundle.links.iter().find(|(name, _)| *name == "next") else { break };
        parameters = pairs(next.split_once('?').unwrap().1);
        // It would be found out anew for each page.
        parameters.retain(|(name, _)| name != "_total");
        parameters.push(("_total".to_owned(), "none".to_owned()));
    }
    if total != Some(ids.len() as u64) {
        return Err(format!("the total is told as {total:?}, {} were found", ids.len()));
    }
    Ok(ids)
}

/// What is wrong with the answer, if anything.
fn fault(answer: &Result<Vec<String>, String>, expected: &[String]) -> Option<String> {
    let ids = match answer {
        Err(error) => return Some(error.clone()),
        Ok(ids) if ids == expected => return None,
        Ok(ids) => ids,
    };
    let sets = [ids, expected].map(|ids| ids.iter().collect::<BTreeSet<_>>());
    if sets[0].len() < ids.len() {
        return Some("a match is on two pages".to_owned());
    }
    if sets[0] == sets[1] {
        let at = ids.iter().zip(expected).position(|(one, other)| one != other).unwrap();
        return Some(format!("match {at} is {} and not {}", ids[at], expected[at]));
    }
    let more: Vec<_> = sets[0].difference(&sets[1]).take(3).collect();
    let less: Vec<_> = sets[1].difference(&sets[0]).take(3).collect();
    Some(format!("{} found, too many {more:?}, missed {less:?}", ids.len()))
}

fn text(asked: &Asked) -> String {
    let mut pairs = asked.pairs.clone();
    pairs.push(("_sort".to_owned(), asked.sort.join(",")));
    let pairs: Vec<_> = pairs.iter().map(|(name, value)| format!("{name}={value}")).collect();
    let within = asked.patient.as_ref().map(|id| format!("Patient/{id}/")).unwrap_or_default();
    format!("{within}{}?{}", asked.kind, pairs.join("&"))
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
    asked::all().into_par_iter().for_each(|(kind, code)| drop(world.values(kind, code)));
    let mut dice = Dice::new(seed ^ 0xA5A5);
    let all: Vec<Asked> = (0..queries).map(|_| asked::query(&world, &mut dice)).collect();
    let found = AtomicUsize::new(0);
    let faults = all.par_iter().filter_map(|asked| {
        let expected = world.ordered(asked, &world.find(asked));
        found.fetch_add(usize::from(!expected.is_empty()), Ordering::Relaxed);
        let answer = ask(&app, &held, asked, expected.len(), now);
        fault(&answer, &expected).map(|what| format!("{}: {what}", text(asked)))
    });
    let (faults, found): (Vec<_>, usize) = (faults.collect(), found.into_inner());
    let mut kinds = BTreeMap::<&str, usize>::new();
    for (name, _) in all.iter().flat_map(|asked| &asked.pairs) {
        *kinds.entry(name.rsplit(['.', ':']).next().unwrap()).or_default() += 1;
    }
    println!("{queries} queries of {} resources, {found} find something", resources.len());
    println!("parameters and modifiers: {kinds:?}");
    assert!(found * 3 > queries, "most queries should find something");
    let told = faults.iter().take(30).cloned().collect::<Vec<_>>().join("\n");
    assert!(faults.is_empty(), "{} of {queries}:\n{told}", faults.len());
}
