//! read and vread: <http://hl7.org/fhir/R4/http.html#read>, <http://hl7.org/fhir/R4/http.html#vread>.

use serde_json::json;

use crate::client::{Server, patient, with_id};

/// 3.1.0.2, 3.1.0.1.3: the tag is weak and is the version id; Last-Modified is lastUpdated.
#[actix_web::test]
async fn read_tells_version_and_time() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let answer = server.get("/Patient/p1").await.has_status(200);
    let body = answer.json();
    assert_eq!(body["id"], "p1");
    assert_eq!(body["meta"]["versionId"], "1");
    assert_eq!(answer.header("ETag"), "W/\"1\"");
    assert_eq!(answer.header("Content-Type"), "application/fhir+json;charset=utf-8");
    let updated = body["meta"]["lastUpdated"].as_str().unwrap();
    let day = answer.header("Last-Modified");
    assert!(day.ends_with(" GMT") && day.contains(&updated[11..19]), "{day} {updated}");
    assert_eq!(server.get("/Patient/p1/").await.has_status(200).json(), body);
}

/// 3.1.0.2: 404 for what never was, 410 for what was deleted.
#[actix_web::test]
async fn unknown_and_deleted() {
    let server = Server::start();
    server.get("/Patient/none").await.is_error(404, "not-found");
    server.get("/Patient/not%20an%20id").await.is_error(404, "not-found");
    server.get("/Patient/none/_history/1").await.is_error(404, "not-found");
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    server.delete("/Patient/p1").await.has_status(204);
    let gone = server.get("/Patient/p1").await.is_error(410, "deleted");
    assert_eq!(gone.header("ETag"), "W/\"2\"");
}

/// 3.1.0.3: each version stays as it was; the version of a deletion is 410.
#[actix_web::test]
async fn vread_tells_each_version() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    server.put("/Patient/p1", &with_id(patient("B"), "p1")).await.has_status(200);
    server.delete("/Patient/p1").await.has_status(204);
    for (version, family) in [("1", "A"), ("2", "B")] {
        let path = format!("/Patient/p1/_history/{version}");
        let answer = server.get(&path).await.has_status(200);
        assert_eq!(answer.header("ETag"), format!("W/\"{version}\""));
        assert_eq!(answer.json()["name"][0]["family"], family);
        assert_eq!(answer.json()["meta"]["versionId"], version);
    }
    server.get("/Patient/p1/_history/3").await.is_error(410, "deleted");
    server.get("/Patient/p1/_history/4").await.is_error(404, "not-found");
    server.get("/Patient/p1/_history/x").await.is_error(404, "not-found");
}

/// 3.1.0.1.7; RFC 9110 13.1.3: If-None-Match wins over If-Modified-Since.
#[actix_web::test]
async fn conditional_read() {
    let server = Server::start();
    let put = server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let modified = put.header("Last-Modified");
    let early = "Thu, 01 Jan 1970 00:00:00 GMT";
    for (headers, status) in [
        (vec![("If-None-Match", "W/\"1\"")], 304),
        (vec![("If-None-Match", "\"1\"")], 304),
        (vec![("If-None-Match", "W/\"7\", W/\"1\"")], 304),
        (vec![("If-None-Match", "*")], 304),
        (vec![("If-None-Match", "W/\"2\"")], 200),
        (vec![("If-None-Match", "W/\"2\""), ("If-Modified-Since", modified)], 200),
        (vec![("If-Modified-Since", modified)], 304),
        (vec![("If-Modified-Since", early)], 200),
        (vec![("If-Modified-Since", "nonsense")], 200),
    ] {
        let answer = server.send("GET", "/Patient/p1", &headers, "").await.has_status(status);
        assert_eq!(answer.text.is_empty(), status == 304, "{headers:?}");
        assert_eq!(answer.header("ETag"), "W/\"1\"");
    }
}

/// 3.1.0.15: the headers of GET without a body.
#[actix_web::test]
async fn head_is_get_without_body() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let get = server.get("/Patient/p1").await;
    let head = server.send("HEAD", "/Patient/p1", &[], "").await.has_status(200);
    for name in ["ETag", "Last-Modified", "Content-Type", "Content-Length"] {
        assert_eq!(head.header(name), get.header(name), "{name}");
    }
    assert_eq!(head.header("Content-Length"), get.text.len().to_string());
    assert!(head.text.is_empty());
    let missing = server.send("HEAD", "/Patient/none", &[], "").await.has_status(404);
    assert!(missing.text.is_empty());
}

/// json.html#decimal; http.html#update: what was sent comes back, digit by digit, in its order.
#[actix_web::test]
async fn content_comes_back_as_sent() {
    let server = Server::start();
    let body = r#"{"resourceType":"Observation","id":"o1","status":"final","code":{"text":"x"},"valueQuantity":{"value":1.00,"unit":"x"},"extension":[{"url":"http://a.example/unknown","valueDecimal":0.10}],"_status":{"id":"s"}}"#;
    let headers = [crate::client::JSON];
    server.send("PUT", "/Observation/o1", &headers, body).await.has_status(201);
    let answer = server.get("/Observation/o1").await.has_status(200);
    let (_, after_meta) = answer.text.split_once(r#""},"#).unwrap();
    assert_eq!(after_meta, body.split_once(r#""id":"o1","#).unwrap().1);
    let pretty = server.get("/Observation/o1?_pretty=true").await.has_status(200);
    assert!(pretty.text.contains("\n  \"status\": \"final\""), "{}", pretty.text);
    assert!(pretty.text.contains("\"value\": 1.00"), "{}", pretty.text);
    assert_eq!(pretty.json(), answer.json());
    assert_eq!(answer.json()["valueQuantity"]["unit"], json!("x"));
}
