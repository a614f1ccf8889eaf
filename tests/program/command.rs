//! Commands and exit codes.

use std::fs;
use std::io::Write;
use std::process::Stdio;

use serde_json::json;

use crate::{Server, spondyl, stderr, stdout};

#[test]
fn help_teaches() {
    let output = spondyl().arg("--help").output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    for word in [
        "serve",
        "demo",
        "load",
        "validate",
        "letter",
        "explain",
        "definitions",
        "terminology",
        "view",
        "Exit codes",
    ] {
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
    let said = stdout(&output);
    assert!(said.contains("patient.json:1:27: error (code-invalid) at Patient.gender: "), "{said}");
    assert!(said.contains("[binding-required http://hl7.org/fhir/ValueSet/"), "{said}");
    // A directory stands for all that is below it, and must have something.
    let (full, empty) = (directory.path().join("full/below"), directory.path().join("empty"));
    fs::create_dir_all(&full).unwrap();
    fs::create_dir(&empty).unwrap();
    fs::copy(&file, full.join("patient.json")).unwrap();
    for (folder, code) in [(directory.path().join("full"), 1), (empty, 3)] {
        let output = spondyl().arg("validate").arg(folder).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
    }
    fs::write(&file, r#"{"resourceType":"Patient","gender":"other"}"#).unwrap();
    let output = spondyl().arg("validate").arg(&file).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
}

/// Files, directories and lines in one run; two runs print the same.
#[test]
fn validate_tells_in_order_whatever_the_cores_do() {
    let directory = tempfile::tempdir().unwrap();
    let text = r#""text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>"}"#;
    let good = format!(r#"{{"resourceType":"Patient","active":true,{text}}}"#);
    let warned =
        format!(r#"{{"resourceType":"Patient","language":"de","name":[{{"family":" "}}],{text}}}"#);
    let bad = format!(r#"{{"resourceType":"Patient","active":"yes",{text}}}"#);
    let lines: Vec<String> =
        (0..900).map(|n| [&good, &bad][usize::from(n % 3 == 0)].clone()).collect();
    fs::write(directory.path().join("b.ndjson"), lines.join("\n\n")).unwrap();
    fs::write(directory.path().join("a.json"), warned).unwrap();
    fs::write(directory.path().join("c.json"), "{\n\"resourceType\":").unwrap();
    let run = |words: &[&str]| {
        let output =
            spondyl().arg("validate").args(words).current_dir(&directory).output().unwrap();
        (output.status.code().unwrap(), stdout(&output), stderr(&output))
    };
    let (code, said, summary) = run(&["."]);
    assert_eq!(code, 1);
    assert!(summary.contains("902 checked, 301 with errors"), "{summary}");
    let all: Vec<&str> = said.lines().collect();
    assert_eq!(all.len(), 902);
    assert!(
        all[0].starts_with("./a.json:1:52: warning (value) at Patient.name[0].family"),
        "{}",
        all[0]
    );
    assert!(all[1].starts_with("./b.ndjson:1:27: error (value) at Patient.active"), "{}", all[1]);
    assert!(all[2].starts_with("./b.ndjson:3: information"), "{}", all[2]);
    assert!(all[901].starts_with("./c.json:2:15: fatal (structure)"), "{}", all[901]);
    assert_eq!(run(&["."]).1, said);

    let (code, said, _) = run(&["--level", "error", "a.json"]);
    assert_eq!((code, said.as_str()), (0, ""));
    assert_eq!(run(&["--quiet", "."]), (1, String::new(), String::new()));
    let (code, said, _) = run(&["--format", "json", "a.json", "b.ndjson"]);
    assert_eq!(code, 1);
    let outcomes: Vec<serde_json::Value> =
        said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(outcomes.len(), 901);
    assert_eq!(outcomes[1]["extension"][0]["valueString"], "b.ndjson:1");
    assert_eq!(outcomes[1]["issue"][0]["expression"][0], "Patient.active");
    assert_eq!(outcomes[2]["issue"][0]["details"]["coding"][0]["code"], "all-well");
}

#[test]
fn validate_takes_a_profile_a_limit_and_the_standard_input() {
    let directory = tempfile::tempdir().unwrap();
    let bad = r#"{"resourceType":"Observation","shoe":1,"status":"x","category":[{}]}"#;
    fs::write(directory.path().join("o.json"), bad).unwrap();
    let run = |words: &[&str], input: &str| {
        let mut process = spondyl()
            .arg("validate")
            .args(words)
            .current_dir(&directory)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        process.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
        let output = process.wait_with_output().unwrap();
        (output.status.code().unwrap(), stdout(&output), stderr(&output))
    };
    let profile = "https://spondyl.example/fhir/StructureDefinition/pain-intensity";
    let (code, said, _) = run(&["--profile", profile, "o.json"], "");
    assert_eq!(code, 1);
    assert!(said.contains("Observation.subject") || said.contains("element subject"), "{said}");
    let (code, said, why) = run(&["--profile", "http://a.example/none", "o.json"], "");
    assert_eq!((code, said.as_str()), (2, ""));
    assert!(why.contains("http://a.example/none"), "{why}");
    let (_, said, _) = run(&["--max-issues", "2", "o.json"], "");
    assert_eq!(said.lines().count(), 3, "{said}");
    assert!(said.lines().last().unwrap().contains("left out"), "{said}");
    assert_eq!(run(&["missing.json"], "").0, 3);
    assert_eq!(run(&["--format", "xml", "o.json"], "").0, 2);
    let good = "{\"resourceType\":\"Patient\",\n\"active\":true}";
    assert_eq!(run(&["-"], good).0, 0);
    let (code, said, _) = run(&["-"], "{\"resourceType\":\"Patient\"}\n{\"resourceType\":\"X\"}\n");
    assert_eq!(code, 1);
    assert!(said.contains("-:2:1: error (structure) at resourceType"), "{said}");
    let xml = "<Patient xmlns=\"http://hl7.org/fhir\">\n<gender value=\"x\"/></Patient>";
    fs::write(directory.path().join("p.xml"), xml).unwrap();
    for (words, input) in [(["p.xml"], ""), (["-"], xml)] {
        let (code, said, _) = run(&words, input);
        assert_eq!(code, 1);
        assert!(said.contains(": error (code-invalid) at Patient.gender: "), "{said}");
    }
    let (code, said, _) = run(&["-"], "<Patient xmlns=\"http://hl7.org/fhir\">\n<shoe/></Patient>");
    assert_eq!(code, 1);
    assert!(said.contains("-:2:"), "{said}");
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
fn serve_loads_the_demo_into_an_empty_store() {
    let directory = tempfile::tempdir().unwrap();
    let data = directory.path().join("data");
    let data = data.to_str().unwrap();
    let server = Server::start(&["serve", "--demo", "--listen", "127.0.0.1:0", "--data", data]);
    assert_eq!(demo_episodes(&server).len(), 7);
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

#[test]
fn explain_tells_the_plan_of_a_search() {
    let directory = tempfile::tempdir().unwrap();
    let data = directory.path().join("data");
    let server = Server::serve(&data);
    fs::write(
        directory.path().join("in.ndjson"),
        [1, 2, 3]
            .map(|id| {
                format!(
                    "{{\"resourceType\":\"Basic\",\"id\":\"b{id}\",\
            \"code\":{{\"text\":\"x\"}},\"subject\":{{\"reference\":\"Patient/p\"}}}}\n"
                )
            })
            .concat(),
    )
    .unwrap();
    let load = ["load", "in.ndjson", "--server", &server.base];
    let output = spondyl().args(load).current_dir(&directory).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    drop(server);
    let explain =
        |url: &str| spondyl().arg("explain").arg(url).arg("--data").arg(&data).output().unwrap();
    let output = explain("http://127.0.0.1/fhir/Basic?subject=Patient/p&code:not=urn:x|y");
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let said = stdout(&output);
    assert!(
        said.contains("candidates: subject: equal, 1 alternatives, index subject, 3 rows"),
        "{said}"
    );
    let output = explain("Basic?shoe-size=44");
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("http.shoe-size"), "{}", stderr(&output));
    assert_eq!(explain("Nobody?x=y").status.code(), Some(1));
}
