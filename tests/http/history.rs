//! history: <http://hl7.org/fhir/R4/http.html#history>.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::Value;

use crate::client::{Server, link, patient, with_id};

/// Ids and versions of a page.
fn told(bundle: &Value) -> Vec<String> {
    let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
    let told = entries.iter().map(|entry| {
        let url = entry["fullUrl"].as_str().unwrap();
        let id = url.rsplit('/').next().unwrap();
        format!("{id} {}", entry["response"]["etag"].as_str().unwrap())
    });
    told.collect()
}

async fn clinic() -> Server {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    server.put("/Patient/p2", &with_id(patient("B"), "p2")).await.has_status(201);
    server.delete("/Patient/p1").await.has_status(204);
    server.put("/Patient/p1", &with_id(patient("C"), "p1")).await.has_status(201);
    let basic = serde_json::json!({ "resourceType": "Basic", "code": { "text": "x" } });
    server.post("/Basic", &basic).await.has_status(201);
    server
}

/// 3.1.0.12; bdl-3, bdl-4: newest first, deletions without a resource, request and response each.
#[actix_web::test]
async fn levels() {
    let server = clinic().await;
    let instance = server.get("/Patient/p1/_history").await.has_status(200).json();
    assert_eq!((&instance["type"], &instance["total"]), (&"history".into(), &3.into()));
    assert_eq!(told(&instance), ["p1 W/\"3\"", "p1 W/\"2\"", "p1 W/\"1\""]);
    for (entry, method, status, has_resource) in [
        (0, "PUT", "200 OK", true),
        (1, "DELETE", "204 No Content", false),
        (2, "PUT", "201 Created", true),
    ] {
        let entry = &instance["entry"][entry];
        assert_eq!(entry["fullUrl"], format!("{}/Patient/p1", server.base()));
        assert_eq!(
            (&entry["request"]["method"], &entry["request"]["url"]),
            (&method.into(), &"Patient/p1".into())
        );
        assert_eq!(entry["response"]["status"], status);
        assert!(entry["response"]["lastModified"].is_string());
        assert_eq!(entry["resource"]["id"] == "p1", has_resource);
    }
    let kind = server.get("/Patient/_history").await.has_status(200).json();
    assert_eq!(told(&kind), ["p1 W/\"3\"", "p1 W/\"2\"", "p2 W/\"1\"", "p1 W/\"1\""]);
    let system = server.get("/_history").await.has_status(200).json();
    assert_eq!(told(&system).len(), 5);
    assert_eq!(system["entry"][0]["request"]["url"], "Basic");
    let none = server.get("/Group/_history").await.has_status(200).json();
    assert!(none.get("entry").is_none());
    server.get("/Patient/never/_history").await.is_error(404, "not-found");
    server.get("/Nonsense/_history").await.is_error(404, "not-supported");
}

/// 3.1.0.12: _since is inclusive, _count is never exceeded, each at most once.
#[actix_web::test]
async fn parameters() {
    let server = clinic().await;
    let newest = server.get("/Patient/p1").await.json();
    let since = newest["meta"]["lastUpdated"].as_str().unwrap();
    let page = server.get(&format!("/Patient/p1/_history?_since={since}")).await.json();
    assert!(told(&page).contains(&"p1 W/\"3\"".to_owned()));
    let page = server.get("/_history?_since=2999-01-01T00:00:00Z").await.json();
    assert!(page.get("entry").is_none());
    for path in [
        "/_history?_since=2020",
        "/_history?_since=2020-01-01T00:00:00+01:00",
        "/_history?_count=-1",
        "/_history?_count=1&_count=1",
    ] {
        server.get(path).await.is_error(400, "invalid");
    }
    server.get("/_history?_at=2020").await.is_error(400, "not-supported");
    server.get("/_history?unknown=1").await.has_status(200);
    let strict = [("Prefer", "handling=strict")];
    server.send("GET", "/_history?unknown=1", &strict, "").await.is_error(400, "invalid");
}

/// 3.1.0.14 and 3.1.0.12: walking the links while others write gives each version once.
#[actix_web::test]
async fn pages_while_writers_run() {
    let server = Arc::new(Server::start());
    for number in 0..40 {
        let id = format!("p{number}");
        let body = with_id(patient("A"), &id);
        server.put(&format!("/Patient/{id}"), &body).await.has_status(201);
    }
    let go_on = Arc::new(AtomicBool::new(true));
    let writers: Vec<_> = (0..3)
        .map(|writer| {
            let (server, go_on) = (server.clone(), go_on.clone());
            actix_web::rt::spawn(async move {
                let path = format!("/Patient/p{writer}");
                while go_on.load(Ordering::SeqCst) {
                    let body = with_id(patient("B"), &format!("p{writer}"));
                    server.put(&path, &body).await.has_status(200);
                }
            })
        })
        .collect();
    let mut next = Some("/_history?_count=7".to_owned());
    let mut seen = Vec::new();
    while let Some(path) = next {
        let page = server.get(&path).await.has_status(200).json();
        assert!(told(&page).len() <= 7);
        seen.extend(told(&page));
        next = link(&page, "next");
    }
    go_on.store(false, Ordering::SeqCst);
    for writer in writers {
        writer.await.unwrap();
    }
    let once: BTreeSet<&String> = seen.iter().collect();
    assert_eq!(once.len(), seen.len(), "a version was told twice");
    for number in 0..40 {
        let first = format!("p{number} W/\"1\"");
        assert!(once.contains(&first), "{first} is missing");
    }
}
