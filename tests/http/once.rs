//! Requests with an Idempotency-Key.
//!
//! Source: draft-ietf-httpapi-idempotency-key-header-07, sections 2.2 to 2.7 (from memory): the same
//! request again gets the same answer, other content 422, a request at work 409.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use crate::client::{Answer, JSON, Server, patient, with_id};
use crate::guarded::Guarded;

fn basic(text: &str) -> Value {
    json!({ "resourceType": "Basic", "code": { "text": text } })
}

async fn post(server: &Server, path: &str, key: &str, body: &Value) -> Answer {
    let quoted = format!("\"{key}\"");
    let headers = [JSON, ("Idempotency-Key", quoted.as_str())];
    server.send("POST", path, &headers, body.to_string()).await
}

/// What is the same each time.
fn told(answer: &Answer) -> (u16, Vec<String>, String) {
    let names = ["Location", "ETag", "Last-Modified", "Content-Type", "Preference-Applied"];
    let headers = names.map(|name| answer.header(name).to_owned()).to_vec();
    (answer.status, headers, answer.text.clone())
}

#[actix_web::test]
async fn a_create_that_is_repeated_is_one() {
    let server = Server::start();
    let first = post(&server, "/Basic", "k-1", &basic("one")).await.has_status(201);
    let again = post(&server, "/Basic", "k-1", &basic("one")).await;
    assert_eq!(told(&again), told(&first));
    assert!(first.header("Location").ends_with("/_history/1"));
    assert_eq!(server.versions().await, 1);
    // What is kept is the answer as it was, whatever has become of the resource.
    let path = first.header("Location").split("/fhir").nth(1).unwrap().to_owned();
    server.delete(path.split("/_history").next().unwrap()).await.has_status(204);
    let again = post(&server, "/Basic", "k-1", &basic("one")).await;
    assert_eq!(told(&again), told(&first));

    let other = post(&server, "/Basic", "k-1", &basic("two")).await;
    let issue = other.json()["issue"][0].clone();
    other.is_error(422, "business-rule");
    assert_eq!(issue["expression"][0], "http.Idempotency-Key");
    post(&server, "/Basic?x=y", "k-1", &basic("one")).await.is_error(422, "business-rule");
    post(&server, "/Basic", "k-2", &basic("one")).await.has_status(201);
    assert_eq!(server.versions().await, 3);
    for key in ["", "a\"b"] {
        post(&server, "/Basic", key, &basic("one")).await.is_error(400, "invalid");
    }
}

/// A refusal writes nothing, so that the request may come again under its key, mended or not.
#[actix_web::test]
async fn what_was_refused_may_come_again() {
    let server = Server::start();
    let bad = json!({ "resourceType": "Basic", "colour": "red" });
    assert_eq!(post(&server, "/Basic", "k", &bad).await.status / 100, 4);
    post(&server, "/Basic", "k", &basic("mended")).await.has_status(201);
    assert_eq!(server.versions().await, 1);
}

/// Each kind of request that writes, twice: the second changes nothing. A batch of several commits is
/// one here.
#[actix_web::test]
async fn whatever_writes_writes_once() {
    let server = Server::start();
    server.put("/Patient/p", &with_id(patient("p"), "p")).await.has_status(201);
    let entry = |method: &str, url: &str, resource: Value| json!({ "request": { "method": method, "url": url }, "resource": resource });
    let bundle = |kind: &str, entries: Vec<Value>| json!({ "resourceType": "Bundle", "type": kind, "entry": entries });
    let mixed = vec![
        entry("POST", "Basic", basic("a")),
        entry("PUT", "Basic?code:text=none", basic("by criteria")),
        entry("PUT", "Basic/b", with_id(basic("b"), "b")),
        json!({ "request": { "method": "GET", "url": "Basic/b" } }),
        entry("PUT", "Basic/b", with_id(basic("b again"), "b")),
        entry("POST", "Basic", json!({ "resourceType": "Basic", "colour": "red" })),
        json!({ "request": { "method": "DELETE", "url": "Patient/p" } }),
    ];
    let all = vec![entry("POST", "Basic", basic("c")), entry("POST", "Basic", basic("d"))];
    let meta = json!({ "resourceType": "Parameters", "parameter": [{ "name": "meta",
        "valueMeta": { "tag": [{ "system": "urn:t", "code": "t" }] } }] });
    let definition = json!({ "resourceType": "CodeSystem", "url": "http://a.example/c", "version": "1",
        "status": "active", "content": "complete", "concept": [{ "code": "x" }] });
    let defining = vec![
        entry("POST", "Basic", basic("before")),
        entry(
            "POST",
            "CodeSystem",
            json!({ "resourceType": "CodeSystem", "url": "http://a.example/d",
            "status": "active", "content": "complete" }),
        ),
        entry("POST", "Basic", basic("after")),
    ];
    for (key, path, body, versions) in [
        ("batch", "", bundle("batch", mixed), 5),
        ("transaction", "", bundle("transaction", all), 2),
        ("meta", "/Basic/b/$meta-add", meta, 1),
        ("definition", "/CodeSystem", definition, 1),
        ("defining", "", bundle("batch", defining), 3),
    ] {
        let before = server.versions().await;
        let first = post(&server, path, key, &body).await;
        assert_eq!(first.status / 100, 2, "{key}: {}", first.text);
        assert_eq!(server.versions().await, before + versions, "{key}: {}", first.text);
        let again = post(&server, path, key, &body).await;
        assert_eq!(told(&again), told(&first), "{key}");
        assert_eq!(server.versions().await, before + versions, "{key}");
    }
    let read = server.get("/Basic/b").await.json();
    assert_eq!(
        (&read["code"]["text"], &read["meta"]["versionId"]),
        (&json!("b again"), &json!("3"))
    );
    let found = server.get("/Basic?code:text=b%20again").await.json();
    assert_eq!(found["total"], 1, "the index is that of the last version");
    let history = server.get("/Basic/b/_history").await.json();
    assert_eq!(history["total"], 3);
    server.get("/Patient/p").await.is_error(410, "deleted");
    // In force, as without a key.
    let code = "/CodeSystem/$validate-code?url=http://a.example/c&code=x";
    assert_eq!(server.get(code).await.json()["parameter"][0]["valueBoolean"], true);
    let patch = json!([{ "op": "replace", "path": "/code/text", "value": "patched" }]).to_string();
    let headers =
        [("Content-Type", "application/json-patch+json"), ("Idempotency-Key", "\"patch\"")];
    for _ in 0..2 {
        let done = server.send("PATCH", "/Basic/b", &headers, patch.clone()).await.has_status(200);
        assert_eq!(done.header("ETag"), "W/\"4\"");
    }
}

