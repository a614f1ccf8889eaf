//! Conditional create: <http://hl7.org/fhir/R4/http.html#ccreate>.

use std::sync::Arc;

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient};

fn identified(value: &str) -> Value {
    let mut body = patient("A");
    body["identifier"] = json!([{ "system": "http://a.example", "value": value }]);
    body
}

const CRITERIA: (&str, &str) = ("If-None-Exist", "identifier=http://a.example%7C1");

/// 3.1.0.8.1: none: created; one: left alone; several: refused.
#[actix_web::test]
async fn only_if_none_exists() {
    let server = Server::start();
    let body = identified("1").to_string();
    let post = || server.send("POST", "/Patient", &[JSON, CRITERIA], body.clone());
    let first = post().await.has_status(201);
    let second = post().await.has_status(200);
    assert_eq!(second.header("Location"), first.header("Location"));
    assert_eq!(second.header("ETag"), "W/\"1\"");
    assert_eq!(server.versions().await, 1);
    server.post("/Patient", &identified("1")).await.has_status(201);
    post().await.is_error(412, "multiple-matches");
    assert_eq!(server.versions().await, 2);
}

/// Criteria that do not select must not be taken for criteria that select nothing.
#[actix_web::test]
async fn criteria_are_strict() {
    let server = Server::start();
    for criteria in ["", "identifier=", "shoe-size=44", "_count=1", "_sort=name", "name:bad=x"] {
        let headers = [JSON, ("If-None-Exist", criteria)];
        let answer = server.send("POST", "/Patient", &headers, identified("1").to_string()).await;
        assert_eq!(answer.status, 400, "{criteria}: {}", answer.text);
    }
    assert_eq!(server.versions().await, 0);
}

/// The same create from many at once makes one resource.
#[actix_web::test]
async fn no_duplicates_under_races() {
    let server = Arc::new(Server::start());
    let writers: Vec<_> = (0..12)
        .map(|_| {
            let server = server.clone();
            actix_web::rt::spawn(async move {
                let body = identified("1").to_string();
                server.send("POST", "/Patient", &[JSON, CRITERIA], body).await.status
            })
        })
        .collect();
    let mut created = 0;
    for writer in writers {
        match writer.await.unwrap() {
            201 => created += 1,
            200 => {}
            other => panic!("{other}"),
        }
    }
    assert_eq!((created, server.versions().await), (1, 1));
}

/// Conditional update (<http://hl7.org/fhir/R4/http.html#cond-update>): none, one, several.
#[actix_web::test]
async fn update_by_criteria() {
    let server = Server::start();
    let url = "/Patient?identifier=http://a.example%7C1";
    let with_id = |id: &str| {
        let mut body = identified("1");
        body["id"] = json!(id);
        body
    };
    // None, and no id: created. One: updated, whatever else the body says but another id.
    let created = server.put(url, &identified("1")).await.has_status(201).json();
    let id = created["id"].as_str().unwrap().to_owned();
    let updated = server.put(url, &identified("1")).await.has_status(200).json();
    assert_eq!((&updated["id"], &updated["meta"]["versionId"]), (&json!(id), &json!("2")));
    server.put(url, &with_id(&id)).await.has_status(200);
    server.put(url, &with_id("other")).await.is_error(400, "invalid");
    let stale = [JSON, ("If-Match", "W/\"1\"")];
    let body = identified("1").to_string();
    server.send("PUT", url, &stale, body).await.is_error(412, "conflict");
    // None, with an id: created under it, unless it is another's.
    let other = "/Patient?identifier=http://a.example%7C2";
    server.put(other, &with_id("two")).await.has_status(201);
    server.put(other, &with_id("two")).await.is_error(409, "duplicate");
    server.put("/Patient?family=A", &identified("1")).await.is_error(412, "multiple-matches");
    for bad in ["/Patient", "/Patient?", "/Patient?_count=1", "/Patient?shoe=1"] {
        let answer = server.put(bad, &identified("1")).await;
        assert_eq!(answer.status, 400, "{bad}: {}", answer.text);
    }
    server
        .put(&format!("{url}&_format=json"), &identified("1"))
        .await
        .is_error(412, "multiple-matches");
}

/// Conditional delete (<http://hl7.org/fhir/R4/http.html#cdelete>), as it is configured.
#[actix_web::test]
async fn delete_by_criteria() {
    let url = "/Patient?identifier=http://a.example%7C1";
    let server = Server::start();
    server.delete(url).await.has_status(204);
    server.post("/Patient", &identified("1")).await.has_status(201);
    server.delete(url).await.has_status(204);
    assert_eq!(server.get(url).await.json()["total"], 0);
    for _ in 0..2 {
        server.post("/Patient", &identified("1")).await.has_status(201);
    }
    server.delete(url).await.is_error(412, "multiple-matches");
    server.delete("/Patient").await.is_error(400, "invalid");

    let conditional_delete = spondyl::config::ConditionalDelete::Multiple;
    let server = Server::with(spondyl::config::Config { conditional_delete, ..Default::default() });
    for value in ["1", "1", "2"] {
        server.post("/Patient", &identified(value)).await.has_status(201);
    }
    server.delete(url).await.has_status(204);
    assert_eq!(server.get("/Patient").await.json()["total"], 1);
}

/// In a transaction, with the order and the identities of the standard.
#[actix_web::test]
async fn criteria_in_a_transaction() {
    let server = Server::start();
    for value in ["1", "2"] {
        server.post("/Patient", &identified(value)).await.has_status(201);
    }
    let entry = |method: &str, criteria: &str, resource: Option<Value>| {
        let mut entry = json!({ "request": { "method": method, "url": format!("Patient?identifier={criteria}") } });
        if let Some(resource) = resource {
            entry["resource"] = resource;
        }
        entry
    };
    let mut changed = identified("1");
    changed["active"] = json!(true);
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        entry("PUT", "1", Some(changed)), entry("DELETE", "2", None), entry("DELETE", "9", None),
        entry("PUT", "3", Some(identified("3"))),
    ] });
    let answer = server.post("", &bundle).await.has_status(200).json();
    let statuses: Vec<&str> = answer["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| entry["response"]["status"].as_str().unwrap())
        .collect();
    assert_eq!(statuses, ["200 OK", "204 No Content", "204 No Content", "201 Created"]);
    assert_eq!(server.get("/Patient").await.json()["total"], 2);
}

/// A server can ask for `If-Match` on all that exists.
#[actix_web::test]
async fn tags_required() {
    let config = spondyl::config::Config { require_if_match: true, ..Default::default() };
    let server = Server::with(config);
    let mut body = patient("A");
    body["id"] = json!("p");
    server.put("/Patient/p", &body).await.has_status(201);
    server.put("/Patient/p", &body).await.is_error(400, "required");
    server.delete("/Patient/p").await.is_error(400, "required");
    let tag = ("If-Match", "W/\"1\"");
    server.send("PUT", "/Patient/p", &[JSON, tag], body.to_string()).await.has_status(200);
}
