//! The audit trail of the real program: written at the end, checked, found to be tampered with.

use std::path::Path;

use serde_json::json;

use crate::{Server, block_on, spondyl, stdout};

fn serve(data: &Path) -> Server {
    let data = data.to_str().unwrap();
    Server::start(&["serve", "--listen", "127.0.0.1:0", "--trail", "on", "--data", data])
}

fn put(server: &Server, id: &str) -> u16 {
    let body = json!({ "resourceType": "Patient", "id": id }).to_string();
    let url = format!("{}/Patient/{id}", server.base);
    let request = reqwest::Client::new().put(url).header("content-type", "application/fhir+json");
    block_on(async { request.body(body).send().await.unwrap().status().as_u16() })
}

/// SIGTERM, as an orderly stop sends it; the exit code.
fn stop(server: &mut Server) -> Option<i32> {
    let pid = server.process.id().to_string();
    let sent = std::process::Command::new("kill").args(["-TERM", &pid]).status().unwrap();
    assert!(sent.success());
    server.process.wait().unwrap().code()
}

fn check(data: &Path, more: &[&str]) -> (Option<i32>, String) {
    let data = data.to_str().unwrap();
    let output = spondyl().args(["check", "--data", data]).args(more).output().unwrap();
    (output.status.code(), stdout(&output))
}

/// The hash in the last line.
fn hash(told: &str) -> String {
    told.trim().rsplit(' ').next().unwrap().to_owned()
}

#[cfg(unix)]
#[test]
fn an_orderly_stop_writes_all_and_check_finds_what_was_changed() {
    use std::os::unix::fs::PermissionsExt;
    let place = tempfile::tempdir().unwrap();
    let data = place.path().join("records");
    let mut server = serve(&data);
    let mode = std::fs::metadata(&data).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o700);
    for number in 0..40 {
        assert_eq!(put(&server, &format!("p-{number}")), 201);
    }
    assert_eq!(server.get("Patient/p-1").0, 200);
    assert_eq!(stop(&mut server), Some(0));
    let (code, told) = check(&data, &[]);
    assert_eq!(code, Some(0), "{told}");
    assert!(told.contains("audit trail: well: 41 entries"), "{told}");
    let kept = hash(&told);

    let mut server = serve(&data);
    assert_eq!(server.get("Patient/p-2").0, 200);
    let (status, found) = server.get("AuditEvent?patient=Patient/p-1&_summary=count");
    assert_eq!((status, &found["total"]), (200, &json!(2)), "{found}");
    assert_eq!(stop(&mut server), Some(0));
    let (code, told) = check(&data, &["--expect", &kept]);
    assert_eq!(code, Some(0), "{told}");
    assert!(told.contains("the hash that is expected is that of entry 41"), "{told}");
    let (code, told) = check(&data, &["--expect", &"0".repeat(64)]);
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("NOT WELL: no entry has the hash"), "{told}");

    // Another trail in its place is told by the hash that was kept.
    std::fs::remove_dir_all(data.join("trail")).unwrap();
    let mut server = serve(&data);
    assert_eq!(server.get("Patient/p-1").0, 200);
    assert_eq!(stop(&mut server), Some(0));
    assert_eq!(check(&data, &[]).0, Some(0));
    assert_eq!(check(&data, &["--expect", &kept]).0, Some(1));
    std::fs::remove_dir_all(data.join("trail")).unwrap();
    assert_eq!(check(&data, &["--expect", &kept]).0, Some(1));
    let (code, told) = check(&data, &[]);
    assert_eq!((code, told.contains("none is kept here")), (Some(0), true), "{told}");
}