/// Many at once: one writes, the others get its answer or are told that it is at work.
#[actix_web::test]
async fn of_many_at_once_one_writes() {
    let server = Server::start();
    for round in 0..10 {
        let key = format!("k-{round}");
        let body = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
            { "request": { "method": "POST", "url": "Basic" }, "resource": basic(&key) }] });
        let sent = (0..12).map(|_| {
            let (client, url, key, body) =
                (reqwest::Client::new(), server.base(), key.clone(), body.to_string());
            actix_web::rt::spawn(async move {
                let request = client
                    .post(url)
                    .header(JSON.0, JSON.1)
                    .header("Idempotency-Key", format!("\"{key}\""));
                let answer = request.body(body).send().await.unwrap();
                (answer.status().as_u16(), answer.text().await.unwrap())
            })
        });
        let sent: Vec<_> = sent.collect();
        let mut given = std::collections::BTreeSet::new();
        for answer in sent {
            let (status, text) = answer.await.unwrap();
            assert!([200, 409].contains(&status), "{status} {text}");
            if status == 200 {
                given.insert(text);
            }
        }
        assert_eq!(given.len(), 1, "one answer, however often it is given");
        assert_eq!(server.versions().await, round + 1);
    }
}

/// A key is its client's, and what it writes is within the token.
#[actix_web::test]
async fn a_key_is_its_clients_and_permits_nothing() {
    let guarded = Guarded::start(&[("system/Basic.r", None, None)]);
    let send = async |who: usize, key: &str| {
        let bearer = format!("Bearer {}", guarded.tokens[who]);
        let headers = [JSON, ("Authorization", bearer.as_str()), ("Idempotency-Key", key)];
        guarded.server.send("POST", "/Basic", &headers, basic("x").to_string()).await
    };
    send(0, "\"k\"").await.has_status(201);
    // Asked for first: who may not write does not learn of what others wrote.
    send(1, "\"k\"").await.is_error(403, "forbidden");
    send(1, "\"l\"").await.is_error(403, "forbidden");
    let bearer = format!("Bearer {}", guarded.tokens[0]);
    let found =
        guarded.server.send("GET", "/Basic", &[("Authorization", &bearer)], "").await.json();
    assert_eq!(found["total"], 1);
}

/// The answer is kept on disk.
#[actix_web::test]
async fn the_answer_outlives_the_server() {
    let data = tempfile::TempDir::new().unwrap();
    let server = Server::in_directory(data.path());
    let first = told(&post(&server, "/Basic", "k", &basic("one")).await.has_status(201));
    let address = server.base();
    server.stop().await;
    let server = Server::in_directory(data.path());
    let again = told(&post(&server, "/Basic", "k", &basic("one")).await);
    assert!(
        again.1[0].starts_with(&address),
        "as it was, with the address of then: {}",
        again.1[0]
    );
    assert_eq!(again, first);
    assert_eq!(server.versions().await, 1);
    server.stop().await;
}

/// Who is not known is told so before the body is waited for.
#[actix_web::test]
async fn of_nobody_no_body_is_read() {
    let guarded = Guarded::start(&[]);
    for sender in ["", "Authorization: Bearer guessed\r\n"] {
        let mut stream = tokio::net::TcpStream::connect(guarded.server.address()).await.unwrap();
        let head = format!(
            "POST /fhir/Basic HTTP/1.1\r\nHost: a\r\nIdempotency-Key: \"k\"\r\n{sender}\
             Content-Type: application/fhir+json\r\nContent-Length: 1000000\r\n\r\n{{"
        );
        stream.write_all(head.as_bytes()).await.unwrap();
        let mut told = [0; 12];
        // Long before the server gives up waiting for the rest.
        let read = stream.read_exact(&mut told);
        tokio::time::timeout(Duration::from_secs(5), read).await.unwrap().unwrap();
        assert_eq!(&told, b"HTTP/1.1 401");
    }
}
