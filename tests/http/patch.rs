//! Patch: <http://hl7.org/fhir/R4/http.html#patch>, <https://www.rfc-editor.org/rfc/rfc6902>,
//! <http://hl7.org/fhir/R4/fhirpatch.html>.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::{Value, json};

use crate::client::{JSON, Server, patient};

const JSON_PATCH: (&str, &str) = ("Content-Type", "application/json-patch+json");

async fn with_patient() -> Server {
    let server = Server::start();
    let mut body = patient("A");
    body["id"] = json!("p");
    server.put("/Patient/p", &body).await.has_status(201);
    server
}

fn parameters(kind: &str, path: &str, value: Value) -> Value {
    let mut part = json!([
        { "name": "type", "valueCode": kind }, { "name": "path", "valueString": path },
    ]);
    part.as_array_mut().unwrap().extend(value.as_array().unwrap().iter().cloned());
    json!({ "resourceType": "Parameters", "parameter": [{ "name": "operation", "part": part }] })
}

#[actix_web::test]
async fn both_formats() {
    let server = with_patient().await;
    let patch = r#"[{"op":"test","path":"/name/0/family","value":"A"},{"op":"add","path":"/gender","value":"other"}]"#;
    let answer = server.send("PATCH", "/Patient/p", &[JSON_PATCH], patch).await.has_status(200);
    assert_eq!(answer.header("ETag"), "W/\"2\"");
    assert_eq!(answer.json()["gender"], "other");
    let value = json!([{ "name": "value", "valueCode": "female" }]);
    let patch = parameters("replace", "Patient.gender", value).to_string();
    let answer = server.send("PATCH", "/Patient/p", &[JSON], patch).await.has_status(200);
    assert_eq!(answer.json()["gender"], "female");
    let xml = r#"<Parameters xmlns="http://hl7.org/fhir"><parameter><name value="operation"/><part><name value="type"/><valueCode value="delete"/></part><part><name value="path"/><valueString value="Patient.gender"/></part></parameter></Parameters>"#;
    let kind = ("Content-Type", "application/fhir+xml");
    server.send("PATCH", "/Patient/p", &[kind], xml).await.has_status(200);
    let read = server.get("/Patient/p").await.json();
    assert!(read.get("gender").is_none() && read["meta"]["versionId"] == "4");
    let history = server.get("/Patient/p/_history").await.json();
    assert_eq!(history["entry"][0]["request"]["method"], "PATCH");
}

