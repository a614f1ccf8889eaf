//! What a summary withholds cannot be had by subtraction: for every Measure that ships, over random
//! episodes, what the whole leaves over beside the strata that are told is nothing, or no small
//! number, and never one stratum alone.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    reason = "a test may fail loudly"
)]

use serde_json::Value;
use spondyl::audit::report::{Frame, Kind, report};
use spondyl::audit::{Facts, Indicator, Pair, Suppression, evaluate};
use spondyl::clinical::source::Day;
use spondyl::fhir::Instant;
use spondyl::statistics::Confidence;

const LEAST: u64 = 5;

/// Numbers of a linear congruential generator (Knuth, MMIX; from memory): any would do.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, most: u64) -> u64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % most
    }

    fn often(&mut self) -> bool {
        self.below(10) < 7
    }
}

fn pair(numbers: &mut Numbers) -> Option<Pair> {
    let known = numbers.often();
    numbers.often().then(|| Pair {
        at_start: numbers.often(),
        first: numbers.below(10) as f64,
        latest: known.then(|| numbers.below(10) as f64),
        improved: known.then(|| numbers.often()),
        past_error: known.then(|| numbers.often()),
        room: known.then(|| numbers.often()),
    })
}

fn facts(numbers: &mut Numbers, number: usize) -> Facts {
    let day = |month: u64| Day::parse(&format!("2026-{:02}-10", month + 1));
    let (sites, habit) = (numbers.below(4) as u32, numbers.below(4));
    let rare = 2 + 12 * (numbers.below(2));
    let thrust = numbers.often();
    Facts {
        episode: format!("EpisodeOfCare/{number}"),
        practitioner: numbers.often().then(|| format!("Practitioner/{}", numbers.below(6))),
        site: Some(format!("Organization/{}", numbers.below(3))),
        referred: numbers.often(),
        referrer: Some(format!("Practitioner/r{}", numbers.below(3))),
        start: Day::parse("2026-01-01"),
        end: day(numbers.below(12)),
        end_reason: numbers.often().then(|| "goals-met".to_owned()),
        age: numbers.often().then(|| 15 + numbers.below(70).cast_signed()),
        sex: numbers.often().then(|| "female".to_owned()),
        attended: numbers.below(5) as u32,
        disability: pair(numbers),
        pain: pair(numbers),
        function: pair(numbers),
        severity: numbers.often().then(|| "mild".to_owned()),
        treated: numbers.often(),
        thrust,
        screened: numbers.often().then(|| numbers.often()),
        consented: numbers.often().then(|| numbers.often()),
        thrust_prepared: thrust.then(|| numbers.often()),
        sites,
        sites_loose: sites.min(numbers.below(2) as u32),
        loose_found: numbers.often(),
        mapped: sites,
        mapped_again: sites.min(numbers.below(4) as u32),
        retests_planned: numbers.below(2) as u32,
        habit_first: (habit > 0).then_some(habit as f64),
        habit_latest: (habit > 1).then_some(0.0),
        // So rare in some clinics that a rate rests on a handful of events.
        adverse_events: u32::from(numbers.below(rare) == 0) * (1 + numbers.below(2) as u32),
        red_flag: numbers.often(),
        red_flag_referred: numbers.often(),
        letter: day(numbers.below(12)),
        ..Facts::default()
    }
}

/// The counts that a group or a stratum tells, by name.
fn told(part: &Value) -> Vec<(String, u64)> {
    let populations = part["population"].as_array().into_iter().flatten();
    let populations = populations.filter_map(|population| {
        let code = population["code"]["coding"][0]["code"].as_str()?;
        Some((code.to_owned(), population["count"].as_u64()?))
    });
    let figure = part["extension"].as_array().into_iter().flatten();
    let parts = figure.filter_map(|figure| figure["extension"].as_array()).flatten();
    let counts = parts.filter_map(|part| {
        let name =
            part["url"].as_str().filter(|name| ["count", "of", "n", "events"].contains(name))?;
        Some((name.to_owned(), part["valueUnsignedInt"].as_u64()?))
    });
    populations.chain(counts).collect()
}

fn check(report: &Value, place: &str) -> usize {
    let mut looked = 0;
    for group in report["group"].as_array().unwrap() {
        let whole = told(group);
        let splits = group["stratifier"].as_array().into_iter().flatten();
        for split in splits {
            let strata: Vec<_> = split["stratum"].as_array().unwrap().iter().map(told).collect();
            for (name, all) in &whole {
                let of = |counts: &Vec<(String, u64)>| {
                    counts.iter().find(|(own, _)| own == name).map(|(_, count)| *count)
                };
                let known: Vec<u64> = strata.iter().filter_map(of).collect();
                let hidden = strata.len() - known.len();
                let left = all - known.iter().sum::<u64>();
                let code = &split["code"][0]["coding"][0]["code"];
                let sits = format!("{place} {code} {name}: {hidden} hidden, {left} left of {all}");
                assert!(left == 0 || left >= LEAST, "{sits}");
                assert!(
                    hidden != 1 || left == 0 || known.iter().all(|count| *count == 0),
                    "{sits}"
                );
                looked += usize::from(hidden > 0);
            }
        }
    }
    looked
}

/// The events that a report tells, of the whole and of each stratum; where they are withheld neither
/// exposure nor rate is told.
fn events(report: &Value) -> Vec<(Value, u64)> {
    let groups = report["group"].as_array().unwrap();
    let strata = groups.iter().flat_map(|group| group["stratifier"].as_array().unwrap());
    let strata = strata.flat_map(|split| split["stratum"].as_array().unwrap());
    let parts = groups.iter().chain(strata).map(|part| {
        let told = told(part).into_iter().find(|(name, _)| name == "events");
        let figure = part["extension"].to_string();
        assert!(told.is_some() || !figure.contains("\"exposure\""), "{figure}");
        told.map(|(_, events)| (part["value"].clone(), events))
    });
    parts.flatten().collect()
}

#[test]
fn nothing_small_is_left_over() {
    let (mut looked, mut measures, mut rates) = (0, 0, [0, 0]);
    for entry in std::fs::read_dir("schemas/profile").unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if !name.starts_with("measure-") {
            continue;
        }
        measures += 1;
        let measure = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
        let indicator = Indicator::of(&measure).unwrap();
        for (seed, size) in (0..15).map(|seed| (seed, 10 + 20 * seed as usize)) {
            let mut numbers = Numbers(seed);
            let all: Vec<Facts> = (0..size).map(|at| facts(&mut numbers, at)).collect();
            let all: Vec<&Facts> = all.iter().collect();
            let evaluation = evaluate(&indicator, &all, Confidence::USUAL);
            let frame = Frame {
                kind: Kind::Summary,
                subject: None,
                period: ("2026-01-01", "2026-12-31"),
                now: Instant::parse("2027-01-01T00:00:00Z").unwrap(),
                commit: 1,
                confidence: Confidence::USUAL,
                suppression: Suppression { least: LEAST },
                evidence: &[],
            };
            let report = report(&indicator, &evaluation, &all, &frame);
            looked += check(&report, &format!("{name} seed {seed}"));
            for (part, events) in events(&report) {
                assert!(events == 0 || events >= LEAST, "{name} seed {seed}: {part}");
                rates[usize::from(events > 0)] += 1;
            }
        }
    }
    assert!(rates[0] > 5 && rates[1] > 100, "rates of nothing and of something: {rates:?}");
    assert!(measures >= 20 && looked > 300, "{measures} measures, {looked} splits withheld from");
}
