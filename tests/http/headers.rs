//! Headers, formats and routes: <http://hl7.org/fhir/R4/http.html#general>.

use spondyl::config::Config;

use crate::client::{JSON, Server, patient, with_id};

/// 3.1.0.1.9, 3.1.0.1.10, 3.1.0.1.11: formats that are there, formats that are not.
#[actix_web::test]
async fn formats() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let get = |query: &str, accept: &'static str| {
        let path = format!("/Patient/p1{query}");
        let server = &server;
        async move { server.send("GET", &path, &[("Accept", accept)], "").await }
    };
    for (query, accept, kind) in [
        ("", "application/fhir+json", "application/fhir+json;charset=utf-8"),
        ("", "application/json", "application/json;charset=utf-8"),
        ("", "text/html,*/*;q=0.8", "application/fhir+json;charset=utf-8"),
        ("", "application/xml;q=0.9,*/*;q=0.8", "application/xml;charset=utf-8"),
        ("", "application/fhir+xml", "application/fhir+xml;charset=utf-8"),
        ("?_format=xml", "*/*", "application/fhir+xml;charset=utf-8"),
        ("?_format=json", "application/fhir+xml", "application/fhir+json;charset=utf-8"),
        ("?_format=application/fhir+json", "", "application/fhir+json;charset=utf-8"),
        ("?_format=text/json", "*/*", "text/json;charset=utf-8"),
    ] {
        let answer = get(query, accept).await.has_status(200);
        assert_eq!(answer.header("Content-Type"), kind, "{query} {accept}");
    }
    get("", "image/png").await.is_error(406, "not-supported");
    get("", "application/fhir+json; fhirVersion=5.0").await.is_error(406, "not-supported");
    get("?_format=turtle", "*/*").await.is_error(406, "not-supported");
}

/// 3.1.0.1.9, 3.1.0.1.10: bodies that can be read, bodies that cannot.
#[actix_web::test]
async fn body_types() {
    let server = Server::start();
    for (kind, status) in [
        ("application/fhir+json", 201),
        ("application/fhir+json; charset=UTF-8; fhirVersion=4.0", 201),
        ("application/json", 201),
        ("text/json", 201),
        ("text/turtle", 415),
        ("text/plain", 415),
        ("application/fhir+json; charset=iso-8859-1", 415),
        ("application/fhir+json; fhirVersion=3.0", 415),
    ] {
        let headers = [("Content-Type", kind)];
        let answer = server.send("POST", "/Patient", &headers, patient("A").to_string()).await;
        assert_eq!(answer.status, status, "{kind}");
    }
    let headers = [JSON, ("Content-Encoding", "gzip")];
    server.send("POST", "/Patient", &headers, "x").await.is_error(400, "structure");
    server.send("POST", "/Patient", &[], "{}").await.is_error(415, "not-supported");
}

/// 3.1.0.1.10: one request names one version of FHIR.
#[actix_web::test]
async fn versions_of_fhir() {
    let server = Server::start();
    let json = |version: &str| format!("application/fhir+json; fhirVersion={version}");
    for (sent, wanted, status) in [
        (json("4.0"), json("4.0"), 201),
        (json("4.0"), format!("{}, {}", json("5.0"), json("4.0")), 201),
        ("application/fhir+json; FHIRVERSION=\"4.0\"".into(), json("4.0"), 201),
        (json("4.0"), json("5.0"), 400),
        (json("3.0"), json("4.0"), 400),
        (json("3.0"), json("3.0"), 406),
        (json("3.0"), "*/*".into(), 415),
        ("application/fhir+json".into(), json("5.0"), 406),
    ] {
        let headers = [("Content-Type", sent.as_str()), ("Accept", &wanted)];
        let answer = server.send("POST", "/Patient", &headers, patient("A").to_string()).await;
        assert_eq!(answer.status, status, "{sent} {wanted}: {}", answer.text);
    }
}

/// 3.1.0.15: HEAD is GET without the body, wherever GET is.
#[actix_web::test]
async fn head_of_everything() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    for path in [
        "/Patient/p1",
        "/Patient/p1/_history/1",
        "/Patient/p1/_history",
        "/Patient/_history",
        "/_history",
        "/Patient?name=A",
        "?_type=Patient",
        "/Patient/p1/Observation",
        "/metadata",
        "/Patient/none",
        "/Nonsense",
        "/Patient?birthdate=x",
        "/openapi.json",
        "/ValueSet/$expand?url=http://hl7.org/fhir/ValueSet/administrative-gender",
        &server.base().replace("/fhir", "/"),
        &server.base().replace("/fhir", "/openapi.json"),
    ] {
        let get = server.get(path).await;
        let head = server.send("HEAD", path, &[], "").await.has_status(get.status);
        assert!(head.text.is_empty(), "{path}");
        for name in ["Content-Type", "ETag", "Last-Modified", "Content-Length"] {
            assert_eq!(head.header(name), get.header(name), "{path} {name}");
        }
        assert_eq!(head.header("Content-Length"), get.text.len().to_string(), "{path}");
    }
}

