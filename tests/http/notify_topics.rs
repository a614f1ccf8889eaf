//! Topics: what each tells, and how it is found.
//!
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/> (1.1.0); what the topics say is their own
//! text in `schemas/topic`.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{Server, put, reference};
use crate::guarded::observation;
use crate::letter::load;
use crate::notify::{GUIDE, asked, config, subscribed};
use crate::receiver::{Receiver, events};

/// After the commit, once for each focus, in the order of commits.
#[actix_web::test]
async fn a_transaction_is_told_when_it_is_committed() {
    let receiver = Receiver::start(|_| 200);
    let server = Server::with(config(&receiver));
    subscribed(&server, &asked(&receiver, "assessment-recorded", "id-only", &[], "/t")).await;
    let entry = |id: &str, value: Value| {
        let mut value = value;
        value["id"] = json!(id);
        json!({ "resource": value, "request": { "method": "PUT", "url": format!("Observation/{id}") } })
    };
    let bundle = |entries: Vec<Value>| json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    let mut bad = observation("alba", "pain", 1);
    bad.as_object_mut().unwrap().remove("code");
    let refused = bundle(vec![entry("a", observation("alba", "pain", 1)), entry("b", bad)]);
    assert!(server.post("", &refused).await.status >= 400);
    let entries = ["c", "d", "e"].map(|id| entry(id, observation("alba", "pain", 1)));
    server.post("", &bundle(entries.to_vec())).await.has_status(200);
    put(&server, "f", observation("alba", "pain", 1)).await;
    let begun = Instant::now();
    let told = loop {
        let told: Vec<_> =
            receiver.wait("/t", 2)[1..].iter().flat_map(|g| events(&g.body)).collect();
        if told.len() >= 4 {
            break told;
        }
        assert!(begun.elapsed() < Duration::from_secs(30));
    };
    let url = |id: &str| Some(format!("{}/Observation/{id}", server.base()));
    assert_eq!(told, [(1, url("c")), (2, url("d")), (3, url("e")), (4, url("f"))]);
}

