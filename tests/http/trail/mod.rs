//! The audit trail through HTTP: what is told of each request, and who may read it.
//!
//! Source: <https://profiles.ihe.net/ITI/BALP/>, <http://hl7.org/fhir/R4/security.html#audit>.

mod balp;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use spondyl::config::{Config, Operating, Switch};
use spondyl::fhir::Resource;

use crate::client::{JSON, Server, patient, standard, with_id};
use crate::guarded::{Given, Guarded, observation, records};

const SUBTYPE: &str = "/subtype/0/code";

/// A clinic with a trail; token 1 reads it, token 2 is alba's, token 3 is of a person.
fn clinic(more: &[Given<'_>]) -> Guarded {
    let given = [
        ("system/AuditEvent.rs", None, None),
        ("patient/*.rs", Some("alba"), None),
        ("user/*.cruds", None, Some("Practitioner/hands")),
    ];
    Guarded::start(&given.iter().chain(more).copied().collect::<Vec<_>>())
}

/// The events so far, oldest first, without those of the reading itself. What was told before is
/// written before the reading is, so that is waited for.
async fn events(guarded: &Guarded, expected: usize) -> Vec<Value> {
    for _ in 0..1000 {
        let bundle = guarded.get(1, "/AuditEvent?_count=1000&_sort=_id").await.json();
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        let own = |event: &Value| event["agent"][0]["policy"][0] == token_end(&guarded.tokens[1]);
        let events: Vec<Value> =
            entries.into_iter().map(|mut e| e["resource"].take()).filter(|e| !own(e)).collect();
        if events.len() >= expected {
            return events;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    panic!("fewer than {expected} events");
}

fn token_end(token: &str) -> &str {
    &token[token.len() - 32..]
}

fn text<'a>(event: &'a Value, pointer: &str) -> &'a str {
    event.pointer(pointer).and_then(Value::as_str).unwrap_or_default()
}

fn entity<'a>(event: &'a Value, kind: &str) -> Option<&'a Value> {
    event["entity"].as_array()?.iter().find(|entity| entity["type"]["code"] == kind)
}

fn patient_of(event: &Value) -> Option<&str> {
    entity(event, "1")?["what"]["reference"].as_str()
}

fn question(event: &Value) -> String {
    let query = entity(event, "2").and_then(|entity| entity["query"].as_str()).unwrap_or_default();
    String::from_utf8(STANDARD.decode(query).unwrap()).unwrap()
}

/// Each event is valid R4, and holds to the pattern that it claims.
fn all_hold(events: &[Value]) {
    for event in events {
        assert_eq!(balp::faults(event), Vec::<String>::new(), "{event}");
        let resource = Resource::from_value(event.clone()).unwrap();
        let issues = standard().validator.check(&resource);
        let errors: Vec<_> = issues.iter().filter(|issue| issue.is_error()).collect();
        assert!(errors.is_empty(), "{errors:?} in {event}");
    }
}

#[actix_web::test]
async fn every_interaction_is_told_in_its_pattern() {
    let guarded = clinic(&[]);
    let alba = patient("alba");
    guarded.put("alba", &alba).await;
    guarded.put("o", &observation("alba", "pain", 3)).await;
    guarded.put("o", &observation("alba", "pain", 4)).await;
    guarded.send(0, "POST", "/Observation", &observation("alba", "pain", 5)).await.has_status(201);
    let patch = json!({ "resourceType": "Parameters", "parameter": [{ "name": "operation", "part": [
        { "name": "type", "valueCode": "replace" },
        { "name": "path", "valueString": "Observation.status" },
        { "name": "value", "valueCode": "amended" }] }] });
    guarded.send(0, "PATCH", "/Observation/o", &patch).await.has_status(200);
    guarded.get(0, "/Observation/o").await.has_status(200);
    guarded.get(0, "/Observation/o/_history/1").await.has_status(200);
    guarded.get(0, "/Observation/o/_history").await.has_status(200);
    guarded.get(0, "/Observation?code=pain&subject=Patient/alba").await.has_status(200);
    guarded.get(0, "/Patient/alba/Observation").await.has_status(200);
    guarded.get(0, "/Patient/alba/$everything").await.has_status(200);
    guarded.send(0, "DELETE", "/Observation/o", &Value::Null).await.has_status(204);
    guarded.get(0, "/_history").await.has_status(200);
    // What gives nothing away is not told.
    guarded.get(0, "/metadata?mode=terminology").await.has_status(200);

    let events = events(&guarded, 13).await;
    all_hold(&events);
    let expected = [
        ("create", "C", "Patient/alba"),
        ("create", "C", "Observation/o"),
        ("update", "U", "Observation/o"),
        ("create", "C", "Observation/"),
        ("patch", "U", "Observation/o"),
        ("read", "R", "Observation/o"),
        ("vread", "R", "Observation/o/_history/1"),
        ("history-instance", "R", "Observation/o"),
        ("search-type", "E", ""),
        ("search-type", "E", ""),
        ("operation", "E", "Patient/alba"),
        ("delete", "D", "Observation/o"),
        ("history-system", "E", ""),
    ];
    assert_eq!(events.len(), expected.len(), "{events:#?}");
    for (event, (subtype, action, what)) in events.iter().zip(expected) {
        assert_eq!((text(event, SUBTYPE), text(event, "/action")), (subtype, action));
        assert_eq!(patient_of(event), Some("Patient/alba"), "{event}");
        let object = entity(event, "2").map_or("", |entity| text(entity, "/what/reference"));
        assert!(object.starts_with(what), "{object} for {what}: {event}");
        assert_eq!(text(event, "/agent/0/who/identifier/value"), "test");
        assert_eq!(text(event, "/agent/0/network/address"), "127.0.0.1");
        assert_eq!(event["outcome"], "0");
        assert!(entity(event, "XrequestId").is_some());
        let profile = text(event, "/meta/profile/0").rsplit('.').next().unwrap_or_default();
        let has_pattern = !subtype.starts_with("history") && subtype != "operation";
        assert_eq!(profile.starts_with("Patient"), has_pattern, "{event}");
    }
    assert_eq!(question(&events[8]), "GET /fhir/Observation?code=pain&subject=Patient/alba");
    // The token is told apart, and not given away (BALP, OAuth Security Token).
    let whole = &guarded.tokens[0];
    assert_eq!(text(&events[0], "/agent/0/policy/0"), token_end(whole));
    assert!(events.iter().all(|event| !event.to_string().contains(whole.as_str())));
}