/// 3.1.0.16: the client's request id comes back if it is harmless; else there is a new one.
#[actix_web::test]
async fn request_ids() {
    let server = Server::start();
    let answer = server.send("GET", "/Patient/x", &[("X-Request-Id", "abc-1")], "").await;
    assert_eq!(answer.header("X-Request-Id"), "abc-1");
    let answer = server.send("GET", "/Patient/x", &[("X-Request-Id", "a<b>")], "").await;
    assert_eq!(answer.header("X-Correlation-Id"), "a<b>");
    let first = answer.header("X-Request-Id").to_owned();
    assert!(!first.is_empty() && first != "a<b>");
    assert_ne!(server.get("/Patient/x").await.header("X-Request-Id"), first);
}

/// security.html#http: nothing of a record stays in caches; nothing is taken for another type.
#[actix_web::test]
async fn safe_headers() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    for path in ["/Patient/p1", "/Patient/none", "/nowhere/at/all/1/2/3"] {
        let answer = server.get(path).await;
        assert_eq!(answer.header("Cache-Control"), "no-store", "{path}");
        assert_eq!(answer.header("X-Content-Type-Options"), "nosniff", "{path}");
        assert!(!answer.header("X-Request-Id").is_empty(), "{path}");
    }
}

/// 3.1.0.17; RFC 9110 15.5.6: 405 says what is allowed; unknown types and paths are 404.
#[actix_web::test]
async fn routes() {
    let server = Server::start();
    for (method, path, allow) in [
        ("POST", "/Patient/p1", "GET, HEAD, PUT, PATCH, DELETE"),
        ("PATCH", "/_history", "GET, HEAD"),
        ("PUT", "/Patient/p1/_history/1", "GET, HEAD"),
        ("DELETE", "/_history", "GET, HEAD"),
    ] {
        let answer = server.send(method, path, &[JSON], "{}").await.is_error(405, "not-supported");
        assert_eq!(answer.header("Allow"), allow, "{method} {path}");
    }
    let options = server.send("OPTIONS", "/Patient/p1", &[], "").await.has_status(204);
    assert_eq!(options.header("Allow"), "GET, HEAD, PUT, PATCH, DELETE");
    for path in ["/Nonsense/1", "/SubscriptionTopic/1", "/patient/1"] {
        server.get(path).await.is_error(404, "not-supported");
    }
    server.get("/a/b/c/d/e").await.is_error(404, "not-found");
    let outside = server.base().replace("/fhir", "/elsewhere");
    server.get(&outside).await.is_error(404, "not-found");
}

/// A base URL that is configured stands in every link, whatever the Host header says.
#[actix_web::test]
async fn configured_base() {
    let base_url = Some("https://clinic.example/r4/".to_owned());
    let config = Config { base_url, ..Default::default() };
    let server = Server::with(config);
    let answer = server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    assert_eq!(answer.header("Location"), "https://clinic.example/r4/Patient/p1/_history/1");
}

/// Cross-origin calls (<http://hl7.org/fhir/R4/security.html#cors>): for the origins that are
/// configured, and no others.
#[actix_web::test]
async fn cross_origin() {
    let cors_origin = vec!["https://app.example".to_owned()];
    let server = Server::with(Config { cors_origin, ..Config::default() });
    for (origin, allowed) in
        [("https://app.example", "https://app.example"), ("https://other.example", "")]
    {
        let ask = [("Origin", origin), ("Access-Control-Request-Method", "PUT")];
        let asked = server.send("OPTIONS", "/Patient/p1", &ask, "").await;
        assert_eq!(asked.header("Access-Control-Allow-Origin"), allowed, "{}", asked.text);
        let exposed = server.send("GET", "/metadata", &[("Origin", origin)], "").await;
        let exposed = exposed.header("Access-Control-Expose-Headers").to_ascii_lowercase();
        for name in ["etag", "last-modified", "location", "preference-applied", "x-request-id"] {
            assert!(allowed.is_empty() || exposed.contains(name), "{name}: {exposed}");
        }
        let read = server.send("GET", "/metadata", &[("Origin", origin)], "").await;
        let read = read.has_status(200);
        assert_eq!(read.header("Access-Control-Allow-Origin"), allowed);
        assert_eq!(read.json()["rest"][0]["security"]["cors"], true);
    }
    let plain = Server::start();
    let read = plain.send("GET", "/metadata", &[("Origin", "https://app.example")], "").await;
    assert_eq!(read.header("Access-Control-Allow-Origin"), "");
}
