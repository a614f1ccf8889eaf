//! `$lastn`: <http://hl7.org/fhir/R4/observation-operation-lastn.html>.

use serde_json::{Value, json};

use crate::client::{Server, link, patient, with_id};
use crate::letter::episode;

fn coding(system: &str, code: &str) -> Value {
    json!({ "system": format!("http://{system}.example"), "code": code })
}

/// An Observation of a subject with codes, a category and a time.
fn observation(subject: &str, codings: Value, time: Option<&str>) -> Value {
    let mut value = json!({ "resourceType": "Observation", "status": "final",
        "code": { "coding": codings }, "subject": { "reference": format!("Patient/{subject}") },
        "category": [{ "coding": [{ "code": "exam",
            "system": "http://terminology.hl7.org/CodeSystem/observation-category" }] }] });
    if let Some(time) = time {
        value["effectiveDateTime"] = json!(time);
    }
    value
}

async fn put(server: &Server, id: &str, value: Value) {
    server.put(&format!("/Observation/{id}"), &with_id(value, id)).await.has_status(201);
}

async fn told(server: &Server, query: &str) -> Vec<String> {
    let bundle = server.get(&format!("/Observation/$lastn?{query}")).await.has_status(200).json();
    ids(&bundle)
}

fn ids(bundle: &Value) -> Vec<String> {
    assert_eq!(bundle["type"], "searchset");
    let entries = bundle["entry"].as_array().map_or(&[][..], Vec::as_slice);
    assert!(entries.iter().all(|entry| entry["search"]["mode"] == "match"));
    entries.iter().map(|entry| entry["resource"]["id"].as_str().unwrap().to_owned()).collect()
}

async fn clinic() -> Server {
    let server = Server::start();
    for id in ["p1", "p2"] {
        server.put(&format!("/Patient/{id}"), &with_id(patient(id), id)).await.has_status(201);
    }
    let (a, b) = (json!([coding("x", "a")]), json!([coding("x", "b")]));
    put(&server, "a1", observation("p1", a.clone(), Some("2026-03-01"))).await;
    put(&server, "a2", observation("p1", a.clone(), Some("2026-03-03T08:00:00Z"))).await;
    put(&server, "a3", observation("p1", a.clone(), Some("2026-03-02"))).await;
    put(&server, "a4", observation("p1", a.clone(), None)).await;
    put(&server, "b1", observation("p1", b, Some("2026-03-04"))).await;
    put(&server, "other", observation("p2", a, Some("2027"))).await;
    server
}

/// "retrieving the last 5 temperatures for a patient"; "If no max parameter is specified, … 1";
/// "GROUPED BY Observation.code", "SORTED from most recent to the oldest".
#[actix_web::test]
async fn the_last_of_each_code() {
    let server = clinic().await;
    assert_eq!(told(&server, "patient=p1&category=exam").await, ["b1", "a2"]);
    assert_eq!(told(&server, "subject=Patient/p1&category=exam&max=2").await, ["b1", "a2", "a3"]);
    let all = ["b1", "a2", "a3", "a1", "a4"];
    assert_eq!(told(&server, "patient=Patient/p1&category=exam&max=9").await, all);
    assert_eq!(told(&server, "patient=p1&code=http://x.example|a").await, ["a2"]);
    assert_eq!(told(&server, "patient=p1&category=laboratory").await, [""; 0]);
    // "MAY include other Observation search parameters and modifiers".
    let until = "patient=p1&code=http://x.example|a&date=le2026-03-02";
    assert_eq!(told(&server, until).await, ["a3"]);
    let chained = "patient.family=p1&code:not=http://x.example|b&_sort=-date";
    assert_eq!(told(&server, chained).await, ["a2"]);
    // Subjects are not mixed, however many the criteria name.
    assert_eq!(told(&server, "patient=p1,p2&category=exam").await, ["other", "b1", "a2"]);
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "patient", "valueString": "p1" }, { "name": "category", "valueString": "exam" },
        { "name": "max", "valuePositiveInt": 2 } ] });
    let posted = server.post("/Observation/$lastn", &body).await.has_status(200).json();
    assert_eq!(ids(&posted), ["b1", "a2", "a3"]);
    assert_eq!(posted["total"], 3);
    let cut = server.get("/Observation/$lastn?patient=p1&category=exam&_elements=status").await;
    assert!(cut.json()["entry"][0]["resource"].get("category").is_none(), "{}", cut.text);
}

