//! Binary resources as what they hold: <http://hl7.org/fhir/R4/binary.html#rest>.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::json;
use spondyl::config::Config;

use crate::client::{JSON, Server, patient};

const PDF: &str = "%PDF-1.4 not quite";

fn pdf() -> serde_json::Value {
    json!({ "resourceType": "Binary", "id": "b1", "contentType": "application/pdf",
        "securityContext": { "reference": "Patient/p1" }, "data": BASE64_STANDARD.encode(PDF) })
}

/// Who does not name the types of FHIR gets the content, with the headers of a read.
#[actix_web::test]
async fn read_as_content_or_as_resource() {
    let server = Server::start();
    server.put("/Binary/b1", &pdf()).await.has_status(201);
    for path in ["/Binary/b1", "/Binary/b1/_history/1"] {
        for accept in ["*/*", "application/pdf", "text/html,*/*;q=0.8"] {
            let answer = server.send("GET", path, &[("Accept", accept)], "").await.has_status(200);
            assert_eq!(answer.text, PDF);
            assert_eq!(answer.header("Content-Type"), "application/pdf", "{accept}");
            assert_eq!(answer.header("ETag"), "W/\"1\"");
            assert!(!answer.header("Last-Modified").is_empty());
            assert_eq!(answer.header("X-Security-Context"), "Patient/p1");
            assert_eq!(answer.header("X-Content-Type-Options"), "nosniff");
        }
        for accept in ["application/fhir+json", "application/json"] {
            let answer = server.send("GET", path, &[("Accept", accept)], "").await.has_status(200);
            assert_eq!(answer.json()["data"], BASE64_STANDARD.encode(PDF), "{accept}");
        }
        let xml = server.get(&format!("{path}?_format=xml")).await.has_status(200);
        assert!(xml.text.contains("<contentType value=\"application/pdf\"/>"), "{}", xml.text);
    }
    let get = server.get("/Binary/b1").await.has_status(200);
    let head = server.send("HEAD", "/Binary/b1", &[], "").await.has_status(200);
    for name in ["Content-Type", "Content-Length", "ETag"] {
        assert_eq!(head.header(name), get.header(name), "{name}");
    }
    assert!(head.text.is_empty());
    let known = [("If-None-Match", "W/\"1\"")];
    let known = server.send("GET", "/Binary/b1", &known, "").await.has_status(304);
    assert!(known.text.is_empty());
    let elements = server.get("/Binary/b1?_elements=contentType").await.has_status(200);
    assert_eq!(elements.text, PDF, "the content has no elements");
    server.delete("/Binary/b1").await.has_status(204);
    server.get("/Binary/b1").await.is_error(410, "deleted");
    server.get("/Binary/none").await.is_error(404, "not-found");
}

/// What is sent in another type becomes the content, byte by byte, by POST and by PUT.
#[actix_web::test]
async fn written_as_content() {
    let server = Server::start();
    let bytes: Vec<u8> = (0..=255).collect();
    let kind = ("Content-Type", "image/png");
    let context = ("X-Security-Context", "Patient/p1");
    let created = server.send("POST", "/Binary", &[kind, context], bytes.clone()).await;
    let created = created.has_status(201);
    assert!(created.header("Location").contains("/Binary/"), "{}", created.header("Location"));
    let resource = created.json();
    assert_eq!(resource["contentType"], "image/png");
    assert_eq!(resource["securityContext"]["reference"], "Patient/p1");
    assert_eq!(resource["data"], BASE64_STANDARD.encode(&bytes));
    let text = ("Content-Type", "text/plain;  charset=iso-8859-1");
    server.send("PUT", "/Binary/b2", &[text], b"caf\xe9".to_vec()).await.has_status(201);
    let read = server.send("GET", "/Binary/b2", &[("Accept", "application/fhir+json")], "").await;
    assert_eq!(read.json()["contentType"], "text/plain; charset=iso-8859-1");
    assert_eq!(read.json()["data"], BASE64_STANDARD.encode(b"caf\xe9"));
    server.send("PUT", "/Binary/b2", &[text], "other").await.has_status(200);
    assert_eq!(server.get("/Binary/b2").await.text, "other");
    let stale = [text, ("If-Match", "W/\"1\"")];
    server.send("PUT", "/Binary/b2", &stale, "x").await.is_error(412, "conflict");
    let empty = server.send("PUT", "/Binary/b3", &[text], "").await.has_status(201);
    assert!(empty.json().get("data").is_none());
    assert_eq!(server.get("/Binary/b3").await.has_status(200).text, "");
}