/// Nothing is written where the patch does not fit or its outcome breaks a rule.
#[actix_web::test]
async fn refusals() {
    let server = with_patient().await;
    for (patch, status, code) in [
        ("", 400, "structure"),
        ("{}", 400, "invalid"),
        (r#"[{"op":"erase","path":"/a"}]"#, 400, "invalid"),
        (r#"[{"op":"remove","path":"/missing"}]"#, 422, "processing"),
        (r#"[{"op":"test","path":"/name/0/family","value":"B"}]"#, 409, "conflict"),
        (r#"[{"op":"add","path":"/gender","value":"unheard-of"}]"#, 422, "code-invalid"),
        (r#"[{"op":"add","path":"/odd","value":1}]"#, 400, "structure"),
        (r#"[{"op":"replace","path":"/id","value":"q"}]"#, 422, "invariant"),
        (r#"[{"op":"remove","path":"/resourceType"}]"#, 400, "structure"),
        (r#"[{"op":"replace","path":"","value":[]}]"#, 400, "structure"),
    ] {
        let answer = server.send("PATCH", "/Patient/p", &[JSON_PATCH], patch).await;
        assert_eq!(
            (answer.status, answer.json()["issue"][0]["code"].as_str()),
            (status, Some(code)),
            "{patch}: {}",
            answer.text
        );
    }
    let bad =
        parameters("replace", "Patient.photo", json!([{ "name": "value", "valueCode": "x" }]));
    server.send("PATCH", "/Patient/p", &[JSON], bad.to_string()).await.is_error(422, "processing");
    server.send("PATCH", "/Patient/none", &[JSON_PATCH], "[]").await.is_error(404, "not-found");
    let stale = [JSON_PATCH, ("If-Match", "W/\"7\"")];
    server.send("PATCH", "/Patient/p", &stale, "[]").await.is_error(412, "conflict");
    server.send("PATCH", "/Patient", &[JSON_PATCH], "[]").await.is_error(400, "invalid");
    server.send("PATCH", "/Patient?family=Z", &[JSON_PATCH], "[]").await.is_error(404, "not-found");
    assert_eq!(server.versions().await, 1);
    server.delete("/Patient/p").await.has_status(204);
    server.send("PATCH", "/Patient/p", &[JSON_PATCH], "[]").await.is_error(410, "deleted");
}

#[actix_web::test]
async fn conditional_and_in_bundles() {
    let server = with_patient().await;
    let patch = r#"[{"op":"add","path":"/gender","value":"other"}]"#;
    server.send("PATCH", "/Patient?family=A", &[JSON_PATCH], patch).await.has_status(200);
    let data = BASE64_STANDARD.encode(r#"[{"op":"replace","path":"/gender","value":"male"}]"#);
    let binary = json!({ "resourceType": "Binary", "contentType": "application/json-patch+json",
        "data": data });
    let value = json!([{ "name": "name", "valueString": "generalPractitioner" },
        { "name": "value", "valueReference": { "reference": "urn:uuid:5f6dba65-35a3-4a7c-9d1f-3c1e2f0a9b01" } }]);
    let entry = |url: &str, resource: Value| json!({ "resource": resource, "request": { "method": "PATCH", "url": url } });
    for kind in ["batch", "transaction"] {
        let bundle = json!({ "resourceType": "Bundle", "type": kind,
            "entry": [entry("Patient/p", binary.clone())] });
        let answer = server.post("", &bundle).await.has_status(200).json();
        assert_eq!(answer["entry"][0]["response"]["status"], "200 OK", "{answer}");
    }
    assert_eq!(server.get("/Patient/p").await.json()["gender"], "male");
    // What a patch adds may refer to what the same transaction creates.
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        entry("Patient?family=A", parameters("add", "Patient", value)),
        { "fullUrl": "urn:uuid:5f6dba65-35a3-4a7c-9d1f-3c1e2f0a9b01",
          "resource": { "resourceType": "Practitioner", "active": true },
          "request": { "method": "POST", "url": "Practitioner" } },
    ] });
    server.post("", &bundle).await.has_status(200);
    let doctor =
        server.get("/Patient/p").await.json()["generalPractitioner"][0]["reference"].clone();
    server.get(&format!("/{}", doctor.as_str().unwrap())).await.has_status(200);
}

/// Of 16 writers that each add one, none is lost without being told.
#[actix_web::test]
async fn concurrent_patches_are_all_kept() {
    let server = std::sync::Arc::new(with_patient().await);
    let writers: Vec<_> = (0..16)
        .map(|at| {
            let server = server.clone();
            actix_web::rt::spawn(async move {
                let patch = format!(r#"[{{"op":"add","path":"/name/0/given","value":["n{at}"]}}]"#);
                let tag = ("If-Match", "W/\"1\"");
                server.send("PATCH", "/Patient/p", &[JSON_PATCH, tag], patch).await.status
            })
        })
        .collect();
    let mut done = 0;
    for writer in writers {
        match writer.await.unwrap() {
            200 => done += 1,
            status => assert!([409, 412].contains(&status), "{status}"),
        }
    }
    assert_eq!(done, 1);
    assert_eq!(server.versions().await, 2);
}

/// Patches in transactions that run at once build on one another: none overwrites what another
/// did.
#[actix_web::test]
async fn concurrent_patches_in_transactions_are_all_kept() {
    let server = std::sync::Arc::new(with_patient().await);
    let writers: Vec<_> = (0..16)
        .map(|at| {
            let server = server.clone();
            actix_web::rt::spawn(async move {
                let patch = format!(r#"[{{"op":"add","path":"/name/-","value":{{"text":"n{at}"}}}}]"#);
                let binary = json!({ "resourceType": "Binary", "data": BASE64_STANDARD.encode(patch),
                    "contentType": "application/json-patch+json" });
                let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
                    { "resource": binary, "request": { "method": "PATCH", "url": "Patient/p" } },
                ] });
                server.post("", &bundle).await.status
            })
        })
        .collect();
    let mut done = 0;
    for writer in writers {
        match writer.await.unwrap() {
            200 => done += 1,
            status => assert_eq!(status, 409),
        }
    }
    let names = server.get("/Patient/p").await.json()["name"].as_array().unwrap().len();
    assert_eq!(names, done + 1);
}

/// 3.1.0.6: no narrative is left that may contradict the data; what a person wrote is not lost.
#[actix_web::test]
async fn the_narrative_after_a_patch() {
    let server = Server::start();
    let kind = [("Content-Type", "application/json-patch+json")];
    let other = "<div xmlns=\\\"http://www.w3.org/1999/xhtml\\\">Other</div>";
    let data = r#"[{"op":"add","path":"/active","value":true}]"#.to_owned();
    let tag = r#"[{"op":"add","path":"/meta/tag","value":[{"code":"x"}]}]"#.to_owned();
    let both = format!(
        r#"[{{"op":"add","path":"/active","value":true}},{{"op":"replace","path":"/text/div","value":"{other}"}}]"#
    );
    for (status, patch, answer, narrative) in [
        ("generated", &data, 200, ""),
        ("extensions", &data, 200, ""),
        ("generated", &tag, 200, "Invented"),
        ("generated", &both, 200, "Other"),
        ("additional", &data, 422, "Invented"),
        ("additional", &tag, 200, "Invented"),
        ("additional", &both, 200, "Other"),
    ] {
        let mut body = crate::client::with_id(crate::client::told(patient("A")), "p1");
        body["text"]["status"] = json!(status);
        server.put("/Patient/p1", &body).await;
        let answered = server.send("PATCH", "/Patient/p1", &kind, patch.clone()).await;
        assert_eq!(answered.status, answer, "{status} {patch}: {}", answered.text);
        if answer == 422 {
            let issue = answered.is_error(422, "business-rule").json();
            assert_eq!(issue["issue"][0]["expression"][0], "Patient.text");
        }
        let text = server.get("/Patient/p1").await.json()["text"].to_string();
        assert_eq!(text != "null", !narrative.is_empty(), "{status} {patch}");
        assert!(text.contains(narrative), "{status} {patch}: {text}");
    }
}
