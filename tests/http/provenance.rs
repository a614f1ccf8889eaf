//! `X-Provenance`: where what is written comes from, stored with it.
//!
//! Source: <http://hl7.org/fhir/R4/provenance.html#header>.

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient, with_id};
use crate::guarded::Guarded;

fn provenance() -> Value {
    json!({ "resourceType": "Provenance", "recorded": "2026-03-02T08:10:00Z",
        "agent": [{ "who": { "display": "Grüne Praxis" } }] })
}

async fn send(
    server: &Server,
    method: &str,
    path: &str,
    body: &Value,
    header: &Value,
) -> crate::client::Answer {
    let header = header.to_string().replace('ü', "\\u00fc");
    server.send(method, path, &[JSON, ("X-Provenance", &header)], body.to_string()).await
}

#[actix_web::test]
async fn it_is_stored_of_the_very_version_in_the_same_commit() {
    let server = Server::start();
    let alba = with_id(patient("alba"), "alba");
    send(&server, "PUT", "/Patient/alba", &alba, &provenance()).await.has_status(201);
    server.put("/Patient/alba", &alba).await.has_status(200);
    send(&server, "PUT", "/Patient/alba", &alba, &provenance()).await.has_status(200);
    let created = send(&server, "POST", "/Patient", &patient("brun"), &provenance()).await;
    let created = created.has_status(201).json();
    let found = server.get("/Patient?_id=alba&_revinclude=Provenance:target").await.json();
    let mut targets: Vec<String> = found["entry"].as_array().unwrap()[1..]
        .iter()
        .map(|entry| entry["resource"]["target"][0]["reference"].as_str().unwrap().to_owned())
        .collect();
    targets.sort();
    assert_eq!(targets, ["Patient/alba/_history/1", "Patient/alba/_history/3"]);
    let id = created["id"].as_str().unwrap();
    let own = server.get(&format!("/Provenance?target=Patient/{id}")).await.json();
    let own = &own["entry"][0]["resource"];
    assert_eq!(own["agent"][0]["who"]["display"], "Grüne Praxis");
    assert_eq!(own["recorded"], "2026-03-02T08:10:00Z");
}

/// "SHALL NOT contain target"; a Provenance that breaks the rules keeps the whole from being written.
#[actix_web::test]
async fn what_is_wrong_with_it_is_told_and_nothing_written() {
    let server = Server::start();
    let mut targeted = provenance();
    targeted["target"] = json!([{ "reference": "Patient/other" }]);
    let mut without_agent = provenance();
    without_agent.as_object_mut().unwrap().remove("agent");
    let alba = with_id(patient("alba"), "alba");
    for (header, status, expression) in [
        (targeted, 400, "http.X-Provenance"),
        (json!({ "resourceType": "Patient" }), 400, "http.X-Provenance"),
        (without_agent, 422, "Provenance"),
    ] {
        for (method, path) in [("PUT", "/Patient/alba"), ("POST", "/Patient")] {
            let answer = send(&server, method, path, &alba, &header).await.has_status(status);
            let told = answer.json()["issue"][0]["expression"][0].clone();
            assert!(told.as_str().unwrap().starts_with(expression), "{told}");
        }
    }
    assert_eq!(server.versions().await, 0);
}

/// Who may not create a Provenance cannot do so by the header either.
#[actix_web::test]
async fn it_needs_the_right_to_create_it() {
    let guarded = Guarded::start(&[("system/Patient.cruds", None, None)]);
    let header = provenance().to_string().replace('ü', "u");
    let bearer = format!("Bearer {}", guarded.tokens[1]);
    let headers = [("Authorization", &*bearer), JSON, ("X-Provenance", &*header)];
    let body = with_id(patient("alba"), "alba").to_string();
    let answer = guarded.server.send("PUT", "/Patient/alba", &headers, body.clone()).await;
    answer.is_error(403, "forbidden");
    guarded.get(1, "/Patient/alba").await.is_error(404, "not-found");
    guarded.server.send("PUT", "/Patient/alba", &headers[..2], body).await.has_status(201);
}