/// Each topic tells what it says, when it becomes so, and nothing else.
#[actix_web::test]
async fn topics_tell_what_they_say() {
    let receiver = Receiver::start(|_| 200);
    let server = Server::with(config(&receiver));
    load(&server, "00-clinic.json").await;
    load(&server, "01-aldis-improved.json").await;
    for topic in [
        "intervention-recorded",
        "episode-status-changed",
        "letter-finalised",
        "adverse-event-recorded",
        "consistency-finding",
    ] {
        subscribed(&server, &asked(&receiver, topic, "id-only", &[], &format!("/{topic}"))).await;
    }
    let filters = ["Flag?patient=Patient/demo-aldis", "Basic?"];
    subscribed(&server, &asked(&receiver, "resource-changed", "id-only", &filters, "/any")).await;
    let subject = reference("Patient/demo-aldis");
    let steps = [
        ("Procedure", "p", json!({ "status": "in-progress", "subject": subject }), None),
        (
            "Procedure",
            "p",
            json!({ "status": "completed", "subject": subject }),
            Some("intervention-recorded"),
        ),
        (
            "Procedure",
            "p",
            json!({ "status": "completed", "subject": subject, "note": [{ "text": "x" }] }),
            None,
        ),
        (
            "EpisodeOfCare",
            "e",
            json!({ "status": "planned", "patient": subject }),
            Some("episode-status-changed"),
        ),
        (
            "EpisodeOfCare",
            "e",
            json!({ "status": "planned", "patient": subject, "team": [{ "display": "x" }] }),
            None,
        ),
        (
            "EpisodeOfCare",
            "e",
            json!({ "status": "active", "patient": subject }),
            Some("episode-status-changed"),
        ),
        (
            "Composition",
            "c",
            json!({ "status": "preliminary", "type": { "text": "x" }, "subject": subject, "date": "2026-01-01", "author": [{ "display": "x" }], "title": "x" }),
            None,
        ),
        (
            "Composition",
            "c",
            json!({ "status": "final", "type": { "text": "x" }, "subject": subject, "date": "2026-01-01", "author": [{ "display": "x" }], "title": "x" }),
            Some("letter-finalised"),
        ),
        ("AdverseEvent", "v", json!({ "actuality": "potential", "subject": subject }), None),
        (
            "AdverseEvent",
            "v",
            json!({ "actuality": "actual", "subject": subject }),
            Some("adverse-event-recorded"),
        ),
        (
            "Flag",
            "f",
            json!({ "status": "active", "code": { "text": "x" }, "subject": reference("Patient/other") }),
            None,
        ),
        (
            "Flag",
            "g",
            json!({ "status": "active", "code": { "text": "x" }, "subject": subject }),
            Some("any"),
        ),
        ("Basic", "b", json!({ "code": { "text": "x" } }), Some("any")),
        ("Basic", "b", json!({ "code": { "text": "y" } }), Some("any")),
    ];
    let mut expected: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (kind, id, body, topic) in steps {
        let mut body = body;
        body["resourceType"] = json!(kind);
        put(&server, id, body).await;
        if let Some(topic) = topic {
            expected.entry(topic).or_default().push(format!("{}/{kind}/{id}", server.base()));
        }
    }
    server.delete("/Flag/g").await.has_status(204);
    expected.get_mut("any").unwrap().push(format!("{}/Flag/g", server.base()));
    server.delete("/Consent/demo-aldis-consent").await.has_status(204);
    let episode = format!("{}/EpisodeOfCare/demo-aldis-episode", server.base());
    expected.insert("consistency-finding", vec![episode]);
    // What comes after all of it is told after all of it.
    put(&server, "last", json!({ "resourceType": "Basic", "code": { "text": "x" } })).await;
    expected.get_mut("any").unwrap().push(format!("{}/Basic/last", server.base()));
    let begun = Instant::now();
    loop {
        let found: BTreeMap<&str, Vec<String>> = expected
            .keys()
            .map(|topic| {
                let got = receiver.wait(&format!("/{topic}"), 1);
                let told = got.iter().flat_map(|got| events(&got.body));
                (*topic, told.map(|(_, focus)| focus.unwrap()).collect())
            })
            .collect();
        if found == expected {
            break;
        }
        assert!(begun.elapsed() < Duration::from_mins(1), "{found:#?} {expected:#?}");
        actix_web::rt::time::sleep(Duration::from_millis(20)).await;
    }
}

/// N-01: discovery, and topics that can be read.
#[actix_web::test]
async fn topics_are_found() {
    let server = Server::published(Config::default());
    let statement = server.get("/metadata").await.has_status(200).json();
    let instantiates = "http://hl7.org/fhir/uv/subscriptions-backport/CapabilityStatement/backport-subscription-server-r4";
    assert_eq!(statement["instantiates"], json!([instantiates]));
    let resources = statement["rest"][0]["resource"].as_array().unwrap();
    let subscription = resources.iter().find(|r| r["type"] == "Subscription").unwrap();
    let profile = format!("{GUIDE}/backport-subscription");
    assert_eq!(subscription["supportedProfile"], json!([profile]));
    let told = subscription["extension"].as_array().unwrap();
    assert!(told.len() >= 7);
    let listed =
        server.get("/Basic?code=http://hl7.org/fhir/fhir-types|SubscriptionTopic").await.json();
    let listed = listed["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]);
    let urls: Vec<&Value> = listed.map(|basic| &basic["extension"][0]["valueUri"]).collect();
    for extension in told {
        let url = format!("{GUIDE}/capabilitystatement-subscriptiontopic-canonical");
        assert_eq!(extension["url"], json!(url));
        assert!(urls.contains(&&extension["valueCanonical"]), "{extension}");
    }
    let names: Vec<&Value> =
        subscription["operation"].as_array().unwrap().iter().map(|o| &o["name"]).collect();
    assert!(names.contains(&&json!("status")) && names.contains(&&json!("events")));
}
