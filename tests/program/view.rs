//! `spondyl view`: tables from files and from a store.

use std::fs;
use std::path::Path;

use serde_json::json;

use crate::{Server, spondyl, stderr, stdout};

const CLINIC: &str = "src/demo/clinic";

#[test]
fn the_views_are_listed() {
    let output = spondyl().args(["view", "list"]).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let said = stdout(&output);
    let names: Vec<&str> = said.lines().filter_map(|line| line.split(' ').next()).collect();
    let expected = ["adverse-events", "episodes", "scores", "segments", "treatments", "visits"];
    assert_eq!(names, expected);
}

#[test]
fn from_files() {
    let directory = tempfile::tempdir().unwrap();
    let out = directory.path().join("visits.csv");
    let output = spondyl()
        .args(["view", "run", "visits", "--from", CLINIC, "--out"])
        .arg(&out)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stderr(&output).starts_with("35 rows in "), "{}", stderr(&output));
    let table = fs::read_to_string(&out).unwrap();
    assert_eq!(table.lines().count(), 36);
    let bare = spondyl()
        .args(["view", "run", "visits", "--from", CLINIC, "--no-header"])
        .output()
        .unwrap();
    assert_eq!(stdout(&bare), table.split_once('\n').unwrap().1);
}

/// A view of one's own in a file; a table that cannot be finished leaves nothing behind.
#[test]
fn faults_are_told() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("view.json");
    let run = |view: &serde_json::Value| {
        fs::write(&path, view.to_string()).unwrap();
        let out = directory.path().join("table.csv");
        let output = spondyl()
            .args(["view", "run"])
            .arg(&path)
            .args(["--from", CLINIC, "--out"])
            .arg(&out)
            .output()
            .unwrap();
        let left = fs::read_dir(&directory).unwrap().count();
        (output.status.code(), stderr(&output), left)
    };
    let view = |path: &str| {
        json!({ "resourceType": "ViewDefinition", "resource": "Patient",
            "select": [{ "column": [{ "name": "x", "path": path }] }] })
    };
    let (code, told, left) = run(&view("name."));
    assert_eq!((code, left), (Some(1), 1), "{told}");
    assert!(told.contains("ViewDefinition.select[0].column[0].path"), "{told}");
    let (code, told, left) = run(&view("telecom.value"));
    assert_eq!((code, left), (Some(1), 1), "{told}");
    assert!(told.contains("several values") && told.contains("entry["), "{told}");
    let (code, told, left) = run(&view("birthDate"));
    assert_eq!((code, left), (Some(0), 2), "{told}");
    for (words, code) in [
        (vec!["view", "run", "nothing", "--from", CLINIC], 2),
        (vec!["view", "run", "visits"], 2),
        (vec!["view", "run", "visits", "--from", "nowhere"], 3),
        (vec!["view", "run", "visits", "--store", "nowhere"], 3),
    ] {
        let output = spondyl().args(&words).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{words:?}: {}", stderr(&output));
    }
    assert!(!Path::new("nowhere").exists());
}

/// The records of a server that is stopped; while it runs, nobody else opens them.
#[test]
fn from_a_store() {
    let directory = tempfile::tempdir().unwrap();
    let data = directory.path().join("data");
    let server = Server::serve(&data);
    let journal = directory.path().join("journal");
    let loaded = spondyl()
        .args(["load", CLINIC, "--server", &server.base, "--journal"])
        .arg(&journal)
        .output()
        .unwrap();
    assert_eq!(loaded.status.code(), Some(0), "{}", stderr(&loaded));
    let run = || {
        let store = data.to_str().unwrap();
        spondyl().args(["view", "run", "episodes", "--store", store]).output().unwrap()
    };
    assert_eq!(run().status.code(), Some(3));
    drop(server);
    let output = run();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let expected = fs::read_to_string("conformance/view/demo/episodes.csv").unwrap();
    assert_eq!(stdout(&output), expected);
}
