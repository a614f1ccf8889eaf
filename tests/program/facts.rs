//! `spondyl rebuild` and `spondyl check`: the facts that audits count, against the records.

use std::path::Path;
use std::process::Output;

use spondyl::repository::{facts, key};
use spondyl::store::{Batch, SledStore, Store};

use crate::spondyl;

fn run(words: &[&str]) -> Output {
    spondyl().args(words).output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// Writes rows as nobody should.
fn tamper(directory: &Path, write: impl FnOnce(&dyn Store) -> Batch) {
    let store = SledStore::open(directory, 16 << 20).unwrap();
    let batch = write(&store);
    store.commit(batch).unwrap();
}

fn first(store: &dyn Store) -> facts::Kept {
    let view = store.view().unwrap();
    facts::all(&*view).next().unwrap().unwrap()
}

#[test]
fn what_is_kept_is_made_and_checked() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("store");
    let data = path.to_str().unwrap();
    let made = run(&["generate", "clinic", "--patients", "12", "--seed", "4", "--load", data]);
    assert!(made.status.success(), "{made:?}");
    let check = || run(&["check", "--data", data]);
    let none = check();
    assert!(none.status.success() && told(&none).contains("none are kept"), "{none:?}");

    let table = directory.path().join("facts.ndjson");
    let out = table.to_str().unwrap();
    let rebuilt = run(&["rebuild", "--data", data, "--out", out, "--beside-scan"]);
    assert!(rebuilt.status.success(), "{rebuilt:?}");
    let said = told(&rebuilt);
    assert!(said.contains("episodes computed in") && said.contains("rows read once"), "{said}");
    let lines = std::fs::read_to_string(&table).unwrap();
    let episodes = lines.lines().count();
    assert!(episodes >= 12 && said.starts_with(&format!("{episodes} episodes")), "{said}");
    let well = check();
    let line = format!("facts of episodes: well: {episodes} compared with the records, 0 faults\n");
    assert!(well.status.success() && told(&well).starts_with(&line), "{well:?}");

    // Facts that are not those of the record, a row too many, a way that leads nowhere.
    tamper(&path, |store| {
        let kept = first(store);
        let mut own = spondyl::audit::Facts::from_bytes(&kept.facts).unwrap();
        own.attended += 1;
        own.red_flag = !own.red_flag;
        let mut batch = Batch::default();
        let view = store.view().unwrap();
        let bytes = own.to_bytes();
        facts::add(&mut batch, &*view, &kept.episode, Some((&bytes, &kept.named))).unwrap();
        let (kind, id) = kept.named.first().unwrap();
        batch.writes.push((key::facts_naming(*kind, id, &kept.episode), None));
        let nobody = spondyl::fhir::Id::parse("nobody").unwrap();
        facts::add(&mut batch, &*view, &nobody, Some((&kept.facts, &kept.named))).unwrap();
        batch
    });
    let wrong = check();
    assert_eq!(wrong.status.code(), Some(1), "{wrong:?}");
    let said = told(&wrong);
    for part in [
        "3 faults",
        "kept and computed differ in attended, red_flag",
        "does not lead to it",
        "EpisodeOfCare/nobody: facts are kept, but there is no such episode",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }

    assert!(run(&["rebuild", "--data", data]).status.success());
    assert!(told(&check()).starts_with(&line));

    tamper(&path, |store| {
        let view = store.view().unwrap();
        let state = facts::state(&*view).unwrap().unwrap();
        let state = facts::State { edition: "another".into(), ..state };
        Batch { writes: vec![facts::note(&state)], ..Batch::default() }
    });
    let other = check();
    assert!(other.status.success() && told(&other).contains("another program"), "{other:?}");
    let missing = directory.path().join("none");
    for command in ["check", "rebuild"] {
        let told = run(&[command, "--data", missing.to_str().unwrap()]);
        assert_eq!(told.status.code(), Some(3), "{told:?}");
    }
}
