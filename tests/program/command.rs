//! Commands and exit codes.

use std::fs;

use serde_json::json;

use crate::{Server, spondyl, stderr, stdout};

#[test]
fn help_teaches() {
    let output = spondyl().arg("--help").output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    for word in
        ["serve", "demo", "load", "validate", "letter", "definitions", "terminology", "Exit codes"]
    {
        assert!(stdout(&output).contains(word), "{word}");
    }
}

#[test]
fn a_wrong_command_line_is_2_and_a_missing_server_is_3() {
    assert_eq!(spondyl().arg("dance").output().unwrap().status.code(), Some(2));
    let directory = tempfile::tempdir().unwrap();
    let output = spondyl()
        .args(["letter", "x", "-o", "-", "--server", "http://127.0.0.1:9/fhir"])
        .current_dir(&directory)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", stderr(&output));
}

#[test]
fn validate_names_file_element_and_rule() {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("patient.json");
    fs::write(&file, r#"{"resourceType":"Patient","gender":"unheard-of"}"#).unwrap();
    let output = spondyl().arg("validate").arg(&file).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = stdout(&output) + &stderr(&output);
    assert!(said.contains("patient.json") && said.contains("Patient.gender"), "{said}");
    fs::write(&file, r#"{"resourceType":"Patient","gender":"other"}"#).unwrap();
    let output = spondyl().arg("validate").arg(&file).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
}

#[test]
fn a_load_reports_what_was_refused_and_goes_on_where_it_stopped() {
    let directory = tempfile::tempdir().unwrap();
    let server = Server::serve(&directory.path().join("data"));
    let good = json!({ "resourceType": "Basic", "id": "a", "code": { "text": "invented" } });
    let bad = json!({ "resourceType": "Basic", "id": "b", "colour": "red" });
    let lines = format!("{good}\n{bad}\n");
    fs::write(directory.path().join("in.ndjson"), lines).unwrap();
    let load = |words: &[&str]| {
        let command = ["load", "in.ndjson", "--server", &server.base, "--report", "refused.ndjson"];
        spondyl().args(command).args(words).current_dir(&directory).output().unwrap()
    };
    let output = load(&[]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    assert!(stderr(&output).contains("1 taken, 1 refused"), "{}", stderr(&output));
    let report = fs::read_to_string(directory.path().join("refused.ndjson")).unwrap();
    assert!(report.contains("in.ndjson:2") && report.contains("colour"), "{report}");
    assert_eq!(server.get("Basic/a").0, 200);
    assert_eq!(server.get("Basic/b").0, 404);

    fs::write(directory.path().join("in.ndjson"), format!("{good}\n")).unwrap();
    assert_eq!(load(&[]).status.code(), Some(0));
    let output = load(&[]);
    assert!(stderr(&output).contains("0 taken, 0 refused, 1 sent earlier"), "{}", stderr(&output));
    assert_eq!(server.get("Basic/a").1["meta"]["versionId"], "2");
}

#[test]
fn the_demo_gives_letters_in_every_form() {
    let server = Server::start(&["demo", "--listen", "127.0.0.1:0"]);
    let episodes = demo_episodes(&server);
    let directory = tempfile::tempdir().unwrap();
    let id = episodes[0].as_str();
    for (form, start) in [("pdf", "%PDF-"), ("html", "<!DOCTYPE html>"), ("json", "{")] {
        let file = directory.path().join(form);
        let output = spondyl()
            .args(["letter", id, "--format", form, "--server", &server.base, "-o"])
            .arg(&file)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let bytes = fs::read(&file).unwrap();
        assert!(bytes.starts_with(start.as_bytes()), "{form}");
    }
}

#[test]
fn without_authorisation_only_loopback_is_served() {
    let directory = tempfile::tempdir().unwrap();
    let output = spondyl()
        .args(["serve", "--listen", "0.0.0.0:0", "--data"])
        .arg(directory.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("loopback"), "{}", stderr(&output));
}

/// The ids of the demo's episodes, as soon as all are loaded.
fn demo_episodes(server: &Server) -> Vec<String> {
    for _ in 0..300 {
        let (_, found) = server.get("EpisodeOfCare?_count=100");
        let entries = found["entry"].as_array().into_iter().flatten();
        let ids: Vec<String> =
            entries.map(|entry| entry["resource"]["id"].as_str().unwrap().to_owned()).collect();
        if ids.len() >= 7 {
            return ids;
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    panic!("the demo clinic was not loaded");
}
