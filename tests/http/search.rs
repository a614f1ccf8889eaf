//! search through HTTP: <http://hl7.org/fhir/R4/http.html#search>. What matches is tested beside
//! the search itself; here it is how questions arrive and how pages go out.

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{JSON, Server, link, patient, with_id};

fn ids(bundle: &Value) -> Vec<&str> {
    let entries = bundle["entry"].as_array().map(Vec::as_slice).unwrap_or_default();
    let matches = entries.iter().filter(|entry| entry["search"]["mode"] == "match");
    matches.map(|entry| entry["resource"]["id"].as_str().unwrap()).collect()
}

async fn clinic() -> Server {
    let server = Server::start();
    for (id, family) in [("p1", "Adler"), ("p2", "Bach"), ("p3", "Adler"), ("p4", "Adler")] {
        server.put(&format!("/Patient/{id}"), &with_id(patient(family), id)).await.has_status(201);
    }
    server
}

/// 3.1.0.9: GET, POST, and both at once ask the same.
#[actix_web::test]
async fn by_get_and_by_post() {
    let server = clinic().await;
    let form = ("Content-Type", "application/x-www-form-urlencoded");
    let get = server.get("/Patient?family=adler&_id=p1,p3").await.has_status(200).json();
    assert_eq!((&get["type"], &get["total"]), (&json!("searchset"), &json!(2)));
    assert_eq!(ids(&get), ["p1", "p3"]);
    assert_eq!(get["entry"][0]["fullUrl"], format!("{}/Patient/p1", server.base()));
    for (path, body) in [
        ("/Patient/_search", "family=adler&_id=p1%2Cp3"),
        ("/Patient/_search?family=adler", "_id=p1,p3"),
        ("/Patient/_search?family=adler&_id=p1,p3", ""),
    ] {
        let post = server.send("POST", path, &[form], body).await.has_status(200).json();
        assert_eq!(ids(&post), ["p1", "p3"], "{path} {body}");
    }
    server.send("POST", "/Patient/_search", &[JSON], "{}").await.is_error(415, "not-supported");
    server.get("/Nonsense?x=y").await.is_error(404, "not-supported");
}

/// 3.1.0.14: pages are walked by their links; each match once.
#[actix_web::test]
async fn pages() {
    let server = clinic().await;
    let first = server.get("/Patient?family=adler&_count=2").await.json();
    assert_eq!(ids(&first), ["p1", "p3"]);
    assert!(link(&first, "previous").is_none());
    let next = server.get(&link(&first, "next").unwrap()).await.has_status(200).json();
    assert_eq!(ids(&next), ["p4"]);
    assert!(link(&next, "next").is_none());
    let back = server.get(&link(&next, "previous").unwrap()).await.has_status(200).json();
    assert_eq!(ids(&back), ["p1", "p3"]);
    let again = server.get(&link(&next, "self").unwrap()).await.has_status(200).json();
    assert_eq!(ids(&again), ["p4"]);
    let bad = server.get("/Patient?_cursor=nonsense").await;
    bad.is_error(400, "invalid");
}

/// 3.1.1.3: what is unknown is ignored, told, and absent from the self link; or refused.
#[actix_web::test]
async fn unknown_parameters() {
    let server = clinic().await;
    let answer = server.get("/Patient?family=bach&shoe-size=44").await.has_status(200).json();
    assert_eq!(ids(&answer), ["p2"]);
    let own = link(&answer, "self").unwrap();
    assert!(own.contains("family=bach") && !own.contains("shoe-size"), "{own}");
    let told = answer["entry"].as_array().unwrap().last().unwrap();
    assert_eq!(told["search"]["mode"], "outcome");
    assert_eq!(told["resource"]["issue"][0]["expression"][0], "http.shoe-size");
    let strict = [("Prefer", "handling=strict")];
    let path = "/Patient?family=bach&shoe-size=44";
    server.send("GET", path, &strict, "").await.is_error(400, "invalid");
    server.get("/Patient?birthdate=notadate").await.is_error(400, "invalid");
    server.get("/Patient?_filter=x").await.is_error(400, "not-supported");
}