/// BALP Query: one event for every patient whom the answer holds; a search by POST with its form.
#[actix_web::test]
async fn a_search_is_told_of_each_patient_it_found() {
    let guarded = clinic(&[]);
    for id in ["alba", "brun"] {
        guarded.put(id, &patient(id)).await;
        guarded.put(&format!("{id}-o"), &observation(id, "pain", 3)).await;
    }
    let bearer = format!("Bearer {}", guarded.tokens[0]);
    let headers =
        [("Authorization", &*bearer), ("Content-Type", "application/x-www-form-urlencoded")];
    let answer = guarded.server.send("POST", "/Observation/_search", &headers, "code=pain").await;
    assert_eq!(answer.has_status(200).json()["entry"].as_array().unwrap().len(), 2);
    guarded.get(0, "/Observation?code=none&patient=brun").await.has_status(200);
    guarded.get(0, "/Observation?code=none").await.has_status(200);
    guarded.get(2, "/Observation?code=none").await.has_status(200);

    let events = events(&guarded, 9).await;
    all_hold(&events);
    let found: Vec<(Option<&str>, String)> =
        events[4..].iter().map(|event| (patient_of(event), question(event))).collect();
    let posted = "POST /fhir/Observation/_search\n\ncode=pain".to_owned();
    assert_eq!(
        found,
        [
            (Some("Patient/alba"), posted.clone()),
            (Some("Patient/brun"), posted),
            // The one whom the request names, though nothing was found of them.
            (Some("Patient/brun"), "GET /fhir/Observation?code=none&patient=brun".to_owned()),
            (None, "GET /fhir/Observation?code=none".to_owned()),
            // The one whom the token is limited to.
            (Some("Patient/alba"), "GET /fhir/Observation?code=none".to_owned()),
        ]
    );
    let last =
        |event: &Value| text(event, "/meta/profile/0").rsplit('.').next().unwrap().to_owned();
    assert_eq!((last(&events[7]), last(&events[8])), ("Query".into(), "PatientQuery".into()));
}

