//! The whole way from bytes to outcome, on inputs that nobody would send: no panic, no hang, and no
//! more memory with every input.
//!
//! `cargo test` tries some thousands. A long run, kept apart because it takes hours:
//! `SPONDYL_FUZZ=10000000 cargo test --release --test fuzz -- --nocapture`, with `SPONDYL_FUZZ_SEED` for
//! other inputs than the last time. An input that breaks something is written to `target/tmp`; with
//! the fault mended it belongs into `conformance/validation/corpus`.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test may fail loudly"
)]

mod corpus;
mod mutator;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use spondyl::definitions::{Definitions, embedded};
use spondyl::fhir::outcome::operation_outcome;
use spondyl::fhir::{Issue, IssueType, Resource, json};
use spondyl::validation::Validator;

use corpus::Corpus;
use mutator::Random;

/// Longer than any input may take, however slow the machine.
const HANG: Duration = Duration::from_mins(1);

fn number(name: &str, default: u64) -> u64 {
    std::env::var(name).map_or(default, |text| text.parse().unwrap())
}

/// What the program says of the bytes.
fn issues(validator: &Validator, bytes: &[u8], profile: Option<&str>) -> Vec<Issue> {
    let refuse = |text: String| vec![Issue::error(IssueType::Structure, text)];
    let resource = match json::parse(bytes, json::MAX_DEPTH).map(Resource::from_value) {
        Ok(Ok(resource)) => resource,
        Ok(Err(error)) => return refuse(error.to_string()),
        Err(malformed) => return refuse(malformed.told()),
    };
    let found = match profile {
        Some(profile) => validator.check_profile(&resource, profile).unwrap(),
        None => validator.check(&resource),
    };
    assert!(found.iter().all(|issue| issue.expression.is_some()), "an issue without a place");
    found
}

/// Judges the bytes; the outcome must be sound itself.
fn judge(validator: &Validator, bytes: &[u8], profile: Option<&str>, look: bool) -> bool {
    let found = issues(validator, bytes, profile);
    let outcome = operation_outcome(&found);
    if look {
        let text = outcome.to_string();
        let parsed = json::parse(text.as_bytes(), json::MAX_DEPTH).unwrap();
        let about = validator.check(&Resource::from_value(parsed).unwrap());
        assert!(!about.iter().any(Issue::is_error), "the outcome is not sound: {about:?}\n{text}");
    }
    !found.iter().any(Issue::is_error)
}

/// Resident memory in KiB, where the system tells.
fn resident() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// One thread's place: what it is at, since when.
type Slot = Mutex<Option<(Instant, Vec<u8>)>>;

#[derive(Default)]
struct Tally {
    done: AtomicU64,
    sound: AtomicU64,
    slowest: Mutex<(Duration, Vec<u8>)>,
    broken: Mutex<Vec<String>>,
}

fn keep(bytes: &[u8], name: &str) -> String {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(&path, bytes).unwrap();
    path.display().to_string()
}

struct Run<'a> {
    validator: &'a Validator,
    corpus: &'a Corpus,
    profiles: &'a [String],
    tally: &'a Tally,
    seed: u64,
}

impl Run<'_> {
    fn one(&self, index: u64, slot: &Slot) {
        let mut random = Random::new(self.seed.wrapping_mul(0x1_0000_0001).wrapping_add(index));
        let bytes = mutator::input(self.corpus, &mut random);
        let profile = random.once_in(4).then(|| random.pick(self.profiles).as_str());
        let look = random.once_in(16);
        let start = Instant::now();
        *slot.lock().unwrap() = Some((start, bytes.clone()));
        let judged =
            catch_unwind(AssertUnwindSafe(|| judge(self.validator, &bytes, profile, look)));
        let took = start.elapsed();
        *slot.lock().unwrap() = None;
        if let Ok(sound) = judged {
            self.tally.sound.fetch_add(u64::from(sound), Ordering::Relaxed);
        } else {
            let kept = keep(&bytes, &format!("fuzz-{}-{index}.json", self.seed));
            self.tally.broken.lock().unwrap().push(format!("{kept} {profile:?}"));
        }
        self.tally.done.fetch_add(1, Ordering::Relaxed);
        let mut slowest = self.tally.slowest.lock().unwrap();
        if took > slowest.0 {
            *slowest = (took, bytes);
        }
    }

    /// The inputs of those numbers, on all cores; stops the program where one hangs.
    fn all(&self, numbers: std::ops::Range<u64>) {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let slots: Vec<Slot> = (0..threads).map(|_| Slot::default()).collect();
        let end = self.tally.done.load(Ordering::Relaxed) + (numbers.end - numbers.start);
        std::thread::scope(|scope| {
            for (thread, slot) in slots.iter().enumerate() {
                let mine = numbers.clone().skip(thread).step_by(threads);
                scope.spawn(move || mine.for_each(|index| self.one(index, slot)));
            }
            while self.tally.done.load(Ordering::Relaxed) < end {
                std::thread::sleep(Duration::from_millis(20));
                for slot in &slots {
                    let at = slot.lock().unwrap();
                    if let Some((_, bytes)) =
                        at.as_ref().filter(|(since, _)| since.elapsed() > HANG)
                    {
                        eprintln!("hangs: {}", keep(bytes, "fuzz-hang.json"));
                        std::process::exit(101);
                    }
                }
            }
        });
    }
}

#[test]
fn any_bytes_get_an_outcome() {
    let definitions = std::sync::Arc::new(Definitions::embedded().unwrap());
    let profiles: Vec<String> = embedded::files()
        .filter(|(path, _)| path.starts_with("profile/structure-definition-"))
        .map(|(_, bytes)| serde_json::from_slice::<serde_json::Value>(bytes).unwrap())
        .map(|profile| profile["url"].as_str().unwrap().to_owned())
        .collect();
    let validator = Validator::new(definitions);
    // Compiled before the first input, so that the slowest tells of the input.
    assert_eq!(validator.faults(), Vec::<String>::new());
    let (corpus, tally) = (Corpus::read(), Tally::default());
    for bytes in &corpus.kept {
        judge(&validator, bytes, None, true);
    }
    let seed = number("SPONDYL_FUZZ_SEED", 1);
    let count = number("SPONDYL_FUZZ", 6_000);
    let run =
        Run { validator: &validator, corpus: &corpus, profiles: &profiles, tally: &tally, seed };
    let start = Instant::now();
    // What is compiled on first use is there after a tenth.
    run.all(0..count / 10);
    let before = resident();
    run.all(count / 10..count);
    let after = resident();
    let sound = tally.sound.load(Ordering::Relaxed);
    println!("{count} inputs of seed {seed} in {:.1?}, {sound} of them sound", start.elapsed());
    let slowest = tally.slowest.lock().unwrap();
    println!("slowest {:?}: {}", slowest.0, keep(&slowest.1, "fuzz-slowest.json"));
    println!("resident KiB after a tenth and at the end: {before:?}, {after:?}");
    let broken = tally.broken.lock().unwrap();
    assert!(broken.is_empty(), "{} inputs broke something: {broken:#?}", broken.len());
    assert!(sound > count / 100, "hardly any input came through: {sound}");
    if let (Some(before), Some(after)) = (before, after) {
        assert!(after < before + before / 2 + 64 * 1024, "memory grew: {before} to {after} KiB");
    }
}
