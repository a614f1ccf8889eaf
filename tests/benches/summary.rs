//! Summary and letter of an episode beside just reading its resources.
//!
//! An episode of 12 visits and 400 resources, made of the demo clinic's; then the same up to 10,000
//! resources, to see that the cost grows in line. `read` parses the bytes into resources; `summary`
//! builds record and summary from them and writes its JSON; `pdf` typesets the letter.
//! `cargo bench --bench summary` runs it.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a program that may stop loudly")]

use std::hint::black_box;

use criterion::{BatchSize, BenchmarkId, Criterion, criterion_group, criterion_main};
use serde_json::{Value, json};
use spondyl::clinical::{Record, summary};
use spondyl::fhir::{Instant, Resource};
use spondyl::letter;

const DEMO: &str = include_str!("../../src/demo/clinic/01-aldis-improved.json");
const CLINIC: &str = include_str!("../../src/demo/clinic/00-clinic.json");
const EPISODE: &str = "demo-aldis-episode";

fn resources(bundle: &str) -> Vec<Value> {
    let bundle: Value = serde_json::from_str(bundle).unwrap();
    bundle["entry"].as_array().unwrap().iter().map(|entry| entry["resource"].clone()).collect()
}

/// That many resources in as many visits: the demo's visits again and again, each a week later.
fn episode(count: usize, visits: usize) -> Vec<Vec<u8>> {
    let demo = resources(DEMO);
    let mut all: Vec<Value> = resources(CLINIC);
    let (of_visit, others): (Vec<Value>, Vec<Value>) = demo
        .into_iter()
        .partition(|r| ["Observation", "Procedure"].contains(&r["resourceType"].as_str().unwrap()));
    all.extend(others);
    for (at, original) in of_visit.iter().cycle().take(count.saturating_sub(all.len())).enumerate()
    {
        let visit = at * visits / count;
        let mut copy = original.clone();
        copy["id"] = json!(format!("r{at}"));
        let day = time::macros::date!(2026 - 03 - 09)
            + time::Duration::weeks(i64::try_from(visit).unwrap());
        let moment = json!(format!("{day}T09:{:02}:{:02}Z", at / 60 % 60, at % 60));
        let object = copy.as_object_mut().unwrap();
        object.remove("effectivePeriod");
        object.remove("hasMember");
        let name = if original["resourceType"] == "Procedure" {
            "performedDateTime"
        } else {
            "effectiveDateTime"
        };
        object.insert(name.to_owned(), moment);
        all.push(copy);
    }
    all.iter().map(|value| serde_json::to_vec(value).unwrap()).collect()
}

fn read(bytes: &[Vec<u8>]) -> Vec<Resource> {
    let one =
        |bytes: &Vec<u8>| Resource::from_value(serde_json::from_slice(bytes).unwrap()).unwrap();
    bytes.iter().map(one).collect()
}

fn own(resources: &[Resource]) -> &Resource {
    resources.iter().find(|resource| resource.id_text() == Some(EPISODE)).unwrap()
}

fn bench(criterion: &mut Criterion) {
    let now = Instant::parse("2026-11-25T09:00:00Z").unwrap();
    let mut group = criterion.benchmark_group("episode");
    group.sample_size(20);
    for (count, visits) in [(400, 12), (1000, 30), (10_000, 60)] {
        let bytes = episode(count, visits);
        let resources = read(&bytes);
        group.bench_with_input(BenchmarkId::new("read", count), &bytes, |b, bytes| {
            b.iter(|| black_box(read(bytes)));
        });
        group.bench_with_input(BenchmarkId::new("summary", count), &resources, |b, resources| {
            b.iter(|| {
                let record = Record::build(own(resources), resources);
                serde_json::to_vec(&black_box(summary(&record, now))).unwrap()
            });
        });
        if count == 400 {
            // Each letter is of another day: the typesetter remembers what it has set before.
            let record = Record::build(own(&resources), &resources);
            let mut day = 0;
            let mut next = || {
                day += 1;
                summary(&record, Instant::from_millis(now.millis() + day * 86_400_000))
            };
            let set = |summary| black_box(letter::pdf(&summary).unwrap());
            group.bench_function("pdf/400", |b| {
                b.iter_batched(&mut next, set, BatchSize::SmallInput);
            });
        }
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
