//! `$validate`: <http://hl7.org/fhir/R4/resource-operation-validate.html>, and the same rules on
//! every write: <http://hl7.org/fhir/R4/http.html#rejecting-updates>.

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient, told as with_text, with_id};

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
    // dom-6 is good practice: told here, never a reason to refuse.
    let advice = &good["issue"][0];
    assert_eq!((&advice["severity"], &advice["code"]), (&json!("warning"), &json!("invariant")));
    assert_eq!(advice["details"]["coding"][0]["code"], "narrative-missing");
    let told = server.post("/Patient/$validate", &with_text(patient("A"))).await.json();
    assert_eq!(told["issue"][0]["details"]["coding"][0]["code"], "all-well");
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
    answer.has_status(200);
    let empty = server.send("POST", "/Patient/$validate", &[JSON], "").await;
    empty.is_error(400, "invalid");
    server.get("/Patient/$validate").await.is_error(400, "invalid");
    server.put("/Patient/$validate", &patient("A")).await.is_error(405, "not-supported");
    for query in ["mode=profile", "mode=create&mode=create", "profile=a&profile=b"] {
        let path = format!("/Patient/$validate?{query}");
        call(&path, patient("A")).await.is_error(400, "invalid");
    }
    let many = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "mode", "valueCode": "profile" },
        { "name": "profile", "valueUri": profile },
        { "name": "resource", "resource": bad_observation() },
    ] });
    let outcome = call("/Observation/$validate", many).await.has_status(200).json();
    let by_profile = outcome["issue"].as_array().unwrap().iter();
    let text = |issue: &&Value| issue["details"]["text"].as_str().unwrap().contains(profile);
    assert!(by_profile.filter(text).count() > 1, "{outcome}");
    // What is wrong is told of the resource, line and column of the text around it.
    let text = "{\"resourceType\":\"Parameters\",\"parameter\":[{\"name\":\"resource\",\n\
                \"resource\":{\"resourceType\":\"Patient\",\n \"active\":\"yes\"}}]}";
    let outcome = server.send("POST", "/Patient/$validate", &[JSON], text).await.has_status(200);
    let issue = &outcome.json()["issue"][0];
    assert_eq!(issue["expression"][0], "Patient.active");
    assert_eq!(issue["location"][0], "line 3, column 2");
    server.get("/Patient/$nonsense").await.is_error(404, "not-found");
}

/// At the level of an instance: what is stored, or what is to replace it.
#[actix_web::test]
async fn of_an_instance() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(with_text(patient("A")), "p1")).await.has_status(201);
    let call = async |mode: &str, body: &str| {
        let path = format!("/Patient/p1/$validate?mode={mode}");
        server.send("POST", &path, &[JSON], body.to_owned()).await
    };
    let told = |outcome: &Value| {
        let issue = &outcome["issue"][0];
        let code = issue["details"]["coding"][0]["code"].as_str().unwrap().to_owned();
        (issue["severity"].as_str().unwrap().to_owned(), code)
    };
    let is = |severity: &str, code: &str| (severity.to_owned(), code.to_owned());
    let outcome = call("delete", "").await.has_status(200).json();
    assert_eq!(told(&outcome), is("information", "would-delete"));
    let path = "/Patient/p9/$validate?mode=delete";
    let outcome = server.get(path).await.has_status(200).json();
    assert_eq!(told(&outcome), is("warning", "nothing-to-delete"));
    let outcome = server.get("/Patient/p1/$validate").await.has_status(200).json();
    assert_eq!(told(&outcome), is("information", "all-well"));
    let outcome = server.get("/Patient/p1/$validate?mode=delete").await.has_status(200).json();
    assert_eq!(told(&outcome), is("information", "would-delete"));
    let vital = "profile=http://hl7.org/fhir/StructureDefinition/vitalsigns";
    let outcome = server.get(&format!("/Patient/p1/$validate?{vital}")).await.has_status(200);
    assert_eq!(told(&outcome.json()), is("error", "structure"));
    server.get("/Patient/p1/$validate?mode=profile").await.is_error(400, "invalid");
    server.get("/Patient/p9/$validate").await.is_error(404, "not-found");
    let mut stale = with_id(with_text(patient("B")), "p1");
    stale["meta"] = json!({ "versionId": "7" });
    let outcome = call("update", &stale.to_string()).await.has_status(200).json();
    assert_eq!(told(&outcome), is("warning", "other-version"));
    let new = with_id(with_text(patient("B")), "p9").to_string();
    let path = "/Patient/p9/$validate?mode=update";
    let outcome = server.send("POST", path, &[JSON], new).await.has_status(200).json();
    assert_eq!(told(&outcome), is("information", "would-create"));
    let same = with_id(with_text(patient("B")), "p1").to_string();
    assert_eq!(errors(&call("update", &same).await.has_status(200).json()), []);
    let other = with_id(patient("B"), "p2").to_string();
    let errors = errors(&call("update", &other).await.has_status(200).json());
    assert_eq!(errors, [("invalid".to_owned(), "Patient.id".to_owned())]);
    server.send("POST", "/Patient/p1/$validate", &[], "").await.has_status(200);
    server.send("POST", "/Patient/p2/$validate", &[], "").await.is_error(404, "not-found");
    server.delete("/Patient/p1").await.has_status(204);
    server.get("/Patient/p1/$validate").await.is_error(410, "deleted");
    let outcome = server.get("/Patient/p1/$validate?mode=delete").await.has_status(200).json();
    assert_eq!(told(&outcome), is("warning", "nothing-to-delete"));
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
