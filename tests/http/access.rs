//! What a token permits, over every path.
//!
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html>.

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{Server, patient, with_id};
use crate::guarded::{Guarded, observation, records, shared};

/// A version that was about another patient is that patient's.
#[actix_web::test]
async fn versions_are_judged_by_what_they_say() {
    let guarded = Guarded::start(&[
        ("patient/*.rs", Some("alba"), None),
        ("patient/*.rs", Some("brun"), None),
    ]);
    for id in ["alba", "brun"] {
        guarded.put(id, &patient(id)).await;
    }
    for of in ["brun", "alba"] {
        guarded.put("moved", &observation(of, "pain", 3)).await;
    }
    let version = |number: u32| format!("/Observation/moved/_history/{number}");
    guarded.get(1, &version(1)).await.is_error(404, "not-found");
    guarded.get(1, &version(2)).await.has_status(200);
    guarded.get(2, &version(1)).await.has_status(200);
    guarded.get(2, &version(2)).await.is_error(404, "not-found");
    guarded.get(2, "/Observation/moved").await.is_error(404, "not-found");
    for (who, count) in [(1, 1), (2, 1), (0, 2)] {
        let history = guarded.get(who, "/Observation/_history").await.json();
        assert_eq!(history["entry"].as_array().unwrap().len(), count, "{history}");
    }
    guarded.send(0, "DELETE", "/Observation/moved", &Value::Null).await.has_status(204);
    guarded.get(1, "/Observation/moved").await.is_error(410, "deleted");
    guarded.get(2, "/Observation/moved").await.is_error(404, "not-found");
}

