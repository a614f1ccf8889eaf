//! create, update, delete: <http://hl7.org/fhir/R4/http.html#create>,
//! <http://hl7.org/fhir/R4/http.html#update>, <http://hl7.org/fhir/R4/http.html#delete>.

use serde_json::json;
use spondyl::config::{Config, References};

use crate::client::{JSON, Server, patient, with_id};

/// 3.1.0.8: the server chooses the id; Location names the version.
#[actix_web::test]
async fn create_chooses_the_id() {
    let server = Server::start();
    let answer = server.post("/Patient", &with_id(patient("A"), "mine")).await.has_status(201);
    let body = answer.json();
    let id = body["id"].as_str().unwrap();
    assert_ne!(id, "mine");
    assert_eq!(answer.header("ETag"), "W/\"1\"");
    assert!(!answer.header("Last-Modified").is_empty());
    let location = answer.header("Location");
    assert_eq!(location, format!("{}/Patient/{id}/_history/1", server.base()));
    assert_eq!(server.get(location).await.has_status(200).json(), body);
    server.get("/Patient/mine").await.is_error(404, "not-found");
}

/// 3.1.0.4: a new version; what the server owns is set, what the client owns is kept.
#[actix_web::test]
async fn update_makes_versions() {
    let server = Server::start();
    let mut body = with_id(patient("A"), "p1");
    body["meta"] = json!({
        "versionId": "77", "lastUpdated": "1999-01-01T00:00:00Z", "source": "http://a.example",
        "tag": [{ "system": "http://a.example", "code": "t" }],
    });
    let first = server.put("/Patient/p1", &body).await.has_status(201);
    assert_eq!(first.header("Location"), format!("{}/Patient/p1/_history/1", server.base()));
    let second = server.put("/Patient/p1", &body).await.has_status(200);
    assert_eq!(second.header("ETag"), "W/\"2\"");
    let stored = second.json();
    assert_eq!(stored["meta"]["versionId"], "2");
    assert!(!stored["meta"]["lastUpdated"].as_str().unwrap().starts_with("1999"));
    assert_eq!(stored["meta"]["tag"][0]["code"], "t");
    assert_eq!(stored["meta"]["source"], "http://a.example");
    assert_eq!(server.get("/Patient/p1").await.json(), stored);
}

/// 3.1.0.7: 204, also again and for what never was; the history goes on after a deletion.
#[actix_web::test]
async fn delete_and_come_back() {
    let server = Server::start();
    server.delete("/Patient/never").await.has_status(204);
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    assert_eq!(server.delete("/Patient/p1").await.has_status(204).header("ETag"), "W/\"2\"");
    server.delete("/Patient/p1").await.has_status(204);
    server.get("/Patient/p1").await.is_error(410, "deleted");
    server.get("/Patient/p1/_history/1").await.has_status(200);
    let again = server.put("/Patient/p1", &with_id(patient("B"), "p1")).await.has_status(201);
    assert_eq!(again.header("ETag"), "W/\"3\"");
}

/// 3.1.0.5: 412 for a stale tag, and nothing is written.
#[actix_web::test]
async fn if_match() {
    let server = Server::start();
    let body = with_id(patient("A"), "p1");
    let put = async |tag: &str| {
        server.send("PUT", "/Patient/p1", &[JSON, ("If-Match", tag)], body.to_string()).await
    };
    put("W/\"1\"").await.is_error(412, "conflict");
    server.put("/Patient/p1", &body).await.has_status(201);
    put("W/\"1\"").await.has_status(200);
    put("\"2\"").await.has_status(200);
    put("W/\"1\"").await.is_error(412, "conflict");
    put("W/\"abc\"").await.is_error(412, "conflict");
    put("").await.is_error(400, "invalid");
    let stale = [("If-Match", "W/\"1\"")];
    server.send("DELETE", "/Patient/p1", &stale, "").await.is_error(412, "conflict");
    assert_eq!(server.get("/Patient/p1").await.header("ETag"), "W/\"3\"");
    let fresh = [JSON, ("If-None-Match", "*")];
    let answer = server.send("PUT", "/Patient/p1", &fresh, body.to_string()).await;
    answer.is_error(412, "conflict");
}

