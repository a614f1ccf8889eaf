//! Validation beside the bare jsonschema crate in the same run, as ratios.
//!
//! - Observations of about 1.2 kB, held to profile, bindings and invariants, beside the jsonschema
//!   crate alone on the same instance with the structural schema only;
//! - Bundles of 1, 10, 100 and 1,000 entries: the time of an entry, which should stay as it is;
//! - instances a second on one core and on all;
//! - the memory of a validator with all types and profiles compiled.
//!
//! `cargo bench --bench validate` runs it. Phases alternate and the median of the rounds counts.
//! `tests/peer/speed.py` sets the same instance beside Python's model libraries.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a program for people, which may stop loudly"
)]

use std::collections::BTreeSet;
use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

use criterion::Criterion;
use serde_json::{Map, Value, json};
use spondyl::definitions::Definitions;
use spondyl::fhir::{Issue, Resource, json as text};
use spondyl::validation::Validator;

const DEMO: &str = include_str!("../../src/demo/clinic/01-aldis-improved.json");
const ROUNDS: usize = 9;
const PHASE: Duration = Duration::from_millis(100);

/// What is measured: profile, and the id of a demo instance of it.
const SUBJECTS: [(&str, &str); 3] = [
    ("segmental-mobility", "demo-aldis-v1-seg-C0-C1-both"),
    ("range-of-motion", "demo-aldis-v1-rom-cervical-flexion-active"),
    ("blood-pressure", "demo-aldis-v1-bp"),
];

fn demo() -> Vec<Value> {
    let bundle: Value = serde_json::from_str(DEMO).unwrap();
    bundle["entry"].as_array().unwrap().iter().map(|entry| entry["resource"].clone()).collect()
}

/// A demo instance without its narrative, which the structural schema could not judge.
fn subject(id: &str) -> Resource {
    let mut found = demo().into_iter().find(|resource| resource["id"] == id).unwrap();
    found.as_object_mut().unwrap().shift_remove("text");
    Resource::from_value(found).unwrap()
}

/// The structural part of a type's schema as one document, keywords of our own left out.
fn structural(name: &str) -> jsonschema::Validator {
    let mut defs = Map::new();
    let mut todo = vec![("resource", name.to_owned())];
    let mut seen = BTreeSet::from([name.to_owned()]);
    while let Some((folder, name)) = todo.pop() {
        let root = env!("CARGO_MANIFEST_DIR");
        let file = std::fs::read(format!("{root}/schemas/{folder}/{name}.json")).unwrap();
        let mut schema: Value = serde_json::from_slice(&file).unwrap();
        let mut names = Vec::new();
        strip(&mut schema, &mut names);
        let object = schema.as_object_mut().unwrap();
        if let Some(Value::Object(backbones)) = object.shift_remove("$defs") {
            defs.extend(backbones);
        }
        defs.insert(name, schema);
        todo.extend(names.into_iter().filter(|n| seen.insert(n.clone())).map(|n| ("datatype", n)));
    }
    let whole = json!({ "$ref": format!("#/$defs/{name}"), "$defs": defs });
    jsonschema::draft202012::new(&whole).unwrap()
}

fn strip(schema: &mut Value, names: &mut Vec<String>) {
    match schema {
        Value::Object(object) => {
            object.retain(|key, _| !key.starts_with("x-") && !["$schema", "$id"].contains(&&**key));
            if let Some(Value::String(target)) = object.get_mut("$ref")
                && let Some(name) = target.strip_prefix("../datatype/")
            {
                let name = name.trim_end_matches(".json").to_owned();
                *target = format!("#/$defs/{name}");
                names.push(name);
            }
            object.values_mut().for_each(|value| strip(value, names));
        }
        Value::Array(list) => list.iter_mut().for_each(|value| strip(value, names)),
        _ => {}
    }
}

