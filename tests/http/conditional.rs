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
