//! A release of 400,000 concepts: how long it takes to load and to come back from disk, what it holds
//! of memory, and how fast it answers, beside a walk over parents.
//!
//! The release has the form of SNOMED CT's and invented content: two names and two parents for each
//! concept, nearer to the root more often, so that depth and breadth are like those of a real
//! hierarchy. Times of loading and memory are printed before the benchmarks; `CONCEPTS=<number>`
//! takes another size. `cargo bench --bench terminology` runs it.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    reason = "a program that may stop loudly"
)]

use std::collections::{HashMap, HashSet};
use std::fmt::Write as _;
use std::hint::black_box;
use std::sync::Arc;
use std::time::Instant;

use criterion::{Criterion, criterion_group, criterion_main};
use serde_json::{Value, json};
use spondyl::definitions::Definitions;
use spondyl::terminology::expand::{ExpandRequest, ValueSetSource, expand};
use spondyl::terminology::load::snomed;
use spondyl::terminology::subsumes::{Outcome, compare};
use spondyl::terminology::{CodeSystem, Membership, Terminology};

const SYSTEM: &str = "http://snomed.info/sct";

/// Numbers that are the same in every run.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (self.0 >> 33) % below
    }
}

fn code(number: u64) -> u64 {
    100_000_000 + number * 10
}

/// The files of a release, and the parents of each concept by number.
struct Release {
    concepts: String,
    descriptions: String,
    relationships: String,
    parents: Vec<[u32; 2]>,
}

fn release(count: u64) -> Release {
    let mut numbers = Numbers(1);
    let mut release = Release {
        concepts: "id\teffectiveTime\tactive\tmoduleId\tdefinitionStatusId\n".to_owned(),
        descriptions: "id\teffectiveTime\tactive\tconceptId\tlanguageCode\ttypeId\tterm\n"
            .to_owned(),
        relationships:
            "id\teffectiveTime\tactive\tsourceId\tdestinationId\ttypeId\tcharacteristicTypeId\n"
                .to_owned(),
        parents: Vec::new(),
    };
    for number in 0..count {
        let id = code(number);
        writeln!(release.concepts, "{id}\t20260101\t1\t9\t0").unwrap();
        for (kind, term) in [
            ("900000000000003001", "Invented finding of number"),
            ("900000000000013009", "Finding"),
        ] {
            let row = format!("{id}1\t20260101\t1\t{id}\ten\t{kind}\t{term} {number}");
            writeln!(release.descriptions, "{row}").unwrap();
        }
        let mut parents = [u32::MAX; 2];
        for parent in parents.iter_mut().filter(|_| number > 0) {
            let near = numbers.next(number) + 1;
            *parent = numbers.next(near) as u32;
            let up = code(u64::from(*parent));
            writeln!(release.relationships, "1\t20260101\t1\t{id}\t{up}\t116680003\t0").unwrap();
        }
        release.parents.push(parents);
    }
    release
}

fn load(release: &Release) -> CodeSystem {
    let snapshot = snomed::Snapshot {
        concepts: release.concepts.as_bytes(),
        descriptions: release.descriptions.as_bytes(),
        relationships: release.relationships.as_bytes(),
        language: None::<&[u8]>,
        dialect: None,
    };
    snomed::load(snapshot, "").unwrap()
}

/// The memory of this process in MB.
fn memory() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS")).unwrap_or_default();
    let digits: String = line.chars().filter(char::is_ascii_digit).collect();
    digits.parse::<u64>().unwrap_or_default() / 1000
}

/// The peer: the parents of each code in a map, walked up until the ancestor is met.
fn walk(parents: &HashMap<u64, Vec<u64>>, child: u64, ancestor: u64) -> bool {
    let mut todo = vec![child];
    let mut seen = HashSet::from([child]);
    while let Some(next) = todo.pop() {
        if next == ancestor {
            return true;
        }
        todo.extend(parents[&next].iter().filter(|parent| seen.insert(**parent)));
    }
    false
}