/// 3.1.0.5; the point of it: of writers who all saw version 1 one wins, the others are told.
#[actix_web::test]
async fn no_update_is_lost() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let server = std::sync::Arc::new(server);
    let writers: Vec<_> = (0..16)
        .map(|writer| {
            let server = server.clone();
            actix_web::rt::spawn(async move {
                let body = with_id(patient(&format!("W{writer}")), "p1").to_string();
                let headers = [JSON, ("If-Match", "W/\"1\"")];
                server.send("PUT", "/Patient/p1", &headers, body).await.status
            })
        })
        .collect();
    let mut statuses = Vec::new();
    for writer in writers {
        statuses.push(writer.await.unwrap());
    }
    statuses.sort_unstable();
    let mut expected = vec![412; 16];
    expected[0] = 200;
    assert_eq!(statuses, expected);
    assert_eq!(server.get("/Patient/p1").await.header("ETag"), "W/\"2\"");
}

/// 3.1.0.1.8: what comes back is the client's choice, and the choice is told.
#[actix_web::test]
async fn prefer_return() {
    let server = Server::start();
    let body = patient("A").to_string();
    for (prefer, kind, applied) in [
        ("return=minimal", None, "return=minimal"),
        ("return=representation", Some("Patient"), "return=representation"),
        ("return=OperationOutcome", Some("OperationOutcome"), "return=OperationOutcome"),
        ("x=y", Some("Patient"), ""),
    ] {
        let headers = [JSON, ("Prefer", prefer)];
        let answer = server.send("POST", "/Patient", &headers, body.clone()).await.has_status(201);
        assert_eq!(answer.header("Preference-Applied"), applied);
        assert!(answer.header("Location").contains("/_history/1"));
        match kind {
            Some(kind) => assert_eq!(answer.json()["resourceType"], kind),
            None => assert!(answer.text.is_empty()),
        }
    }
}

/// search.html#summary: what was cut down for a reader must not replace the whole.
#[actix_web::test]
async fn subsetted_content_is_refused() {
    let server = Server::start();
    let mut body = with_id(patient("A"), "p1");
    let system = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue";
    body["meta"] = json!({ "tag": [{ "system": system, "code": "SUBSETTED" }] });
    let answer = server.put("/Patient/p1", &body).await.is_error(422, "business-rule");
    assert_eq!(answer.json()["issue"][0]["expression"][0], "Patient.meta.tag[0]");
}

/// Strict references: the target is there when the resource is written
/// (<http://hl7.org/fhir/R4/codesystem-reference-handling-policy.html>, enforced).
#[actix_web::test]
async fn references_to_what_exists_only() {
    let server = Server::with(Config { references: References::Existing, ..Config::default() });
    let observation = |subject: serde_json::Value| {
        serde_json::json!({ "resourceType": "Observation", "status": "final",
            "code": { "text": "invented" }, "subject": subject })
    };
    let to = |text: &str| observation(serde_json::json!({ "reference": text }));
    let answer = server.post("/Observation", &to("Patient/p")).await;
    let answer = answer.is_error(422, "not-found").json();
    assert_eq!(answer["issue"][0]["expression"][0], "Observation.subject.reference");
    server.put("/Patient/p", &with_id(patient("A"), "p")).await.has_status(201);
    server.post("/Observation", &to("Patient/p")).await.has_status(201);
    server.post("/Observation", &to("https://other.example/fhir/Patient/q")).await.has_status(201);
    let logical = serde_json::json!({ "identifier": { "system": "urn:x:y", "value": "1" } });
    server.post("/Observation", &observation(logical)).await.has_status(201);
    let link = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0";
    let request = |url: &str| serde_json::json!({ "method": "POST", "url": url });
    let both = serde_json::json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        { "resource": to(link), "request": request("Observation") },
        { "fullUrl": link, "resource": patient("B"), "request": request("Patient") },
    ] });
    server.post("", &both).await.has_status(200);
    let gone = serde_json::json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        { "resource": to("Patient/p"), "request": request("Observation") },
        { "request": { "method": "DELETE", "url": "Patient/p" } },
    ] });
    server.post("", &gone).await.is_error(422, "not-found");
}