/// "codes SHALL be considered equivalent if the coding.value and coding.system are the same"; by
/// translations also across groups; "text only": "each unique text is a separate group"; "In case of
/// a tie (when the effective times are equal), then both results SHALL be returned".
#[actix_web::test]
async fn groups_and_ties() {
    let server = clinic().await;
    let both = json!([coding("y", "t"), coding("x", "a")]);
    put(&server, "t1", observation("p1", both, Some("2026-03-05"))).await;
    put(&server, "t2", observation("p1", json!([coding("y", "t")]), Some("2026-03-06"))).await;
    put(&server, "y1", observation("p1", json!([coding("y", "a")]), Some("2026-01-01"))).await;
    assert_eq!(told(&server, "patient=p1&category=exam").await, ["t2", "b1", "y1"]);
    let all = ["t2", "t1", "a2", "b1", "y1"];
    assert_eq!(told(&server, "patient=p1&category=exam&max=3").await, all);
    for (id, text) in [("n1", "One"), ("n2", "Two"), ("n3", "One")] {
        let mut named = observation("p1", json!([]), Some("2026-02-01"));
        named["code"] = json!({ "text": text });
        put(&server, id, named).await;
    }
    let named = "patient=p1&category=exam&code:text=One,Two";
    assert_eq!(told(&server, named).await, ["n1", "n3", "n2"], "n1 and n3 are tied");
    // Without a filter by status what was entered in error is told, as the page says.
    let mut wrong = observation("p1", json!([coding("x", "b")]), Some("2026-04-01"));
    wrong["status"] = json!("entered-in-error");
    put(&server, "b2", wrong).await;
    assert_eq!(told(&server, "patient=p1&code=http://x.example|b").await, ["b2"]);
    let right = "patient=p1&code=http://x.example|b&status:not=entered-in-error";
    assert_eq!(told(&server, right).await, ["b1"]);
}

/// Segments share a code; our search parameter of the body site tells them apart.
#[actix_web::test]
async fn the_last_of_a_segment() {
    let server = episode().await;
    let path = "patient=demo-aldis&code=segmental-mobility";
    let site = "body-site=https://spondyl.example/fhir/CodeSystem/motion-segment|C1-C2";
    let side = "laterality=right";
    let all = told(&server, &format!("{path}&{site}&{side}&max=99")).await;
    assert!(all.len() > 1, "{all:?}");
    let last = told(&server, &format!("{path}&{site}&{side}")).await;
    assert_eq!(last, all[..1]);
    // What is newest of the segment is what a search in that order tells first.
    let sorted = format!("/Observation?{path}&{site}&{side}&_sort=-date&_count=1");
    let sorted = server.get(&sorted).await.has_status(200).json();
    assert_eq!(ids(&sorted), last);
}

/// Pages are of the moment of the first.
#[actix_web::test]
async fn pages() {
    let server = clinic().await;
    let path = "/Observation/$lastn?patient=p1&category=exam&max=9&_count=2";
    let first = server.get(path).await.has_status(200).json();
    let (a, wanted) = (json!([coding("x", "a")]), ["b1", "a2", "a3", "a1", "a4"]);
    put(&server, "a0", observation("p1", a, Some("2028"))).await;
    server.delete("/Observation/a3").await.has_status(204);
    let mut found = ids(&first);
    assert_eq!(found.len(), 2);
    let mut next = link(&first, "next");
    while let Some(path) = next {
        let page = server.get(&path).await.has_status(200).json();
        assert_eq!(page["total"], 5);
        found.extend(ids(&page));
        next = link(&page, "next");
    }
    assert_eq!(found, wanted);
    assert_eq!(told(&server, "patient=p1&category=exam").await, ["a0", "b1"]);
}

#[actix_web::test]
async fn what_is_refused() {
    let server = clinic().await;
    for (query, status, code, place) in [
        ("category=exam", 400, "required", Some("http.patient")),
        ("patient=&category=exam", 400, "required", Some("http.patient")),
        ("patient=p1", 400, "required", Some("http.category")),
        ("patient=p1&date=2026", 400, "required", Some("http.category")),
        ("patient=p1&category=exam&max=0", 400, "invalid", Some("http.max")),
        ("patient=p1&category=exam&max=-1", 400, "invalid", Some("http.max")),
        ("patient=p1&category=exam&max=+1", 400, "invalid", Some("http.max")),
        ("patient=p1&category=exam&max=1&max=2", 400, "invalid", Some("http.max")),
        ("patient=p1&category=exam&colour=x", 400, "invalid", Some("http.colour")),
        ("patient=p1&category=exam&date=soon", 400, "invalid", Some("http.date")),
        ("patient=p1&category=exam&_sort=date", 400, "not-supported", Some("http._sort")),
        ("patient=p1&category=exam&_include=*", 400, "not-supported", Some("http._include")),
        ("patient=p1&category=exam&_summary=count", 400, "not-supported", Some("http._summary")),
        ("patient=p1&category=exam&_count=0", 400, "invalid", Some("http._count")),
        ("patient=p1&category=exam&_cursor=1.x", 400, "invalid", None),
    ] {
        let path = format!("/Observation/$lastn?{query}");
        let answer = server.get(&path).await.is_error(status, code).json();
        assert_eq!(answer["issue"][0]["expression"][0].as_str(), place, "{path}: {answer}");
    }
    server.get("/Patient/$lastn?patient=p1&category=exam").await.is_error(404, "not-found");
    server.get("/Observation/a1/$lastn").await.is_error(404, "not-found");
    server.put("/Observation/$lastn", &json!({})).await.is_error(405, "not-supported");
}
