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

/// What a whole answer tells, page by page.
async fn turned(server: &Server, path: &str) -> Vec<String> {
    let (mut found, mut url) = (Vec::new(), Some(path.to_owned()));
    while let Some(at) = url {
        let bundle = server.get(&at).await.has_status(200).json();
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        let base = format!("{}/", server.base());
        found.extend(entries.iter().map(|entry| {
            entry["fullUrl"].as_str().unwrap().strip_prefix(&base).unwrap().to_owned()
        }));
        let mut links = bundle["link"].as_array().unwrap().iter();
        let next = links.find(|link| link["relation"] == "next");
        url = next.map(|link| link["url"].as_str().unwrap().to_owned());
        assert!(found.len() < 100, "{path}");
    }
    found
}

/// <http://hl7.org/fhir/R4/search.html#contained>: where the contained resource is told, its URL is
/// that of the container with a fragment.
#[actix_web::test]
async fn contained_resources_page_by_page() {
    let server = Server::start();
    server.put("/Device/d0", &json!({ "resourceType": "Device", "id": "d0" })).await;
    let device = |id: &str| json!({ "resourceType": "Device", "id": id });
    for id in ["a", "b"] {
        let value = json!({ "resourceType": "Basic", "id": id, "code": { "text": "x" },
            "extension": [{ "url": "urn:x", "valueReference": { "reference": "#1" } },
                { "url": "urn:x", "valueReference": { "reference": "#2" } }],
            "contained": [device("1"), device("2")] });
        server.put(&format!("/Basic/{id}"), &value).await.has_status(201);
    }
    let parts = ["Basic/a#1", "Basic/a#2", "Basic/b#1", "Basic/b#2"];
    for count in 1..6 {
        let path = format!("/Device?_count={count}&_contained=true");
        assert_eq!(turned(&server, &path).await, ["Basic/a", "Basic/b"], "{count}");
        let path = format!("{path}&_containedType=contained");
        assert_eq!(turned(&server, &path).await, parts, "{count}");
        let path = format!("/Device?_count={count}&_contained=both&_containedType=contained");
        let all = turned(&server, &path).await;
        assert_eq!(all[0], "Device/d0", "{count}");
        assert_eq!(all[1..], parts, "{count}");
        let bundle = server.get(&path).await.json();
        assert_eq!(bundle["total"], 5);
    }
    let path = "/Device?_contained=true&_containedType=contained&_elements=status";
    let bundle = server.get(path).await.json();
    assert_eq!(bundle["entry"][0]["resource"]["id"], "1", "{bundle}");
    assert_eq!(bundle["entry"][0]["search"]["mode"], "match");
    let bundle = server.get("/Device?_contained=true&_summary=count").await.json();
    assert_eq!((&bundle["total"], bundle.get("entry")), (&json!(2), None));
    for cursor in ["x", "cBasic", "n00"] {
        let path = format!("/Device?_contained=true&_cursor={cursor}");
        server.get(&path).await.is_error(400, "invalid");
    }
}

/// Matches of several types come as one list; each is on one page, whatever the size.
#[actix_web::test]
async fn several_types_in_one_order() {
    let server = Server::start();
    for (number, kind) in
        ["Device", "Basic", "Basic", "Device", "Basic", "Patient"].iter().enumerate()
    {
        let id = format!("r{number}");
        let mut value = json!({ "resourceType": kind, "id": id,
            "meta": { "tag": [{ "system": "urn:t", "code": format!("t{number}") }] } });
        if *kind == "Basic" {
            value["code"] = json!({ "text": "x" });
        }
        server.put(&format!("/{kind}/{id}"), &value).await.has_status(201);
    }
    let all = ["Device/r0", "Basic/r1", "Basic/r2", "Device/r3", "Basic/r4", "Patient/r5"];
    let backward: Vec<_> = all.iter().rev().copied().collect();
    for count in 1..8 {
        let url = |sort: &str| format!("/?_type=Device,Basic,Patient&_count={count}&_sort={sort}");
        assert_eq!(turned(&server, &url("_tag")).await, all, "{count}");
        assert_eq!(turned(&server, &url("-_tag")).await, backward, "{count}");
        // Some may have been written in the same millisecond.
        for sort in ["_lastUpdated", "-_lastUpdated"] {
            let mut found = turned(&server, &url(sort)).await;
            found.sort_by_key(|name| name.split_once('/').unwrap().1.to_owned());
            assert_eq!(found, all, "{count} {sort}");
        }
        assert_eq!(turned(&server, &url("_id")).await, all, "{count}");
        // Of one profile that all lack: by type, then id.
        let by_type = ["Basic/r1", "Basic/r2", "Basic/r4", "Device/r0", "Device/r3", "Patient/r5"];
        assert_eq!(turned(&server, &url("_profile")).await, by_type, "{count}");
        let bundle = server.get(&url("_id")).await.json();
        assert_eq!(bundle["total"], 6);
    }
}