/// The examples of "Scopes for requesting FHIR Resources" with criteria, and each letter.
#[actix_web::test]
async fn scopes_permit_what_they_say_and_no_more() {
    let category = "http://terminology.hl7.org/CodeSystem/observation-category";
    let exams = format!("system/Observation.rs?category={category}|exam");
    let guarded = Guarded::start(&[
        (&exams, None, None),
        ("system/Patient.r", None, None),
        ("system/Patient.s", None, None),
        ("system/Patient.c system/Patient.r", None, None),
        ("system/Patient.rud", None, None),
        ("patient/Observation.cruds", Some("alba"), None),
        ("user/*.rs", None, Some("Practitioner/hands")),
        ("openid", None, None),
    ]);
    for (id, value) in records("alba").into_iter().chain(shared()) {
        guarded.put(&id, &value).await;
    }
    let mut survey = observation("alba", "pain", 4);
    survey["category"][0]["coding"][0]["code"] = json!("survey");
    guarded.put("survey", &survey).await;
    guarded.put("cael", &patient("cael")).await;
    guarded.put("cael-o", &observation("cael", "pain", 2)).await;

    // Criteria.
    guarded.get(1, "/Observation/alba-o1").await.has_status(200);
    guarded.get(1, "/Observation/survey").await.is_error(404, "not-found");
    let all = guarded.get(1, "/Observation?_summary=count").await.json();
    assert_eq!(all["total"], 7);
    guarded.get(1, "/Patient/alba").await.is_error(403, "forbidden");
    // r and s.
    guarded.get(2, "/Patient/alba").await.has_status(200);
    guarded.get(2, "/Patient/alba/_history").await.has_status(200);
    guarded.get(2, "/Patient").await.is_error(403, "forbidden");
    guarded.get(3, "/Patient").await.has_status(200);
    guarded.get(3, "/Patient/alba").await.is_error(403, "forbidden");
    guarded.get(3, "/Patient/_history").await.has_status(200);
    // c.
    let fresh = patient("Fresh");
    guarded.send(4, "POST", "/Patient", &fresh).await.has_status(201);
    let path = "/Patient/alba";
    guarded.send(4, "PUT", path, &with_id(fresh.clone(), "alba")).await.is_error(403, "forbidden");
    guarded.send(4, "DELETE", path, &Value::Null).await.is_error(403, "forbidden");
    guarded.send(2, "POST", "/Patient", &fresh).await.is_error(403, "forbidden");
    // u and d, also in Bundles.
    guarded.send(5, "PUT", "/Patient/cael", &with_id(fresh.clone(), "cael")).await.has_status(200);
    let entry = |method: &str, url: &str, resource: &Value| json!({ "request": { "method": method, "url": url }, "resource": resource });
    let bundle = |kind: &str, entries: Vec<Value>| json!({ "resourceType": "Bundle", "type": kind, "entry": entries });
    let post = bundle("transaction", vec![entry("POST", "Patient", &fresh)]);
    guarded.send(5, "POST", "", &post).await.is_error(403, "forbidden");
    let get = bundle(
        "batch",
        vec![
            json!({ "request": { "method": "GET", "url": "Patient/alba" } }),
            json!({ "request": { "method": "GET", "url": "Patient?_id=alba" } }),
            json!({ "request": { "method": "GET", "url": "Observation/alba-o1" } }),
        ],
    );
    let answer = guarded.send(5, "POST", "", &get).await.has_status(200).json();
    let statuses: Vec<&str> = answer["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| e["response"]["status"].as_str().unwrap())
        .collect();
    assert_eq!(statuses.iter().map(|s| &s[..3]).collect::<Vec<_>>(), ["200", "403", "403"]);
    guarded.send(5, "DELETE", "/Patient/cael", &Value::Null).await.has_status(204);
    // A patient's own: nothing of another is written, or made another's.
    let own = observation("alba", "new", 1);
    guarded.send(6, "POST", "/Observation", &own).await.has_status(201);
    let others = observation("cael", "new", 1);
    guarded.send(6, "POST", "/Observation", &others).await.is_error(403, "forbidden");
    let away = with_id(others, "alba-o1");
    guarded.send(6, "PUT", "/Observation/alba-o1", &away).await.is_error(403, "forbidden");
    let taken = with_id(observation("alba", "new", 1), "cael-o");
    guarded.send(6, "PUT", "/Observation/cael-o", &taken).await.is_error(403, "forbidden");
    let unseen = guarded.send(6, "DELETE", "/Observation/cael-o", &Value::Null).await;
    assert!(unseen.status == 204 || unseen.status == 200, "{}", unseen.text);
    guarded.get(0, "/Observation/cael-o").await.has_status(200);
    // A practitioner sees the patients in their care.
    guarded.get(7, "/Flag/alba-flag").await.has_status(200);
    guarded.get(7, "/Patient/cael").await.is_error(404, "not-found");
    // What they recorded themselves is theirs to see (the practitioner's compartment).
    guarded.get(7, "/Observation/cael-o").await.has_status(200);
    // No scope about resources.
    guarded.get(8, "/Patient/alba").await.is_error(403, "forbidden");
}

/// "u: update an instance": who may update need not be able to read or find, and is told nothing of
/// what stood there.
#[actix_web::test]
async fn to_update_is_not_to_read() {
    let guarded = Guarded::start(&[
        ("system/Patient.u", None, None),
        ("system/Patient.d", None, None),
        ("patient/Observation.u", Some("alba"), None),
    ]);
    let named = |name: &str| with_id(patient(name), "cael");
    guarded.put("cael", &named("Before")).await;
    for (id, of) in [("own", "alba"), ("other", "brun")] {
        guarded.put(id, &observation(of, "pain", 3)).await;
    }
    let done = guarded.send(1, "PUT", "/Patient/cael", &named("After")).await.has_status(200);
    assert_eq!(done.header("ETag"), "W/\"2\"");
    assert!(!done.text.contains("Before"), "{}", done.text);
    // Neither what is there nor that anything is there to be found is told.
    guarded.get(1, "/Patient/cael").await.is_error(403, "forbidden");
    guarded.get(1, "/Patient?_id=cael").await.is_error(403, "forbidden");
    let test = json!([{ "op": "test", "path": "/active", "value": true }]);
    let headers = [("Content-Type", "application/json-patch+json")];
    let bearer = format!("Bearer {}", guarded.tokens[1]);
    let headers = [headers[0], ("Authorization", bearer.as_str())];
    let patched = guarded.server.send("PATCH", "/Patient/cael", &headers, test.to_string()).await;
    patched.is_error(404, "not-found");
    guarded.send(1, "DELETE", "/Patient/cael", &Value::Null).await.is_error(403, "forbidden");
    // What is another's is neither changed nor taken.
    let own = with_id(observation("alba", "pain", 5), "own");
    guarded.send(3, "PUT", "/Observation/own", &own).await.has_status(200);
    let taken = with_id(observation("alba", "pain", 5), "other");
    guarded.send(3, "PUT", "/Observation/other", &taken).await.is_error(403, "forbidden");
    let away = with_id(observation("brun", "pain", 5), "own");
    guarded.send(3, "PUT", "/Observation/own", &away).await.is_error(403, "forbidden");
    let kept = guarded.get(0, "/Observation/own").await.json();
    assert_eq!(
        (&kept["meta"]["versionId"], &kept["valueQuantity"]["value"]),
        (&json!("2"), &own["valueQuantity"]["value"])
    );
    guarded.send(2, "DELETE", "/Patient/cael", &Value::Null).await.has_status(204);
    guarded.get(0, "/Patient/cael").await.is_error(410, "deleted");
}

/// The same in Bundles, which are for who may read or find something.
#[actix_web::test]
async fn to_update_is_not_to_read_in_bundles() {
    let guarded = Guarded::start(&[("system/Patient.u system/Basic.r", None, None)]);
    let named = |name: &str| with_id(patient(name), "cael");
    guarded.put("cael", &named("Before")).await;
    for (version, kind) in [(2, "batch"), (3, "transaction")] {
        let entry = json!({ "request": { "method": "PUT", "url": "Patient/cael" },
            "resource": named(kind) });
        let bundle = json!({ "resourceType": "Bundle", "type": kind, "entry": [entry] });
        let done = guarded.send(1, "POST", "", &bundle).await.has_status(200).json();
        let response = &done["entry"][0]["response"];
        assert_eq!(response["etag"], format!("W/\"{version}\""), "{response}");
        assert_eq!(guarded.get(0, "/Patient/cael").await.json()["name"], named(kind)["name"]);
    }
    let read = json!({ "resourceType": "Bundle", "type": "batch", "entry": [
        { "request": { "method": "GET", "url": "Patient/cael" } }] });
    let done = guarded.send(1, "POST", "", &read).await.json();
    assert!(done["entry"][0]["response"]["status"].as_str().unwrap().starts_with("403"));
}

/// RFC 6750, section 3: without a good token 401 with a challenge.
#[actix_web::test]
async fn without_a_good_token_nothing_is_told() {
    let guarded = Guarded::start(&[]);
    guarded.put("alba", &patient("Alba")).await;
    for headers in
        [vec![], vec![("Authorization", "Bearer none")], vec![("Authorization", "Basic eDp5")]]
    {
        for path in [
            "/Patient/alba",
            "/Patient",
            "/Patient/_history",
            "/Patient/alba/$everything",
            "?_id=alba",
        ] {
            let answer =
                guarded.server.send("GET", path, &headers, "").await.is_error(401, "login");
            assert!(answer.header("WWW-Authenticate").starts_with("Bearer"));
        }
        guarded.server.send("GET", "/metadata", &headers, "").await.has_status(200);
    }
}

/// An export has what the token permits, and is its client's (Bulk Data Access 3.0.0, "Security
/// Considerations").
#[actix_web::test]
async fn an_export_is_within_the_token_and_its_clients() {
    let data = tempfile::TempDir::new().unwrap();
    let guarded = Guarded::in_directory(
        data.path(),
        &[("patient/*.rs", Some("alba"), None), ("system/Observation.rs", None, None)],
    );
    for (id, value) in records("alba").into_iter().chain(records("brun")).chain(shared()) {
        guarded.put(&id, &value).await;
    }
    for (who, path, expected) in [
        (1, "/$export", vec!["Composition", "Observation", "Patient", "Practitioner"]),
        (1, "/Patient/$export", vec!["Composition", "Observation", "Patient"]),
        (2, "/$export", vec!["Observation"]),
    ] {
        let bearer = format!("Bearer {}", guarded.tokens[who]);
        let headers = [("Authorization", bearer.as_str()), ("Prefer", "respond-async")];
        let begun = guarded.server.send("GET", path, &headers, "").await.has_status(202);
        let url = begun.header("Content-Location").to_owned();
        let manifest = loop {
            let state = guarded.server.send("GET", &url, &headers, "").await;
            if state.status == 200 {
                break state.json();
            }
            assert!([202, 429].contains(&state.status), "{}", state.text);
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        };
        assert_eq!(manifest["requiresAccessToken"], true);
        let mut kinds = Vec::new();
        for output in manifest["output"].as_array().unwrap() {
            kinds.push(output["type"].as_str().unwrap().to_owned());
            let file = output["url"].as_str().unwrap();
            let lines = guarded.server.send("GET", file, &headers, "").await.has_status(200).text;
            assert!(who == 2 || !lines.contains("brun"), "{lines}");
            guarded.server.get(file).await.is_error(401, "login");
        }
        assert!(expected.iter().all(|kind| kinds.iter().any(|own| own == kind)), "{kinds:?}");
        assert!(who != 2 || kinds == ["Observation"], "{kinds:?}");
    }
    // A client without any scope for Patient or Group.
    let bearer = format!("Bearer {}", guarded.tokens[2]);
    let headers = [("Authorization", bearer.as_str()), ("Prefer", "respond-async")];
    for path in ["/Patient/$export", "/Group/both/$export"] {
        guarded.server.send("GET", path, &headers, "").await.is_error(403, "forbidden");
    }
}

/// RFC 6585, section 4: 429 with `Retry-After`, for each client by itself.
#[actix_web::test]
async fn who_asks_too_often_is_told_to_wait() {
    let config = Config { rate: std::num::NonZeroU32::new(2), ..Config::default() };
    let server = Server::with(config);
    let mut refused = 0;
    for _ in 0..60 {
        let answer = server.get("/Patient/none").await;
        if answer.status == 429 {
            assert!(!answer.header("Retry-After").is_empty());
            answer.is_error(429, "throttled");
            refused += 1;
        }
    }
    assert!(refused > 0);
}

/// A table has rows of what the token permits, whichever way the resources are named.
#[actix_web::test]
async fn a_table_is_within_the_token() {
    let guarded = Guarded::start(&[("patient/*.rs", Some("alba"), None)]);
    for (id, value) in records("alba").into_iter().chain(records("brun")).chain(shared()) {
        guarded.put(&id, &value).await;
    }
    for kind in ["Patient", "Observation", "EpisodeOfCare"] {
        let view = json!({ "resourceType": "ViewDefinition",
            "status": "active", "resource": kind,
            "select": [{ "column": [{ "name": "id", "path": "id", "type": "id" }] }] });
        let call = json!({ "resourceType": "Parameters", "parameter": [
            { "name": "viewResource", "resource": view }, { "name": "_format", "valueCode": "csv" }] });
        let (all, own) = (
            guarded.send(0, "POST", "/$viewdefinition-run", &call).await,
            guarded.send(1, "POST", "/$viewdefinition-run", &call).await,
        );
        let (all, own) = (all.has_status(200).text, own.has_status(200).text);
        assert!(all.contains("brun") && all.contains("alba"), "{all}");
        assert!(!own.contains("brun") && own.contains("alba"), "{own}");
    }
}
