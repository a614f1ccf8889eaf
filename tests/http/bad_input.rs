//! Bad input: the right status, an OperationOutcome, nothing stored, the server unharmed.
//!
//! Statuses: <http://hl7.org/fhir/R4/http.html#Status-Codes>; rules of JSON:
//! <http://hl7.org/fhir/R4/json.html>; the split between 400 and 422 is the project's (`error.rs`).

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use spondyl::config::Config;

use crate::client::{JSON, Server, patient, with_id};

/// How deep the nesting of a body goes that has that many arrays around a number.
fn nested(depth: usize) -> String {
    format!(r#"{{"resourceType":"Patient","x":{}1{}}}"#, "[".repeat(depth), "]".repeat(depth))
}

#[actix_web::test]
async fn bodies() {
    let server = Server::start();
    let deep = nested(64);
    let very_deep = nested(100_000);
    let other_id = with_id(patient("A"), "p2").to_string();
    let no_id = patient("A").to_string();
    let cases: [(&str, &[u8], u16, &str); 14] = [
        ("empty", b"", 400, "structure"),
        ("blank", b" \n", 400, "structure"),
        ("not JSON", b"<Patient/>", 400, "structure"),
        ("cut off", b"{\"resourceType\":\"Patient\"", 400, "structure"),
        ("trailing text", b"{\"resourceType\":\"Patient\",\"id\":\"p1\"} x", 400, "structure"),
        (
            "duplicate key",
            b"{\"resourceType\":\"Patient\",\"id\":\"p1\",\"id\":\"p1\"}",
            400,
            "structure",
        ),
        (
            "byte order mark",
            b"\xEF\xBB\xBF{\"resourceType\":\"Patient\",\"id\":\"p1\"}",
            400,
            "structure",
        ),
        (
            "invalid UTF-8",
            b"{\"resourceType\":\"Patient\",\"id\":\"p1\",\"language\":\"\xFF\"}",
            400,
            "structure",
        ),
        ("too deep", deep.as_bytes(), 400, "structure"),
        ("far too deep", very_deep.as_bytes(), 400, "structure"),
        ("an array", b"[]", 400, "structure"),
        ("no type", b"{\"id\":\"p1\"}", 400, "structure"),
        ("unknown type", b"{\"resourceType\":\"Letter\",\"id\":\"p1\"}", 400, "structure"),
        ("another type", b"{\"resourceType\":\"Group\",\"id\":\"p1\"}", 400, "invalid"),
    ];
    for (name, body, status, code) in cases {
        println!("{name}");
        let answer = server.send("PUT", "/Patient/p1", &[JSON], body.to_vec()).await;
        answer.is_error(status, code);
    }
    let answer = server.send("PUT", "/Patient/p1", &[JSON], other_id).await;
    assert_eq!(answer.is_error(400, "invalid").json()["issue"][0]["expression"][0], "Patient.id");
    server.send("PUT", "/Patient/p1", &[JSON], no_id).await.is_error(400, "invalid");
    server.put("/Nonsense/1", &patient("A")).await.is_error(404, "not-supported");
    server.put("/Patient/a_b", &with_id(patient("A"), "a_b")).await.is_error(400, "invalid");
    assert_eq!(server.versions().await, 0);
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
}

/// A duplicate key is told with its place.
#[actix_web::test]
async fn faults_of_json_have_a_place() {
    let server = Server::start();
    let body = r#"{"resourceType":"Patient","name":[{"family":"a","family":"b"}]}"#;
    let answer = server.send("POST", "/Patient", &[JSON], body).await.is_error(400, "structure");
    let issue = &answer.json()["issue"][0];
    assert_eq!(issue["expression"][0], "name[0].family");
    assert!(issue["diagnostics"].as_str().unwrap().contains("line 1, column "), "{issue}");
}

/// 413, with and without a length told beforehand; the limit of Bundles is another one.
#[actix_web::test]
async fn too_large() {
    let server = Server::with(Config { max_body: 2000, max_bundle: 4000, ..Config::default() });
    let body = patient(&"x".repeat(3000));
    server.post("/Patient", &body).await.is_error(413, "too-long");
    let chunk = format!("{:x}\r\n{}\r\n", 3000, "x".repeat(3000));
    let head = "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n";
    let request = format!("{head}Transfer-Encoding: chunked\r\n\r\n{chunk}0\r\n\r\n");
    let answer = raw(&server, request.as_bytes());
    assert!(answer.starts_with("HTTP/1.1 413") && answer.contains("too-long"), "{answer}");
    let bundle = serde_json::json!({ "resourceType": "Bundle", "type": "collection",
        "entry": [{ "fullUrl": "urn:uuid:8f0e2a64-0b1f-4c1c-9a53-3e9e4ad0c001", "resource": body }] });
    server.post("/Bundle", &bundle).await.has_status(201);
    server.post("/Patient", &patient("A")).await.has_status(201);
}

/// What the server answers to those bytes on a connection of their own.
fn raw(server: &Server, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(server.address()).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    stream.write_all(bytes).unwrap();
    let mut answer = Vec::new();
    let mut part = [0; 4096];
    while !String::from_utf8_lossy(&answer).contains("}]}") {
        match stream.read(&mut part) {
            Ok(0) | Err(_) => break,
            Ok(length) => answer.extend(&part[..length]),
        }
    }
    String::from_utf8_lossy(&answer).into_owned()
}