fn answers(criterion: &mut Criterion) {
    let count: u64 = std::env::var("CONCEPTS").map_or(400_000, |text| text.parse().unwrap());
    let files = release(count);
    let parents: HashMap<u64, Vec<u64>> = files
        .parents
        .iter()
        .zip(0..)
        .map(|(parents, number)| {
            let up = parents.iter().filter(|parent| **parent != u32::MAX);
            (code(number), up.map(|parent| code(u64::from(*parent))).collect())
        })
        .collect();
    let before = memory();
    let start = Instant::now();
    let system = load(&files);
    println!("{count} concepts: loaded in {:.2?}, {} MB more", start.elapsed(), memory() - before);
    drop(files);
    let bytes = system.to_bytes();
    drop(system);
    let start = Instant::now();
    let system = CodeSystem::from_bytes(&bytes).unwrap();
    println!("kept form of {} MB: read in {:.2?}", bytes.len() / 1_000_000, start.elapsed());
    drop(bytes);
    subsumption(criterion, &system, &parents, count);
    questions(criterion, system, count);
}

fn subsumption(
    criterion: &mut Criterion,
    system: &CodeSystem,
    parents: &HashMap<u64, Vec<u64>>,
    count: u64,
) {
    let mut numbers = Numbers(7);
    // Half of the ancestors are near the root, so that many pairs are related.
    let pairs: Vec<(u64, u64)> = (0..1_000)
        .map(|at| {
            (code(numbers.next(count)), code(numbers.next(if at % 2 == 0 { 50 } else { count })))
        })
        .collect();
    let texts: Vec<(String, String)> =
        pairs.iter().map(|(child, up)| (child.to_string(), up.to_string())).collect();
    let by_system = |(child, up): &(String, String)| {
        let outcome = compare(system, up, child).unwrap();
        matches!(outcome, Outcome::Subsumes | Outcome::Equivalent)
    };
    // Both must say the same of every pair.
    for (numbers, texts) in pairs.iter().zip(&texts) {
        assert_eq!(walk(parents, numbers.0, numbers.1), by_system(texts), "{numbers:?}");
    }
    let mut group = criterion.benchmark_group("subsumes, 1,000 pairs");
    group.bench_function("by ranges", |bencher| {
        bencher.iter(|| texts.iter().filter(|pair| by_system(pair)).count());
    });
    group.sample_size(10).bench_function("peer: a walk over parents", |bencher| {
        bencher.iter(|| pairs.iter().filter(|(child, up)| walk(parents, *child, *up)).count());
    });
    group.finish();
}

fn questions(criterion: &mut Criterion, system: CodeSystem, count: u64) {
    let top = code(1).to_string();
    let filter = json!([{ "property": "concept", "op": "is-a", "value": top }]);
    let set = json!({ "resourceType": "ValueSet", "url": "http://a.example/set", "status": "active",
        "compose": { "include": [{ "system": SYSTEM, "filter": filter }] } });
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    held.add_code_system(system).unwrap();
    held.add(&set).unwrap();
    let mut numbers = Numbers(9);
    let codes: Vec<String> = (0..1_000).map(|_| code(numbers.next(count)).to_string()).collect();
    let mut group = criterion.benchmark_group("one set of a branch");
    group.bench_function("membership of 1,000 codes", |bencher| {
        let url = "http://a.example/set";
        let is_in = |code: &&String| held.membership(url, Some(SYSTEM), code) == Membership::In;
        bencher.iter(|| codes.iter().filter(is_in).count());
    });
    let page = |filter: Option<&'static str>| -> Value {
        let source = ValueSetSource::Canonical("http://a.example/set");
        let mut request = ExpandRequest::new(source, "2026-01-01T00:00:00Z");
        (request.filter, request.count) = (filter, Some(20));
        expand(&held, &request).unwrap()
    };
    println!("the branch has {} codes", page(None)["expansion"]["total"]);
    group.sample_size(10).bench_function("a page of 20", |bencher| {
        bencher.iter(|| black_box(page(None)));
    });
    group.bench_function("a page of 20 by words", |bencher| {
        bencher.iter(|| black_box(page(Some("number 12"))));
    });
    group.finish();
}

criterion_group!(benches, answers);
criterion_main!(benches);
