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
    for (path, code) in [
        ("/_history?_at=2020-13", "invalid"),
        ("/_history?_at=ge2020", "invalid"),
        ("/_history?_at=2020&_at=2021", "invalid"),
        ("/_history?_list=not%20an%20id", "invalid"),
        ("/_history?_list=$current-problems", "not-supported"),
        ("/_history?_sort=name", "invalid"),
        ("/_history?_cursor=x", "invalid"),
        ("/Patient/p1/_history?_summary=count", "invalid"),
    ] {
        let answer = server.get(path).await.is_error(400, code);
        let name = path.split(['?', '=']).nth(1).unwrap();
        let place = answer.json()["issue"][0]["expression"][0].clone();
        assert_eq!(place, format!("http.{name}"), "{path}");
    }
    server.get("/_history?unknown=1").await.has_status(200);
    let strict = [("Prefer", "handling=strict")];
    server.send("GET", "/_history?unknown=1", &strict, "").await.is_error(400, "invalid");
}

/// 3.1.0.12: `_at` is a date at its precision, and asks for what was current at some point in it.
/// The history as a client sees it says which versions these are.
#[actix_web::test]
async fn versions_at_a_time() {
    let server = clinic().await;
    let all = server.get("/Patient/p1/_history?_sort=_lastUpdated").await.has_status(200).json();
    let made = |entry: usize| all["entry"][entry]["response"]["lastModified"].clone();
    let moments: Vec<String> = (0..3).map(|n| made(n).as_str().unwrap().to_owned()).collect();
    let year = &moments[0][..4];
    for (at, expected) in [
        ("1999", vec![]),
        (year, vec!["1", "2", "3"]),
        (&moments[0][..10], vec!["1", "2", "3"]),
        ("2999-12-31T23:59", vec!["3"]),
    ] {
        let page = server.get(&format!("/Patient/p1/_history?_at={at}&_sort=_lastUpdated")).await;
        let page = page.has_status(200).json();
        let of = |version: &&str| format!("p1 W/\"{version}\"");
        assert_eq!(told(&page), expected.iter().map(of).collect::<Vec<_>>(), "{at}");
        assert_eq!(page["total"], expected.len());
    }
    let now = server.get("/_history?_at=2999").await.has_status(200).json();
    assert_eq!(told(&now).len(), 3, "each resource as it is now: {now}");
}

/// 3.1.0.12: `_list` names resources, whole or by version; absolute references of this server too.
#[actix_web::test]
async fn versions_in_a_list() {
    let server = clinic().await;
    let references =
        ["Patient/p1/_history/2", &format!("{}/Patient/p2", server.base()), "#c", "x:y"];
    let entries: Vec<Value> =
        references.map(|text| serde_json::json!({ "item": { "reference": text } })).to_vec();
    let list = serde_json::json!({ "resourceType": "List", "id": "l", "status": "current",
        "mode": "working", "contained": [{ "resourceType": "Basic", "id": "c",
        "code": { "text": "x" } }], "entry": entries });
    server.put("/List/l", &list).await.has_status(201);
    for path in ["/_history?_list=l", "/Patient/_history?_list=List/l"] {
        let page = server.get(path).await.has_status(200).json();
        assert_eq!(told(&page), ["p1 W/\"2\"", "p2 W/\"1\""], "{path}");
    }
    let one = server.get("/Patient/p1/_history?_list=l").await.has_status(200).json();
    assert_eq!(told(&one), ["p1 W/\"2\""]);
    let none = server.get("/_history?_list=none").await.has_status(200).json();
    assert!(none.get("entry").is_none());
}

/// Both orders, page by page and back again; the links repeat what was asked. `_summary` and
/// `_elements` (3.1.0.1.11) hold for histories too.
#[actix_web::test]
async fn orders_and_links() {
    let server = clinic().await;
    let newest = server.get("/_history").await.has_status(200).json();
    let mut expected = told(&newest);
    for sort in ["-_lastUpdated", "_lastUpdated"] {
        let start = format!("/_history?_sort={sort}&_count=2&_since=2000-01-01T00:00:00Z");
        let mut pages = vec![server.get(&start).await.has_status(200).json()];
        while let Some(next) = link(pages.last().unwrap(), "next") {
            for part in ["_sort=", "_count=2", "_since=2000-01-01T00:00:00Z"] {
                assert!(next.contains(part), "{next}");
            }
            pages.push(server.get(&next).await.has_status(200).json());
        }
        let seen: Vec<String> = pages.iter().flat_map(told).collect();
        assert_eq!(seen, expected, "{sort}");
        for pair in pages.windows(2) {
            let back = server.get(&link(&pair[1], "previous").unwrap()).await.has_status(200);
            assert_eq!(told(&back.json()), told(&pair[0]));
        }
        expected.reverse();
    }
    let cut =
        server.get("/Patient/_history?_elements=active&_count=1").await.has_status(200).json();
    let resource = &cut["entry"][0]["resource"];
    assert!(resource.get("name").is_none(), "{resource}");
    assert_eq!(resource["meta"]["tag"][0]["code"], "SUBSETTED");
    assert!(link(&cut, "next").unwrap().contains("_elements=active"));
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
    for start in ["/_history?_count=7", "/_history?_count=7&_sort=_lastUpdated"] {
        let mut next = Some(start.to_owned());
        let mut seen = Vec::new();
        while let Some(path) = next.filter(|_| seen.len() < 500) {
            let page = server.get(&path).await.has_status(200).json();
            assert!(told(&page).len() <= 7);
            seen.extend(told(&page));
            next = link(&page, "next");
        }
        let once: BTreeSet<&String> = seen.iter().collect();
        assert_eq!(once.len(), seen.len(), "a version was told twice");
        for number in 0..40 {
            let first = format!("p{number} W/\"1\"");
            assert!(once.contains(&first), "{first} is missing");
        }
    }
    go_on.store(false, Ordering::SeqCst);
    for writer in writers {
        writer.await.unwrap();
    }
}