/// Text of a type of FHIR is the content too, unless it is a Binary: in both formats.
#[actix_web::test]
async fn a_binary_or_the_content_of_one() {
    let server = Server::start();
    let xml_binary =
        "<Binary xmlns=\"http://hl7.org/fhir\"><contentType value=\"text/css\"/></Binary>";
    let other = "<Binary xmlns=\"http://a.example\"/>";
    let patient = patient("A").to_string();
    let pdf = pdf().to_string();
    for (kind, body, expected) in [
        ("application/fhir+json", pdf.as_str(), "application/pdf"),
        ("application/json; charset=utf-8", &pdf, "application/pdf"),
        ("application/fhir+json", &patient, "application/fhir+json"),
        ("application/json", "[1, 1.0]", "application/json"),
        ("application/fhir+xml", xml_binary, "text/css"),
        ("text/xml", other, "text/xml"),
        ("application/xml", "<!DOCTYPE a><a/>", "application/xml"),
    ] {
        let headers = [("Content-Type", kind), ("Accept", "application/fhir+json")];
        let answer = server.send("POST", "/Binary", &headers, body.to_owned()).await;
        let resource = answer.has_status(201).json();
        assert_eq!(resource["contentType"], expected, "{kind} {body}");
        if expected == kind {
            assert_eq!(resource["data"], BASE64_STANDARD.encode(body), "{kind}");
        }
    }
    for (kind, body) in [
        ("application/fhir+json", "{\"resourceType\":\"Binary\""),
        ("application/json", ""),
        ("application/fhir+xml", "<Binary xmlns=\"http://hl7.org/fhir\">"),
    ] {
        let headers = [("Content-Type", kind), ("Accept", "application/fhir+json")];
        let answer = server.send("POST", "/Binary", &headers, body).await;
        answer.is_error(400, "structure");
    }
    let unknown = json!({ "resourceType": "Binary", "contentType": "text/css", "x": 1 });
    server.post("/Binary", &unknown).await.is_error(400, "structure");
}

/// Bad requests; nothing that is served runs as a page of this server.
#[actix_web::test]
async fn limits_and_safety() {
    let server = Server::with(Config { max_body: 1000, ..Config::default() });
    let html = ("Content-Type", "text/html");
    server.send("POST", "/Binary", &[html], "x".repeat(1001)).await.is_error(413, "too-long");
    server.send("POST", "/Binary", &[], "x").await.is_error(415, "not-supported");
    let odd = [html, ("X-Security-Context", " ")];
    let answer = server.send("POST", "/Binary", &odd, "x").await.is_error(400, "invalid");
    assert_eq!(answer.json()["issue"][0]["expression"][0], "http.X-Security-Context");
    server.send("PUT", "/Binary/a_b", &[html], "x").await.is_error(400, "invalid");
    assert_eq!(server.versions().await, 0);
    for (kind, shown) in [
        ("text/html", false),
        ("image/svg+xml", false),
        ("application/pdf", true),
        ("image/png", true),
    ] {
        server.send("PUT", "/Binary/b", &[("Content-Type", kind)], "<script>").await;
        let answer = server.get("/Binary/b").await.has_status(200);
        assert_eq!(answer.header("Content-Type"), kind);
        assert_eq!(answer.header("X-Content-Type-Options"), "nosniff");
        let disposition = if shown { "" } else { "attachment; filename=\"b\"" };
        assert_eq!(answer.header("Content-Disposition"), disposition, "{kind}");
        let policy = answer.header("Content-Security-Policy");
        assert_eq!(policy.contains("sandbox"), !shown, "{kind}");
    }
    // A resource of another type is not stored as if it were one.
    server.send("POST", "/Patient", &[JSON], "{}").await.is_error(400, "structure");
}