/// Each entry of a Bundle is told as if it had come alone; a transaction that failed as a whole.
#[actix_web::test]
async fn the_entries_of_bundles_are_told_one_by_one() {
    let guarded = clinic(&[]);
    let entry = |method: &str, url: &str, resource: Value| json!({ "request": { "method": method, "url": url }, "resource": resource });
    let bare = |method: &str, url: &str| json!({ "request": { "method": method, "url": url } });
    let bundle = |kind: &str, entries: Vec<Value>| json!({ "resourceType": "Bundle", "type": kind, "entry": entries });
    let entries = vec![
        entry("PUT", "Patient/alba", with_id(patient("alba"), "alba")),
        entry("POST", "Observation", observation("alba", "pain", 1)),
        bare("GET", "Observation?code=pain"),
    ];
    guarded.send(0, "POST", "", &bundle("transaction", entries)).await.has_status(200);
    let entries = vec![
        bare("GET", "Patient/alba"),
        bare("GET", "Patient/none"),
        entry("PUT", "Patient/alba", with_id(patient("other"), "alba")),
        bare("DELETE", "Patient/none"),
        entry("POST", "AuditEvent", json!({ "resourceType": "AuditEvent" })),
    ];
    let answer = guarded.send(0, "POST", "", &bundle("batch", entries)).await.has_status(200);
    let statuses: Vec<String> = answer.json()["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| text(entry, "/response/status")[..3].to_owned())
        .collect();
    assert_eq!(statuses[..4], ["200", "404", "200", "204"]);
    assert!(["405", "422", "400"].contains(&statuses[4].as_str()), "{statuses:?}");
    let broken =
        vec![entry("POST", "Patient", json!({ "resourceType": "Patient", "gender": "x" }))];
    let answer = guarded.send(0, "POST", "", &bundle("transaction", broken)).await;
    assert!(answer.status >= 400);

    let events = events(&guarded, 9).await;
    all_hold(&events);
    let told: Vec<(&str, &str, Option<&str>)> = events
        .iter()
        .map(|event| (text(event, SUBTYPE), text(event, "/outcome"), patient_of(event)))
        .collect();
    let alba = Some("Patient/alba");
    assert_eq!(
        told,
        [
            ("create", "0", alba),
            ("create", "0", alba),
            ("search-type", "0", alba),
            ("read", "0", alba),
            ("read", "4", None),
            ("update", "0", alba),
            // There was none.
            ("delete", "0", None),
            ("create", "4", None),
            ("transaction", "4", None),
        ]
    );
}

/// security.html#AccessDenied: whoever is refused is told of too; `AuditEvent` is never written by clients,
/// and read by its own scope only; reading it is told.
#[actix_web::test]
async fn refusals_are_told_and_the_trail_is_read_by_its_own_scope() {
    let guarded = clinic(&[("patient/AuditEvent.rs", Some("alba"), None)]);
    guarded.put("alba", &patient("alba")).await;
    guarded.server.get("/Patient/alba").await.is_error(401, "login");
    let bad = [("Authorization", "Bearer nobody-knows-this")];
    guarded.server.send("GET", "/Patient/alba", &bad, "").await.is_error(401, "login");
    guarded.get(4, "/Patient/alba").await.is_error(403, "forbidden");
    guarded.get(2, "/Patient/brun").await.is_error(404, "not-found");
    for who in [0, 2, 3, 4] {
        guarded.get(who, "/AuditEvent").await.is_error(403, "forbidden");
    }
    let event = json!({ "resourceType": "AuditEvent" });
    for (method, path) in [
        ("POST", "/AuditEvent"),
        ("PUT", "/AuditEvent/000000000001"),
        ("PATCH", "/AuditEvent/000000000001"),
        ("DELETE", "/AuditEvent/000000000001"),
    ] {
        let answer = guarded.send(0, method, path, &event).await;
        // Who may not read it is not told what else one could do with it.
        assert_eq!(answer.status, 403, "{method} {path}: {}", answer.text);
    }
    let events = events(&guarded, 13).await;
    all_hold(&events);
    let told: Vec<(&str, &str)> = events[1..]
        .iter()
        .map(|event| (text(event, "/outcome"), text(event, "/outcomeDesc")))
        .collect();
    let mut expected = vec![
        ("8", "401 login"),
        ("8", "401 login"),
        ("8", "403 forbidden"),
        ("4", "404 not-found"),
    ];
    expected.extend([("8", "403 forbidden"); 8]);
    assert_eq!(told, expected);
    assert!(!events.iter().any(|event| event.to_string().contains("nobody-knows-this")));
    assert_eq!(text(&events[1], "/agent/0/who/display"), "not identified");

    // Read, searched by its parameters, and told.
    let first = guarded.get(1, "/AuditEvent/000000000001").await.has_status(200).json();
    assert_eq!(first["subtype"][0]["code"], "create");
    guarded.get(1, "/AuditEvent/000000000001/_history").await.has_status(200);
    let of_alba = guarded.get(1, "/AuditEvent?patient=Patient/alba&outcome=0").await.json();
    assert_eq!(of_alba["total"], 1, "{of_alba}");
    let reads = guarded.get(1, "/AuditEvent?entity=AuditEvent/000000000001&_summary=count").await;
    assert!(reads.json()["total"].as_u64().unwrap() >= 1, "{}", reads.text);
    guarded.get(1, "/AuditEvent/$meta").await.has_status(200);
    // The record's own history does not have the trail.
    let history = guarded.get(0, "/_history").await.json();
    assert_eq!(history["entry"].as_array().unwrap().len(), 1, "{history}");
}

/// PUT, PATCH, DELETE are 405 also to who may do anything, and nothing changes.
#[actix_web::test]
async fn the_trail_is_append_only() {
    let guarded = clinic(&[("system/AuditEvent.cruds", None, None)]);
    guarded.put("alba", &patient("alba")).await;
    events(&guarded, 1).await;
    let path = "/AuditEvent/000000000001";
    let before = guarded.get(4, path).await.has_status(200).text;
    let event: Value = serde_json::from_str(&before).unwrap();
    for (method, path) in [
        ("POST", "/AuditEvent"),
        ("PUT", path),
        ("PATCH", path),
        ("DELETE", path),
        ("DELETE", "/AuditEvent?action=C"),
    ] {
        let answer = guarded.send(4, method, path, &event).await.has_status(405);
        assert_eq!(answer.header("Allow"), "GET, HEAD");
    }
    let meta = json!({ "resourceType": "Parameters", "parameter": [{ "name": "meta",
        "valueMeta": { "tag": [{ "code": "x" }] } }] });
    let answer = guarded.send(4, "POST", &format!("{path}/$meta-add"), &meta).await;
    assert_eq!(answer.status, 403, "{}", answer.text);
    assert_eq!(guarded.get(4, path).await.text, before);
    let events = events(&guarded, 8).await;
    assert!(events.iter().any(|event| event["outcomeDesc"] == "405 not-supported"));
}

/// A conditional delete of several is told of each.
#[actix_web::test]
async fn what_is_deleted_together_is_told_one_by_one() {
    let config = Config {
        conditional_delete: spondyl::config::ConditionalDelete::Multiple,
        ..Config::default()
    };
    let guarded = Guarded::with(config, &[("system/AuditEvent.rs", None, None)]);
    for id in ["alba", "brun"] {
        guarded.put(id, &patient(id)).await;
        guarded.put(&format!("{id}-o"), &observation(id, "pain", 3)).await;
    }
    guarded.send(0, "DELETE", "/Observation?code=pain", &Value::Null).await.has_status(204);
    let events = events(&guarded, 6).await;
    all_hold(&events);
    let told: Vec<_> =
        events[4..].iter().map(|event| (text(event, SUBTYPE), patient_of(event))).collect();
    assert_eq!(told, [("delete", Some("Patient/alba")), ("delete", Some("Patient/brun"))]);
}

/// A person is told beside the client; deletes say whose it was; exports say whose records left.
#[actix_web::test]
async fn people_deletes_and_letters() {
    let guarded = clinic(&[]);
    for (id, value) in records("alba").into_iter().chain(crate::guarded::shared()) {
        guarded.put(&id, &value).await;
    }
    let before = events(&guarded, 18).await.len();
    guarded.get(3, "/Observation/alba-o1").await.has_status(200);
    guarded.get(3, "/EpisodeOfCare/alba-episode/$episode-summary").await.has_status(200);
    let page = format!("http://{}/episodes/alba-episode", guarded.server.address());
    guarded.get(0, &page).await.has_status(200);
    let events = events(&guarded, before + 4).await;
    all_hold(&events);
    let [read, summary, disclosure, page] = &events[before..] else { panic!("{events:#?}") };
    assert_eq!(read["agent"][2]["who"]["reference"], "Practitioner/hands");
    assert_eq!(
        (&read["agent"][0]["requestor"], &read["agent"][2]["requestor"]),
        (&json!(false), &json!(true))
    );
    assert_eq!(summary["subtype"][1]["code"], "episode-summary");
    assert_eq!(
        text(disclosure, "/meta/profile/0").rsplit("BasicAudit.").next(),
        Some("PrivacyDisclosure.Source")
    );
    for event in [read, summary, disclosure, page] {
        assert_eq!(patient_of(event), Some("Patient/alba"), "{event}");
    }
    assert_eq!(entity(page, "2").unwrap()["what"]["reference"], "EpisodeOfCare/alba-episode");
}

/// Without authorisation a setting turns it on; `AuditEvent`s that clients stored before stay theirs.
#[actix_web::test]
async fn an_open_server_keeps_one_where_it_is_told_to() {
    let operating = Operating { trail: Some(Switch::On), ..Operating::default() };
    let server = Server::with(Config { operating, ..Config::default() });
    server.put("/Patient/alba", &with_id(patient("alba"), "alba")).await.has_status(201);
    server.send("POST", "/AuditEvent", &[JSON], "{}").await.has_status(405);
    let mut total = 0;
    for _ in 0..100 {
        total = server.get("/AuditEvent?action=C").await.json()["total"].as_u64().unwrap();
        if total == 2 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    assert_eq!(total, 2);
    let without = Server::start();
    let event = json!({ "resourceType": "AuditEvent", "type": { "code": "rest" },
        "recorded": "2026-03-01T00:00:00Z", "agent": [{ "requestor": true }],
        "source": { "observer": { "display": "another system" } } });
    without.post("/AuditEvent", &event).await.has_status(201);
    assert_eq!(without.get("/AuditEvent").await.json()["total"], 1);
}
