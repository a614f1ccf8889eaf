//! `spondyl generate` and `spondyl audit`: files, stores, reports, exit codes.

use std::path::Path;
use std::process::Output;

use serde_json::Value;

use crate::spondyl;

fn run(words: &[&str]) -> Output {
    spondyl().args(words).output().unwrap()
}

fn text(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap()
}

const PERIOD: [&str; 4] = ["--from", "2025-01-01", "--to", "2026-12-31"];

#[test]
fn the_same_seed_writes_the_same_files() {
    let directory = tempfile::tempdir().unwrap();
    let at = |name: &str| directory.path().join(name).to_str().unwrap().to_owned();
    for name in ["a.ndjson", "b.ndjson", "files"] {
        let made =
            run(&["generate", "clinic", "--patients", "30", "--seed", "4", "--out", &at(name)]);
        assert!(made.status.success(), "{made:?}");
    }
    let first = text(Path::new(&at("a.ndjson")));
    assert_eq!(first, text(Path::new(&at("b.ndjson"))));
    assert_eq!(first, text(&Path::new(&at("files")).join("clinic-00001.ndjson")));
    assert!(first.lines().count() > 31, "later versions are transactions of their own");
    let told = run(&["generate", "clinic", "--patients", "30", "--seed", "4"]);
    assert_eq!(first.as_bytes(), told.stdout);
    let none = run(&["generate", "clinic", "--patients", "0"]);
    assert_eq!(none.status.code(), Some(2));
}

#[test]
fn an_audit_of_a_store_gives_the_report_and_its_rows() {
    let directory = tempfile::tempdir().unwrap();
    let store = directory.path().join("store").to_str().unwrap().to_owned();
    let made = run(&["generate", "clinic", "--patients", "25", "--seed", "4", "--load", &store]);
    assert!(made.status.success(), "{made:?}");
    let audit = |more: &[&str]| {
        let words = [&["audit", "drop-out", "--store", &store], &PERIOD[..], more].concat();
        run(&words)
    };
    let json = audit(&["--format", "json"]);
    assert!(json.status.success(), "{json:?}");
    let report: Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(report["resourceType"], "MeasureReport");
    assert_eq!(report["group"][0]["stratifier"].as_array().unwrap().len(), 7);

    let rows = audit(&["--format", "ndjson", "--group-by", "site"]);
    let rows: Vec<Value> = String::from_utf8(rows.stdout)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert!(rows.len() > 1, "{rows:?}");
    let whole = &report["group"][0]["population"][0]["count"];
    assert_eq!(&rows[0]["initial-population"], whole);

    let csv = audit(&["--format", "csv", "--group-by", "site"]);
    let mut reader = csv::Reader::from_reader(csv.stdout.as_slice());
    assert_eq!(reader.headers().unwrap().get(0), Some("measure"));
    assert_eq!(reader.records().count(), rows.len());
    let table = String::from_utf8(audit(&[]).stdout).unwrap();
    assert!(table.contains("initial-population") && table.lines().count() == 2, "{table}");
}

#[test]
fn what_an_audit_cannot_do_has_an_exit_code() {
    let directory = tempfile::tempdir().unwrap();
    let store = directory.path().join("store").to_str().unwrap().to_owned();
    let made = run(&["generate", "clinic", "--patients", "1", "--load", &store]);
    assert!(made.status.success(), "{made:?}");
    for (words, code, said) in [
        (vec!["drop-out", "--from", "2026-02-01", "--to", "2026-01-01"], 1, "ends before"),
        (vec!["no-such", "--from", "2026-01-01", "--to", "2026-02-01"], 1, "not-found"),
        (vec!["drop-out", "--from", "2026-01-01"], 2, "--to"),
        (
            vec!["drop-out", "--from", "2025-01-01", "--to", "2026-01-01", "--group-by", "moon"],
            2,
            "no stratifier moon",
        ),
    ] {
        let told = run(&[&["audit", "--store", &store], words.as_slice()].concat());
        assert_eq!(told.status.code(), Some(code), "{words:?} {told:?}");
        let error = String::from_utf8(told.stderr).unwrap();
        assert!(error.contains(said), "{words:?}: {error}");
    }
    let missing = directory.path().join("none").to_str().unwrap().to_owned();
    let told = run(&[&["audit", "drop-out", "--store", &missing], &PERIOD[..]].concat());
    assert_eq!(told.status.code(), Some(3));
    let nobody = ["audit", "drop-out", "--server", "http://127.0.0.1:9/fhir"];
    assert_eq!(run(&[&nobody[..], &PERIOD[..]].concat()).status.code(), Some(3));
}