/// Nanoseconds of one call: as many calls as fit into a phase.
fn once(work: &mut dyn FnMut()) -> f64 {
    let start = Instant::now();
    let mut calls = 0_u32;
    while start.elapsed() < PHASE {
        for _ in 0..8 {
            work();
        }
        calls += 8;
    }
    start.elapsed().as_nanos() as f64 / f64::from(calls)
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// The median times of two things, measured in turn.
fn beside(first: &mut dyn FnMut(), second: &mut dyn FnMut()) -> (f64, f64) {
    let rounds: Vec<(f64, f64)> = (0..ROUNDS).map(|_| (once(first), once(second))).collect();
    (median(rounds.iter().map(|r| r.0).collect()), median(rounds.iter().map(|r| r.1).collect()))
}

/// Resident memory in KiB, where the system tells.
fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS:"));
    line.and_then(|line| line.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
}

fn bundle(entries: usize) -> Resource {
    let observation = subject(SUBJECTS[0].1).into_value();
    let entry = |at: usize| {
        let mut resource = observation.clone();
        resource["id"] = json!(format!("o{at}"));
        json!({ "fullUrl": format!("https://spondyl.example/fhir/Observation/o{at}"),
            "resource": resource })
    };
    let entries: Vec<Value> = (0..entries).map(entry).collect();
    Resource::from_value(json!({ "resourceType": "Bundle", "type": "collection",
        "entry": entries }))
    .unwrap()
}

fn observations(validator: &Validator, criterion: &mut Criterion) {
    let bare = structural("Observation");
    let mut group = criterion.benchmark_group("observation");
    for (profile, id) in SUBJECTS {
        let resource = subject(id);
        let issues = validator.check(&resource);
        assert!(!issues.iter().any(Issue::is_error), "{id}: {issues:?}");
        assert!(bare.is_valid(resource.value()), "{id}");
        let bytes = resource.to_bytes();
        let (ours, theirs) =
            beside(&mut || drop(black_box(validator.check(&resource))), &mut || {
                black_box(bare.is_valid(resource.value()));
            });
        let (all, parse) = beside(
            &mut || {
                let value = text::parse(&bytes, text::MAX_DEPTH).unwrap();
                let resource = Resource::from_value(value).unwrap();
                black_box(validator.check(&resource));
            },
            &mut || drop(black_box(text::parse(&bytes, text::MAX_DEPTH).unwrap())),
        );
        println!(
            "{profile}, {} bytes, {} warnings: {:.1} us; bare jsonschema {:.1} us; ratio {:.1}; \
             from bytes {:.1} us, of which {:.1} us are parsing",
            bytes.len(),
            issues.len(),
            ours / 1e3,
            theirs / 1e3,
            ours / theirs,
            all / 1e3,
            parse / 1e3
        );
        group.bench_function(profile, |b| b.iter(|| validator.check(black_box(&resource))));
        group.bench_function(format!("{profile}/bare"), |b| {
            b.iter(|| bare.is_valid(black_box(resource.value())));
        });
    }
}

fn bundles(validator: &Validator) {
    let mut first = None;
    for entries in [1, 10, 100, 1_000] {
        let bundle = bundle(entries);
        assert!(!validator.check(&bundle).iter().any(Issue::is_error));
        let times = (0..ROUNDS).map(|_| once(&mut || drop(black_box(validator.check(&bundle)))));
        let each = median(times.collect()) / entries as f64;
        let ratio = each / *first.get_or_insert(each);
        println!("Bundle of {entries}: {:.1} us an entry; ratio {ratio:.2}", each / 1e3);
    }
}

fn throughput(validator: &Validator) {
    let resources: Vec<Resource> =
        demo().into_iter().map(|value| Resource::from_value(value).unwrap()).collect();
    let bytes: usize = resources.iter().map(|resource| resource.to_bytes().len()).sum();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let mut single = None;
    for threads in BTreeSet::from([1, cores]) {
        let start = Instant::now();
        let pass = || resources.iter().for_each(|r| drop(black_box(validator.check(r))));
        let run = || {
            let mut passes = 0_usize;
            while start.elapsed() < Duration::from_secs(2) {
                pass();
                passes += 1;
            }
            passes
        };
        let passes: usize = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..threads).map(|_| scope.spawn(run)).collect();
            threads.into_iter().map(|thread| thread.join().unwrap()).sum()
        });
        let seconds = start.elapsed().as_secs_f64();
        let rate = (passes * resources.len()) as f64 / seconds;
        let speed = (passes * bytes) as f64 / seconds / 1e6;
        let ratio = rate / *single.get_or_insert(rate);
        println!(
            "{threads} threads: {rate:.0} demo resources/s, {speed:.0} MB/s; ratio {ratio:.2}"
        );
    }
}

fn main() {
    let empty = resident();
    let start = Instant::now();
    let validator = Validator::new(Arc::new(Definitions::embedded().unwrap()));
    let (loaded, loading) = (resident(), start.elapsed());
    let few = subject(SUBJECTS[0].1);
    drop(black_box(validator.check(&few)));
    let first = resident();
    assert_eq!(validator.faults(), Vec::<String>::new());
    println!(
        "memory: {} MiB with the definitions loaded ({loading:.0?}), {} MiB after a first Observation, \
         {} MiB with all types and profiles compiled ({:.1?})",
        (loaded - empty) / 1024,
        (first - empty) / 1024,
        (resident() - empty) / 1024,
        start.elapsed()
    );
    let mut criterion = Criterion::default().configure_from_args();
    observations(&validator, &mut criterion);
    bundles(&validator);
    throughput(&validator);
    criterion.final_summary();
}