/// Bad searches: each the status and code, and soon answered
/// (<http://hl7.org/fhir/R4/search.html#errors>, <http://hl7.org/fhir/R4/http.html#search>).
#[actix_web::test]
async fn bad_searches() {
    let server = clinic().await;
    let many = |count: usize| vec!["a"; count].join(",");
    let words = "(".repeat(5000);
    let chain = "has-member:Observation.".repeat(6);
    let has = "_has:Observation:has-member:".repeat(6);
    let terms = vec!["a"; 3000].join("%20OR%20");
    for (path, status, code) in [
        (format!("/Patient?family={}", many(1001)), 403, "too-costly"),
        (format!("/Patient?_id={}", many(1001)), 403, "too-costly"),
        (format!("/Observation?{chain}status=final"), 403, "too-costly"),
        (format!("/Observation?{has}status=final"), 403, "too-costly"),
        (format!("/Patient?_text={words}"), 400, "invalid"),
        ("/Patient?birthdate=2026-02-30".to_owned(), 400, "invalid"),
        ("/Patient?birthdate=gt".to_owned(), 400, "invalid"),
        ("/Patient?birthdate=zz2026".to_owned(), 400, "invalid"),
        ("/Patient?birthdate:contains=2026".to_owned(), 400, "invalid"),
        ("/Patient?_count=-1".to_owned(), 400, "invalid"),
        ("/Patient?_count=many".to_owned(), 400, "invalid"),
        ("/Patient?_has:Nobody:patient:status=x".to_owned(), 400, "invalid"),
        ("/Patient?_has:Observation:code:status=x".to_owned(), 400, "invalid"),
        ("/Patient?_has:Observation:encounter:status=x".to_owned(), 400, "invalid"),
        ("/Patient?_has=x".to_owned(), 400, "invalid"),
        ("/Patient?_has:=x".to_owned(), 400, "invalid"),
        ("/Observation?subject:Nobody.name=x".to_owned(), 400, "invalid"),
        ("/Observation?value-quantity=1e999".to_owned(), 400, "invalid"),
        ("/Observation?value-quantity=5%7Cmg".to_owned(), 400, "invalid"),
        ("/Patient?_include=*:*:*:*".to_owned(), 400, "invalid"),
        ("/Patient?_sort=_text".to_owned(), 400, "invalid"),
        ("/Patient?_filter=name%20eq%20x".to_owned(), 400, "not-supported"),
        ("/Patient?_query=mine".to_owned(), 400, "not-supported"),
        ("/Patient?_summary=some".to_owned(), 400, "invalid"),
        ("/Patient?_total=9".to_owned(), 400, "invalid"),
    ] {
        let strict = [("Prefer", "handling=strict")];
        let answer = server.send("GET", &path, &strict, "").await;
        println!("{path:.80}: {}", answer.status);
        answer.is_error(status, code);
    }
    for path in [
        format!("/Patient?family={}", many(1000)),
        format!("/Patient?_content={terms}"),
        "/Patient?_count=99999999999999999999".to_owned(),
        "/Patient?_revinclude:iterate=*&_include:iterate=*".to_owned(),
    ] {
        server.get(&path).await.has_status(200);
    }
}

/// A fan of includes beyond the limit is refused, not cut short.
#[actix_web::test]
async fn a_huge_fan_of_includes() {
    let server = Server::start();
    server.put("/Patient/p", &with_id(patient("A"), "p")).await.has_status(201);
    for chunk in 0..6 {
        let entries: Vec<Value> = (0..200)
            .map(|number| {
                let id = format!("b{chunk}-{number}");
                let resource = json!({ "resourceType": "Basic", "id": id, "code": { "text": "x" },
                    "subject": { "reference": "Patient/p" } });
                json!({ "resource": resource, "request": { "method": "PUT", "url": format!("Basic/{id}") } })
            })
            .collect();
        let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
        server.post("/", &bundle).await.has_status(200);
    }
    server.get("/Patient?_revinclude=Basic:subject").await.is_error(403, "too-costly");
    server.get("/Patient?_revinclude:iterate=*").await.is_error(403, "too-costly");
    let bundle = server.get("/Basic?_include=*&_count=1000").await.has_status(200).json();
    assert_eq!(bundle["entry"].as_array().unwrap().len(), 1001);
}

/// A limit by configuration: what would cost more is refused, not left to run.
#[actix_web::test]
async fn too_costly_by_configuration() {
    let server = Server::with(Config { max_search_rows: 40, ..Config::default() });
    for id in 0..30 {
        let id = format!("p{id:02}");
        server.put(&format!("/Patient/{id}"), &with_id(patient("Adler"), &id)).await;
    }
    let answer = server.get("/Patient?_content=NOT%20nothing").await.is_error(403, "too-costly");
    assert!(answer.text.contains("more than 40 rows"), "{}", answer.text);
    server.get("/Patient?_id=p07&_content=adler").await.has_status(200);
}
