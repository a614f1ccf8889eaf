//! The description of the API: <https://spec.openapis.org/oas/v3.1.0>; each operation is called, and
//! answers as it is described to.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{Answer, Server};

async fn description(server: &Server, types: &str) -> Value {
    let path = server.base().replace("/fhir", &format!("/openapi.json?_type={types}"));
    server.get(&path).await.has_status(200).json()
}

/// The value that a reference of the document stands for.
fn resolved<'a>(document: &'a Value, value: &'a Value) -> &'a Value {
    match value["$ref"].as_str() {
        Some(name) => document.pointer(name.strip_prefix('#').unwrap()).unwrap(),
        None => value,
    }
}

/// That the status, the media type and the headers are those that the operation names.
fn is_described(document: &Value, operation: &Value, answer: &Answer, told: &str) {
    let response = &operation["responses"][answer.status.to_string()];
    assert!(!response.is_null(), "{told}: {} is not described: {}", answer.status, answer.text);
    let response = resolved(document, response);
    let sent = answer.header("Content-Type").split(';').next().unwrap();
    let described = response["content"].as_object();
    let fits = |name: &String| name == sent || name == "*/*";
    let known = described.is_some_and(|content| content.keys().any(fits));
    assert!(known || sent.is_empty() || answer.text.is_empty(), "{told}: {sent}");
    for (name, header) in response["headers"].as_object().into_iter().flatten() {
        let required = resolved(document, header)["required"] == true;
        assert!(!required || !answer.header(name).is_empty(), "{told}: {name}");
    }
}

/// Every operation of these types, with ids of what is there and of what is not, with bodies that
/// are right, wrong, and none.
#[actix_web::test]
async fn every_operation_answers_as_described() {
    let server = Server::start();
    let document = description(&server, "Patient,Binary,EpisodeOfCare,ValueSet,Group").await;
    let origin = document["servers"][0]["url"].as_str().unwrap().to_owned();
    let there = json!({ "resourceType": "Patient", "id": "there" });
    let bundle = json!({ "resourceType": "Bundle", "type": "batch" });
    let bodies = [
        ("application/fhir+json", there.to_string()),
        ("application/fhir+json", bundle.to_string()),
        ("application/fhir+json", "{}".to_owned()),
        ("application/json-patch+json", "[]".to_owned()),
        ("application/x-www-form-urlencoded", "_id=there".to_owned()),
        ("text/plain", "x".to_owned()),
        ("application/fhir+xml", "<x/>".to_owned()),
    ];
    let (mut called, mut statuses) = (0, BTreeSet::new());
    for (path, item) in document["paths"].as_object().unwrap() {
        for (verb, operation) in item.as_object().unwrap() {
            let bodies: &[_] =
                if ["get", "delete"].contains(&verb.as_str()) { &bodies[..1] } else { &bodies };
            for (kind, body) in bodies {
                for id in ["there", "none", "a b"] {
                    server.put("/Patient/there", &there).await;
                    let path = path.replace("{id}", &id.replace(' ', "%20"));
                    let path = path.replace("{version}", "1").replace("{type}", "Observation");
                    let url = format!("{origin}{path}");
                    let headers = [("Content-Type", *kind)];
                    let answer = if ["get", "delete"].contains(&verb.as_str()) {
                        server.send(&verb.to_uppercase(), &url, &[], "").await
                    } else {
                        server.send(&verb.to_uppercase(), &url, &headers, body.clone()).await
                    };
                    let told = format!("{verb} {path} {kind} {body}");
                    is_described(&document, operation, &answer, &told);
                    (called, _) = (called + 1, statuses.insert(answer.status));
                    if !path.contains(id) {
                        break;
                    }
                }
            }
        }
    }
    assert!(called > 500, "{called}");
    for status in [200, 201, 204, 400, 404, 406, 409, 410, 415] {
        let met = statuses.contains(&status) || [406, 409, 410].contains(&status);
        assert!(met, "{status} was never met: {statuses:?}");
    }
}

/// The document follows what is in force, what is asked for, and the URL that clients see.
#[actix_web::test]
async fn what_is_described() {
    let server = Server::start();
    let whole = server.get("/openapi.json").await.has_status(200);
    assert_eq!(whole.header("Content-Type"), "application/json;charset=utf-8");
    let tag = whole.header("ETag").to_owned();
    let known = [("If-None-Match", tag.as_str())];
    server.send("GET", "/openapi.json", &known, "").await.has_status(304);
    let document = whole.json();
    assert_eq!(document["openapi"], "3.1.0");
    // http://hl7.org/fhir/R4/resourcelist.html has 148 types, two of them abstract.
    let schemas = document["components"]["schemas"].as_object().unwrap();
    let resources =
        schemas.values().filter(|schema| schema["properties"]["resourceType"]["const"].is_string());
    assert_eq!(resources.count(), 146);
    let some = description(&server, "Basic,Patient").await;
    let paths = some["paths"].as_object().unwrap();
    assert!(paths.contains_key("/fhir/Basic/{id}") && !paths.contains_key("/fhir/Group/{id}"));
    let has = |document: &Value, name: &str| {
        let parameters =
            document["paths"]["/fhir/Basic"]["get"]["parameters"].as_array().unwrap().clone();
        parameters.iter().any(|parameter| parameter["name"] == name)
    };
    assert!(has(&some, "author") && !has(&some, "shoe"));
    let parameter = json!({ "resourceType": "SearchParameter", "id": "shoe", "name": "shoe",
        "url": "http://a.example/SearchParameter/shoe", "status": "active", "description": "x",
        "code": "shoe", "base": ["Basic"], "type": "token", "expression": "Basic.language" });
    server.put("/SearchParameter/shoe", &parameter).await.has_status(201);
    assert!(has(&description(&server, "Basic,Patient").await, "shoe"));
    server.get("/openapi.json?_type=Nonsense").await.is_error(404, "not-supported");

    let base_url = Some("https://clinic.example/r4".to_owned());
    let server = Server::with(Config { base_url, ..Config::default() });
    let document = description(&server, "Basic").await;
    assert_eq!(document["servers"][0]["url"], "https://clinic.example/r4");
    let paths = document["paths"].as_object().unwrap();
    assert!(paths.contains_key("/Basic/{id}") && !paths.contains_key("/episodes/{id}"));
}
