//! `$validate`: <http://hl7.org/fhir/R4/resource-operation-validate.html>, and the same rules on
//! every write: <http://hl7.org/fhir/R4/http.html#rejecting-updates>.

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient, with_id};

fn errors(outcome: &Value) -> Vec<(String, String)> {
    let issues = outcome["issue"].as_array().unwrap().iter();
    let errors =
        issues.filter(|issue| issue["severity"] == "error" || issue["severity"] == "fatal");
    let text = |value: &Value| value.as_str().unwrap_or("").to_owned();
    errors.map(|issue| (text(&issue["code"]), text(&issue["expression"][0]))).collect()
}

fn bad_observation() -> Value {
    json!({
        "resourceType": "Observation",
        "status": "finished",
        "valueQuantity": { "value": 1 },
        "component": [{ "code": { "text": "x" } }, { "valueString": "x" }],
    })
}

/// 2.26.6.1: 200 whenever it could be validated; nothing is stored.
#[actix_web::test]
async fn all_issues_with_200() {
    let server = Server::start();
    let good = server.post("/Patient/$validate", &patient("A")).await.has_status(200).json();
    assert_eq!(good["resourceType"], "OperationOutcome");
    assert_eq!(errors(&good), []);
    let bad = server.post("/Observation/$validate", &bad_observation()).await.has_status(200);
    let errors = errors(&bad.json());
    for place in ["Observation", "Observation.status", "Observation.component[1]"] {
        assert!(errors.iter().any(|(_, at)| at == place), "{place}: {errors:?}");
    }
    assert_eq!(server.versions().await, 0);
}

/// 2.26.6.1: parameters in a Parameters resource or in the URL.
#[actix_web::test]
async fn parameters() {
    let server = Server::start();
    let profile = "http://hl7.org/fhir/StructureDefinition/vitalsigns";
    let unknown = "http://a.example/StructureDefinition/none";
    let body = |mode: &str, resource: Value| {
        json!({ "resourceType": "Parameters", "parameter": [
            { "name": "mode", "valueCode": mode },
            { "name": "resource", "resource": resource },
        ] })
    };
    let call = async |path: &str, body: Value| server.post(path, &body).await;
    call("/Patient/$validate", body("create", patient("A"))).await.has_status(200);
    call("/Patient/$validate", body("update", patient("A"))).await.is_error(400, "invalid");
    call("/Patient/$validate", body("nonsense", patient("A"))).await.is_error(400, "invalid");
    call("/Patient/$validate", bad_observation()).await.is_error(400, "invalid");
    let path = format!("/Observation/$validate?profile={unknown}");
    call(&path, bad_observation()).await.is_error(400, "not-found");
    let path = format!("/Observation/$validate?profile={profile}");
    let answer = call(&path, bad_observation()).await;
    assert!([200, 400].contains(&answer.status), "{}", answer.text);
    let empty = server.send("POST", "/Patient/$validate", &[JSON], "").await;
    empty.is_error(400, "invalid");
    server.get("/Patient/$validate").await.is_error(405, "not-supported");
    server.get("/Patient/$nonsense").await.is_error(404, "not-found");
}

/// At the level of an instance: what is stored, or what is to replace it.
#[actix_web::test]
async fn of_an_instance() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let call = async |mode: &str, body: &str| {
        let path = format!("/Patient/p1/$validate?mode={mode}");
        server.send("POST", &path, &[JSON], body.to_owned()).await
    };
    assert_eq!(errors(&call("delete", "").await.has_status(200).json()), []);
    let same = with_id(patient("B"), "p1").to_string();
    assert_eq!(errors(&call("update", &same).await.has_status(200).json()), []);
    let other = with_id(patient("B"), "p2").to_string();
    let errors = errors(&call("update", &other).await.has_status(200).json());
    assert_eq!(errors, [("invalid".to_owned(), "Patient.id".to_owned())]);
    server.send("POST", "/Patient/p1/$validate", &[], "").await.has_status(200);
    server.send("POST", "/Patient/p2/$validate", &[], "").await.is_error(404, "not-found");
}

/// Every write is held to the same rules, and all issues are told at once.
#[actix_web::test]
async fn on_every_write() {
    let server = Server::start();
    let told = server.post("/Observation/$validate", &bad_observation()).await.json();
    let create = server.post("/Observation", &bad_observation()).await.has_status(422).json();
    assert_eq!(errors(&create), errors(&told));
    let body = with_id(bad_observation(), "o1");
    server.put("/Observation/o1", &body).await.has_status(422);
    for (name, value, status) in [
        ("shoeSize", json!(44), 400),
        ("active", json!("yes"), 422),
        ("birthDate", json!("2026-02-30"), 422),
        ("name", json!({ "family": "A" }), 400),
        ("name", json!([]), 400),
        ("name", json!([null]), 400),
    ] {
        let mut body = patient("A");
        body[name] = value;
        let answer = server.post("/Patient", &body).await.has_status(status).json();
        // What is not there at all has no place of its own.
        let place =
            if name == "shoeSize" { "Patient".to_owned() } else { format!("Patient.{name}") };
        assert!(errors(&answer).iter().any(|(_, at)| at.starts_with(&place)), "{answer}");
    }
    assert_eq!(server.versions().await, 0);
}
