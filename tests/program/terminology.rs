//! Terminology that a site loads: kept, listed, used, removed.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};

use crate::{Server, spondyl, stderr, stdout};

fn run(folder: &Path, words: &[&str]) -> (Option<i32>, String) {
    let output = spondyl().args(words).current_dir(folder).env_remove("SPONDYL_DATA").output();
    let output = output.unwrap();
    (output.status.code(), stdout(&output) + &stderr(&output))
}

/// A release in the shape of SNOMED CT's, with invented content.
fn release(folder: &Path) {
    let terminology = folder.join("release/Snapshot/Terminology");
    fs::create_dir_all(&terminology).unwrap();
    let files = [
        (
            "sct2_Concept_Snapshot_INT_20260101.txt",
            "id\teffectiveTime\tactive\tmoduleId\tdefinitionStatusId\r\n\
             1001\t20260101\t1\t9\t0\r\n1002\t20260101\t1\t9\t0\r\n",
        ),
        (
            "sct2_Description_Snapshot-en_INT_20260101.txt",
            "id\teffectiveTime\tactive\tconceptId\tlanguageCode\ttypeId\tterm\r\n\
             1\t20260101\t1\t1001\ten\t900000000000003001\tThing (thing)\r\n\
             2\t20260101\t1\t1002\ten\t900000000000003001\tPart (thing)\r\n",
        ),
        (
            "sct2_Relationship_Snapshot_INT_20260101.txt",
            "id\teffectiveTime\tactive\tsourceId\tdestinationId\ttypeId\tcharacteristicTypeId\r\n\
             1\t20260101\t1\t1002\t1001\t116680003\t900000000000011006\r\n",
        ),
    ];
    for (name, text) in files {
        fs::write(terminology.join(name), text).unwrap();
    }
}

fn observation(system: &str, code: &str) -> Value {
    json!({ "resourceType": "Observation", "status": "final",
        "code": { "coding": [{ "system": system, "code": code }] } })
}

#[test]
fn a_release_is_loaded_used_and_removed() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    release(at);
    let system = json!({ "resourceType": "CodeSystem", "url": "http://a.example/own",
        "version": "1", "name": "Own", "status": "active", "content": "complete",
        "concept": [{ "code": "x" }] });
    let set = json!({ "resourceType": "ValueSet", "url": "http://a.example/set",
        "status": "active", "compose": { "include": [{ "system": "http://a.example/own" }] } });
    fs::write(at.join("own.ndjson"), format!("{system}\n{set}\n")).unwrap();
    let (code, said) = run(at, &["terminology", "load", "--data", "d", "release", "own.ndjson"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("version/20260101: 2 concepts"), "{said}");
    let (_, listed) = run(at, &["terminology", "list", "--data", "d"]);
    let lines: Vec<&str> = listed.lines().collect();
    assert_eq!(lines.len(), 3, "{listed}");
    assert!(lines[0].starts_with("CodeSystem http://a.example/own|1 (Own, 1 concepts"), "{listed}");

    // Held to it when files are checked ...
    let sct = "http://snomed.info/sct";
    fs::write(at.join("good.json"), observation(sct, "1002").to_string()).unwrap();
    fs::write(at.join("bad.json"), observation(sct, "9999").to_string()).unwrap();
    assert_eq!(run(at, &["validate", "--data", "d", "good.json"]).0, Some(0));
    assert_eq!(run(at, &["validate", "--data", "d", "bad.json"]).0, Some(1));
    assert_eq!(run(at, &["validate", "bad.json"]).0, Some(0), "not held there");
    assert_eq!(run(at, &["validate", "--data", "none", "bad.json"]).0, Some(3), "no such place");

    // ... and by a server.
    let server = Server::serve(&at.join("d"));
    let query = "CodeSystem/$subsumes?system=http://snomed.info/sct&codeA=1001&codeB=1002";
    let (status, answer) = server.get(query);
    assert_eq!((status, &answer["parameter"][0]["valueCode"]), (200, &json!("subsumes")));
    let (_, set) = server.get("ValueSet/$expand?url=http://a.example/set");
    assert_eq!(set["expansion"]["total"], 1);
    drop(server);

    let (code, said) = run(at, &["terminology", "remove", "--data", "d", sct]);
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(run(at, &["terminology", "remove", "--data", "d", sct]).0, Some(1));
    assert_eq!(run(at, &["validate", "--data", "d", "bad.json"]).0, Some(0), "not held any more");
}

#[test]
fn what_cannot_be_read_is_named_and_nothing_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    release(at);
    fs::write(at.join("patient.json"), r#"{"resourceType":"Patient"}"#).unwrap();
    fs::write(at.join("notes.txt"), "").unwrap();
    for (path, message) in [
        ("patient.json", "Patient is neither"),
        ("notes.txt", "nothing here that can be loaded"),
        ("missing", "missing"),
    ] {
        let (code, said) = run(at, &["terminology", "load", "--data", "d", "release", path]);
        assert_eq!(code, Some(3), "{said}");
        assert!(said.contains(message) && said.contains(path), "{said}");
    }
    assert!(!at.join("d/terminology").exists());
    let (_, listed) = run(at, &["terminology", "list", "--data", "d"]);
    assert!(listed.contains("nothing is loaded"), "{listed}");
}