/// search.html#summary; 3.1.0.2 for reads.
#[actix_web::test]
async fn parts_of_resources() {
    let server = clinic().await;
    let count = server.get("/Patient?family=adler&_summary=count").await.json();
    assert_eq!(count["total"], 3);
    assert!(count.get("entry").is_none());
    for path in ["/Patient?_id=p1&_elements=active", "/Patient/p1?_elements=active"] {
        let answer = server.get(path).await.has_status(200).json();
        let patient = answer.pointer("/entry/0/resource").unwrap_or(&answer);
        assert!(patient.get("name").is_none(), "{patient}");
        assert_eq!(patient["meta"]["tag"][0]["code"], "SUBSETTED");
    }
    server.get("/Patient/p1?_summary=nonsense").await.is_error(400, "invalid");
}

/// Deleted and replaced content is not found any more.
#[actix_web::test]
async fn the_index_follows() {
    let server = clinic().await;
    server.delete("/Patient/p1").await.has_status(204);
    server.put("/Patient/p3", &with_id(patient("Bach"), "p3")).await.has_status(200);
    assert_eq!(ids(&server.get("/Patient?family=adler").await.json()), ["p4"]);
    assert_eq!(ids(&server.get("/Patient?family=bach").await.json()), ["p2", "p3"]);
}

/// search.html#include: what is included goes out beside the matches, marked as such.
#[actix_web::test]
async fn included_resources_go_out() {
    let server = clinic().await;
    let about = json!({ "resourceType": "Basic", "id": "b", "code": { "text": "x" },
        "subject": { "reference": "Patient/p2" } });
    server.put("/Basic/b", &about).await.has_status(201);
    let found = server.get("/Basic?_include=Basic:subject").await.has_status(200).json();
    assert_eq!(ids(&found), ["b"]);
    let included = &found["entry"][1];
    assert_eq!(included["search"]["mode"], "include");
    assert_eq!(included["resource"]["id"], "p2");
}

/// http.html#search: the whole system and compartments, by GET and by POST; pages of several types
/// are walked by their links, whatever is written meanwhile.
#[actix_web::test]
async fn several_types_and_compartments() {
    let server = clinic().await;
    for id in ["b1", "b2", "b3"] {
        let about = json!({ "resourceType": "Basic", "id": id, "code": { "text": "x" },
            "subject": { "reference": "Patient/p2" } });
        server.put(&format!("/Basic/{id}"), &about).await.has_status(201);
    }
    let form = ("Content-Type", "application/x-www-form-urlencoded");
    for (path, body, expected) in [
        ("/_search", "_type=Basic,Patient&_id=b1,p1", vec!["b1", "p1"]),
        ("/_search?_type=Basic", "_id=b1,p1", vec!["b1"]),
        ("/Patient/p2/Basic/_search", "_id=b2,b9", vec!["b2"]),
        ("/Patient/p2/_search", "_type=Basic", vec!["b1", "b2", "b3"]),
    ] {
        let post = server.send("POST", path, &[form], body).await.has_status(200).json();
        assert_eq!(ids(&post), expected, "{path} {body}");
    }
    let (mut seen, mut next) = (Vec::new(), Some("/?_type=Basic,Patient&_count=2".to_owned()));
    while let Some(url) = next {
        let page = server.get(&url).await.has_status(200).json();
        assert!(page["total"].as_u64().is_some());
        assert!(link(&page, "self").unwrap().contains("_type=Basic,Patient"), "{page}");
        seen.extend(ids(&page).into_iter().map(str::to_owned));
        next = link(&page, "next");
        server.delete("/Basic/b1").await;
        let p0 = with_id(patient("Adler"), "p0");
        server.put("/Patient/p0", &p0).await;
    }
    assert_eq!(seen, ["b1", "b2", "b3", "p0", "p1", "p2", "p3", "p4"]);
    server.send("DELETE", "/Patient/p2/Basic", &[], "").await.is_error(405, "not-supported");
    server.get("/_search").await.is_error(405, "not-supported");
}

/// A limit by configuration: what would cost more is refused, not left to run.
#[actix_web::test]
async fn too_costly_by_configuration() {
    let server = Server::with(Config { max_search_rows: 40, ..Config::default() });
    for id in 0..30 {
        let id = format!("p{id:02}");
        server.put(&format!("/Patient/{id}"), &with_id(patient("Adler"), &id)).await;
    }
    let answer = server.get("/Patient?_content=nothing").await.is_error(403, "too-costly");
    assert!(answer.text.contains("more than 40 rows"), "{}", answer.text);
    server.get("/Patient?_id=p07&_content=adler").await.has_status(200);
}
