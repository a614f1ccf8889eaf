//! Notifications of Subscriptions by topic, beside a subscriber that listens.
//!
//! Rules and shapes: <http://hl7.org/fhir/uv/subscriptions-backport/> (1.1.0), the profiles
//! `backport-subscription-notification-r4` and `backport-subscription-status-r4` and their examples.

use std::num::NonZeroU32;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use spondyl::config::{Config, Notify};

use crate::client::{Server, patient, put};
use crate::guarded::observation;
use crate::receiver::{Got, Receiver, events, parameter};

pub(crate) const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
const TOPIC: &str = "https://spondyl.example/fhir/SubscriptionTopic";

pub(crate) fn config(receiver: &Receiver) -> Config {
    Config {
        outbound: vec![receiver.origin()],
        outbound_private: true,
        notify: Notify {
            notify_plain: true,
            notify_tries: NonZeroU32::new(3).unwrap(),
            notify_pause: NonZeroU32::new(5).unwrap(),
        },
        ..Config::default()
    }
}

/// A Subscription to a topic, with a level of content, filters and a path of the receiver.
pub(crate) fn asked(
    receiver: &Receiver,
    topic: &str,
    content: &str,
    filters: &[&str],
    path: &str,
) -> Value {
    let filters: Vec<Value> = filters
        .iter()
        .map(|text| json!({ "url": format!("{GUIDE}/backport-filter-criteria"), "valueString": text }))
        .collect();
    let mut value = json!({
        "resourceType": "Subscription",
        "status": "requested",
        "reason": "To keep up",
        "criteria": format!("{TOPIC}/{topic}"),
        "channel": {
            "type": "rest-hook",
            "endpoint": format!("{}{path}", receiver.origin()),
            "payload": "application/fhir+json",
            "_payload": { "extension": [{
                "url": format!("{GUIDE}/backport-payload-content"), "valueCode": content }] },
        },
    });
    if !filters.is_empty() {
        value["_criteria"] = json!({ "extension": filters });
    }
    value
}

/// Waits until the Subscription has that status.
async fn status(server: &Server, id: &str, expected: &str) -> Value {
    let begun = Instant::now();
    loop {
        let found = server.get(&format!("/Subscription/{id}")).await.has_status(200).json();
        if found["status"] == expected {
            return found;
        }
        assert!(begun.elapsed() < Duration::from_mins(1), "{expected}: {found:#}");
        actix_web::rt::time::sleep(Duration::from_millis(10)).await;
    }
}

/// Creates it and waits until it is active; its id.
pub(crate) async fn subscribed(server: &Server, asked: &Value) -> String {
    let made = server.post("/Subscription", asked).await.has_status(201).json();
    assert_eq!(made["status"], "requested");
    let id = made["id"].as_str().unwrap().to_owned();
    status(server, &id, "active").await;
    id
}

/// That a notification keeps the rules of R4 and of the guide.
async fn is_good(server: &Server, got: &Got, kind: &str, level: &str) {
    let bundle = &got.body;
    let valid = server.post("/Bundle/$validate", bundle).await.has_status(200).json();
    let errors: Vec<&Value> =
        valid["issue"].as_array().unwrap().iter().filter(|i| i["severity"] == "error").collect();
    assert!(errors.is_empty(), "{errors:#?} {bundle:#}");
    assert_eq!((&bundle["resourceType"], &bundle["type"]), (&json!("Bundle"), &json!("history")));
    let entries = bundle["entry"].as_array().unwrap();
    assert!(entries.iter().all(|e| e["request"].is_object() && e["response"].is_object()));
    let first = &entries[0];
    assert_eq!(first["resource"]["resourceType"], "Parameters");
    let profile = format!("{GUIDE}/backport-subscription-status-r4");
    assert_eq!(first["resource"]["meta"]["profile"], json!([profile]));
    assert_eq!(first["request"]["method"], "GET");
    let url = first["request"]["url"].as_str().unwrap();
    assert!(url.starts_with("Subscription/") && url.ends_with("/$status"), "{url}");
    assert_eq!(parameter(bundle, "type"), Some(&json!(kind)));
    assert!(parameter(bundle, "subscription").is_some() && parameter(bundle, "status").is_some());
    // Numbers are texts in 1.1.0.
    assert!(parameter(bundle, "events-since-subscription-start").unwrap().is_string());
    assert_eq!(parameter(bundle, "topic").is_some(), level != "empty");
    for (_, focus) in events(bundle) {
        assert_eq!(focus.is_some(), level != "empty");
    }
    if level != "full-resource" {
        assert_eq!(entries.len(), 1, "{bundle:#}");
    }
    let sent = got.headers.iter().find(|(name, _)| name == "content-type").unwrap();
    assert_eq!(sent.1, "application/fhir+json");
}

fn since(got: &Got) -> String {
    parameter(&got.body, "events-since-subscription-start").unwrap().as_str().unwrap().to_owned()
}

#[actix_web::test]
async fn from_request_to_event() {
    let receiver = Receiver::start(|_| 200);
    let server = Server::with(config(&receiver));
    let mut wanted = asked(
        &receiver,
        "assessment-recorded",
        "id-only",
        &["Observation?patient=Patient/alba"],
        "/a",
    );
    wanted["status"] = json!("active");
    wanted["channel"]["header"] = json!(["Authorization: Bearer of-the-subscriber", "X-Any: a b"]);
    let id = subscribed(&server, &wanted).await;
    let handshake = receiver.wait("/a", 1).remove(0);
    is_good(&server, &handshake, "handshake", "id-only").await;
    assert_eq!(parameter(&handshake.body, "status"), Some(&json!("requested")));
    assert_eq!(since(&handshake), "0");
    assert!(events(&handshake.body).is_empty());
    for header in [("authorization", "Bearer of-the-subscriber"), ("x-any", "a b")] {
        let header = (header.0.to_owned(), header.1.to_owned());
        assert!(handshake.headers.contains(&header), "{handshake:?}");
    }
    // Another patient, and one that is not final yet: no events. Then it becomes final: one event, and
    // no other for a correction of what was final already.
    put(&server, "alba", patient("Alba")).await;
    put(&server, "brun", patient("Brun")).await;
    put(&server, "other", observation("brun", "pain", 1)).await;
    let mut draft = observation("alba", "pain", 2);
    draft["status"] = json!("preliminary");
    put(&server, "one", draft.clone()).await;
    draft["status"] = json!("final");
    put(&server, "one", draft.clone()).await;
    draft["status"] = json!("amended");
    put(&server, "one", draft).await;
    put(&server, "two", observation("alba", "flexion", 3)).await;
    let told: Vec<_> = receiver.wait("/a", 2);
    let mut all = Vec::new();
    let begun = Instant::now();
    while all.len() < 2 && begun.elapsed() < Duration::from_secs(30) {
        all = receiver.wait("/a", 2).iter().skip(1).flat_map(|got| events(&got.body)).collect();
    }
    let url = |id: &str| Some(format!("{}/Observation/{id}", server.base()));
    assert_eq!(all, [(1, url("one")), (2, url("two"))]);
    is_good(&server, &told[1], "event-notification", "id-only").await;

    let path = format!("/Subscription/{id}/$status");
    for answer in [server.get(&path).await, server.get("/Subscription/$status?status=active").await]
    {
        let bundle = answer.has_status(200).json();
        assert_eq!((&bundle["type"], &bundle["total"]), (&json!("searchset"), &json!(1)));
        assert_eq!(parameter(&bundle, "type"), Some(&json!("query-status")));
        assert_eq!(parameter(&bundle, "status"), Some(&json!("active")));
        assert_eq!(parameter(&bundle, "events-since-subscription-start"), Some(&json!("2")));
    }
    let none = server.get("/Subscription/$status?status=error,off").await.has_status(200).json();
    assert_eq!(none["total"], 0);
    server.get("/Subscription/$status?status=idle").await.is_error(400, "invalid");
    server.get("/Subscription/none/$status").await.is_error(404, "not-found");

    let path = format!("/Subscription/{id}/$events");
    for (query, expected) in [
        ("", vec![1, 2]),
        ("?eventsSinceNumber=2", vec![2]),
        ("?eventsUntilNumber=1", vec![1]),
        ("?eventsSinceNumber=1&eventsUntilNumber=2", vec![1, 2]),
        ("?eventsSinceNumber=3", vec![]),
    ] {
        let bundle = server.get(&format!("{path}{query}")).await.has_status(200).json();
        assert_eq!(parameter(&bundle, "type"), Some(&json!("query-event")));
        let numbers: Vec<u64> = events(&bundle).iter().map(|(number, _)| *number).collect();
        assert_eq!(numbers, expected, "{query}");
    }
    // Not more than the subscription was allowed; less as the client likes.
    let whole = server.get(&format!("{path}?content=full-resource")).await.has_status(200).json();
    assert_eq!(whole["entry"].as_array().unwrap().len(), 1);
    let empty = server.get(&format!("{path}?content=empty")).await.has_status(200).json();
    assert!(events(&empty).iter().all(|(_, focus)| focus.is_none()));
    server.get(&format!("{path}?eventsSinceNumber=x")).await.is_error(400, "invalid");
}

#[actix_web::test]
async fn what_cannot_be_had_is_refused() {
    let receiver = Receiver::start(|_| 200);
    let server = Server::with(config(&receiver));
    let good = asked(&receiver, "assessment-recorded", "id-only", &[], "/r");
    let change = |pointer: &str, value: Value| {
        let mut bad = good.clone();
        let (parent, name) = pointer.rsplit_once('/').unwrap();
        bad.pointer_mut(parent).unwrap()[name] = value;
        bad
    };
    let extension = |name: &str, key: &str, value: Value| json!([{ "url": format!("{GUIDE}/{name}"), key: value }]);
    let filter = |text: &str| json!({ "extension": extension("backport-filter-criteria", "valueString", json!(text)) });
    for (bad, place) in [
        (change("/criteria", json!("Observation?code=x")), "Subscription.criteria"),
        (change("/criteria", json!(format!("{TOPIC}/none"))), "Subscription.criteria"),
        (
            change("/criteria", json!(format!("{TOPIC}/assessment-recorded|9"))),
            "Subscription.criteria",
        ),
        (change("/criteria", json!(format!("{TOPIC}/resource-changed"))), "Subscription.criteria"),
        (change("/_criteria", filter("Patient?name=x")), "Subscription.criteria.extension[0]"),
        (change("/_criteria", filter("value-quantity=1")), "Subscription.criteria.extension[0]"),
        (change("/_criteria", filter("code:text=x")), "Subscription.criteria.extension[0]"),
        (change("/_criteria", filter("patient.name=x")), "Subscription.criteria.extension[0]"),
        (change("/channel/type", json!("websocket")), "Subscription.channel.type"),
        (change("/channel/type", json!("email")), "Subscription.channel.type"),
        (
            change(
                "/channel/_type",
                json!({ "extension": extension("backport-channel-type", "valueCoding", json!({ "code": "x" })) }),
            ),
            "Subscription.channel.type.extension",
        ),
        (change("/channel/payload", json!("text/plain")), "Subscription.channel.payload"),
        (
            change("/channel/payload", json!("application/fhir+json; fhirVersion=5.0")),
            "Subscription.channel.payload",
        ),
        (
            change(
                "/channel/_payload",
                json!({ "extension": extension("backport-payload-content", "valueCode", json!("all")) }),
            ),
            "Subscription.channel.payload.extension",
        ),
        (change("/channel/_payload", Value::Null), "Subscription.channel.payload.extension"),
        (
            change("/channel/endpoint", json!("https://elsewhere.example/hook")),
            "Subscription.channel.endpoint",
        ),
        (
            change("/channel/endpoint", json!("http://169.254.169.254/latest")),
            "Subscription.channel.endpoint",
        ),
        (change("/channel/endpoint", json!("file:///etc/passwd")), "Subscription.channel.endpoint"),
        (
            change("/channel/header", json!(["Host: evil.example"])),
            "Subscription.channel.header[0]",
        ),
        (change("/channel/header", json!(["A: b", "none"])), "Subscription.channel.header[1]"),
        (
            change(
                "/channel/extension",
                extension("backport-timeout", "valueUnsignedInt", json!(9999)),
            ),
            "Subscription.channel.extension[0]",
        ),
        (
            change(
                "/channel/extension",
                extension("backport-max-count", "valueUnsignedInt", json!(1)),
            ),
            "Subscription.channel.extension[0]",
        ),
    ] {
        let mut bad = bad;
        if bad["channel"]["_payload"].is_null() {
            bad["channel"].as_object_mut().unwrap().remove("_payload");
        }
        let answer = server.post("/Subscription", &bad).await;
        assert_eq!(answer.status, 422, "{place}: {}", answer.text);
        let outcome = answer.json();
        let issues = outcome["issue"].as_array().unwrap();
        let is_there = issues.iter().any(|issue| issue["expression"][0] == place);
        assert!(is_there, "{place}: {outcome:#}");
    }
    // By other settings: https only, no private networks, nothing that is not listed.
    let plain = |change: &dyn Fn(&mut Config)| {
        let mut config = config(&receiver);
        change(&mut config);
        Server::with(config)
    };
    for server in [
        plain(&|config| config.notify.notify_plain = false),
        plain(&|config| config.outbound_private = false),
        plain(&|config| config.outbound = Vec::new()),
    ] {
        server.post("/Subscription", &good).await.is_error(422, "forbidden");
    }
    assert!(receiver.got().is_empty(), "nothing is called that was refused");
    // Turned off it asks for nothing, so that it can be turned off whatever the settings are.
    let off = change("/status", json!("off"));
    server.post("/Subscription", &off).await.has_status(201);
}

#[actix_web::test]
async fn as_much_as_was_asked_for() {
    let receiver = Receiver::start(|_| 200);
    let server = Server::with(config(&receiver));
    for level in ["empty", "id-only", "full-resource"] {
        let path = format!("/{level}");
        subscribed(&server, &asked(&receiver, "assessment-recorded", level, &[], &path)).await;
    }
    put(&server, "alba", patient("Alba")).await;
    let seen =
        server.post("/Observation", &observation("alba", "pain", 4)).await.has_status(201).json();
    let url = format!("{}/Observation/{}", server.base(), seen["id"].as_str().unwrap());
    for level in ["empty", "id-only", "full-resource"] {
        let path = format!("/{level}");
        let got = receiver.wait(&path, 2).remove(1);
        is_good(&server, &got, "event-notification", level).await;
        let text = got.body.to_string();
        assert_eq!(text.contains("Observation/"), level != "empty");
        assert_eq!(
            text.contains("Patient/alba"),
            level != "empty",
            "the topic tells the patient along"
        );
        assert_eq!(text.contains("markalba"), level == "full-resource");
        if level == "full-resource" {
            let entries = got.body["entry"].as_array().unwrap();
            let focus = &entries[1];
            assert_eq!((&focus["fullUrl"], &focus["resource"]), (&json!(url), &seen));
            assert_eq!(focus["request"], json!({ "method": "POST", "url": "Observation" }));
            assert_eq!(focus["response"]["status"], "201");
            assert_eq!(entries[2]["resource"]["resourceType"], "Patient");
            assert_eq!(entries[2]["request"], json!({ "method": "GET", "url": "Patient/alba" }));
        }
    }
}

#[actix_web::test]
async fn what_is_not_taken_is_kept_until_it_is_asked_for_again() {
    let broken = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&broken);
    let receiver = Receiver::start(move |_| if seen.load(Ordering::SeqCst) { 500 } else { 204 });
    let server = Server::with(config(&receiver));
    let mut wanted = asked(&receiver, "assessment-recorded", "id-only", &[], "/f");
    wanted["channel"]["extension"] =
        json!([{ "url": format!("{GUIDE}/backport-max-count"), "valuePositiveInt": 2 }]);
    let id = subscribed(&server, &wanted).await;
    broken.store(true, Ordering::SeqCst);
    put(&server, "alba", patient("Alba")).await;
    for number in 1..=5 {
        put(&server, &format!("o{number}"), observation("alba", "pain", number)).await;
    }
    let failed = status(&server, &id, "error").await;
    assert!(failed["error"].as_str().unwrap().contains("500"), "{failed:#}");
    let tries = receiver.got().len() - 1;
    assert_eq!(tries, 3, "as many tries as are set");
    // It goes on being counted, and by itself it does not come back.
    put(&server, "o6", observation("alba", "pain", 6)).await;
    let path = format!("/Subscription/{id}/$status");
    let begun = Instant::now();
    loop {
        let bundle = server.get(&path).await.has_status(200).json();
        if parameter(&bundle, "events-since-subscription-start") == Some(&json!("6")) {
            assert_eq!(parameter(&bundle, "status"), Some(&json!("error")));
            let error = parameter(&bundle, "error").unwrap();
            assert!(error["text"].as_str().unwrap().contains("500"));
            break;
        }
        assert!(begun.elapsed() < Duration::from_secs(30), "{bundle:#}");
        actix_web::rt::time::sleep(Duration::from_millis(10)).await;
    }
    broken.store(false, Ordering::SeqCst);
    assert_eq!(receiver.got().len(), 4);
    let mut again = server.get(&format!("/Subscription/{id}")).await.json();
    again["status"] = json!("requested");
    let made = server.put(&format!("/Subscription/{id}"), &again).await.has_status(200).json();
    assert!(made["status"] == "requested" && made.get("error").is_none(), "{made:#}");
    status(&server, &id, "active").await;
    let begun = Instant::now();
    let taken = loop {
        let got: Vec<Got> = receiver.got().into_iter().filter(|got| got.taken).skip(1).collect();
        if got.iter().map(|got| events(&got.body).len()).sum::<usize>() >= 6 {
            break got;
        }
        assert!(begun.elapsed() < Duration::from_secs(30));
        actix_web::rt::time::sleep(Duration::from_millis(10)).await;
    };
    assert_eq!(parameter(&taken[0].body, "type"), Some(&json!("handshake")));
    let told: Vec<Vec<u64>> =
        taken[1..].iter().map(|got| events(&got.body).iter().map(|(n, _)| *n).collect()).collect();
    assert_eq!(told, [[1, 2], [3, 4], [5, 6]], "in order, two at a time");
    // Each notification counts the events up to its own last one.
    assert_eq!(taken[1..].iter().map(since).collect::<Vec<_>>(), ["2", "4", "6"]);
}

#[actix_web::test]
async fn no_handshake_no_notifications() {
    let receiver = Receiver::start(|got| if got.path == "/moved" { 302 } else { 410 });
    let server = Server::with(config(&receiver));
    for path in ["/gone", "/moved"] {
        let wanted = asked(&receiver, "assessment-recorded", "id-only", &[], path);
        let made = server.post("/Subscription", &wanted).await.has_status(201).json();
        let failed = status(&server, made["id"].as_str().unwrap(), "error").await;
        assert!(failed["error"].is_string());
        assert_eq!(receiver.wait(path, 1).len(), 1, "one try, and no redirect is followed");
    }
}

#[actix_web::test]
async fn beats_ends_and_goes() {
    let receiver = Receiver::start(|_| 200);
    let server = Server::with(config(&receiver));
    let mut beating = asked(&receiver, "assessment-recorded", "empty", &[], "/beat");
    beating["channel"]["extension"] =
        json!([{ "url": format!("{GUIDE}/backport-heartbeat-period"), "valueUnsignedInt": 1 }]);
    let id = subscribed(&server, &beating).await;
    let beat = receiver.wait("/beat", 2).remove(1);
    is_good(&server, &beat, "heartbeat", "empty").await;
    assert_eq!(since(&beat), "0", "a heartbeat is no event");
    server.delete(&format!("/Subscription/{id}")).await.has_status(204);
    let mut ending = asked(&receiver, "assessment-recorded", "id-only", &[], "/end");
    let end = time::OffsetDateTime::now_utc() + time::Duration::seconds(1);
    ending["end"] = json!(end.format(&time::format_description::well_known::Rfc3339).unwrap());
    let made = server.post("/Subscription", &ending).await.has_status(201).json();
    let ended = made["id"].as_str().unwrap();
    status(&server, ended, "off").await;
    // Neither the one that is gone nor the one that is off is told anything more.
    let active = asked(&receiver, "assessment-recorded", "id-only", &[], "/there");
    subscribed(&server, &active).await;
    let before = (receiver.wait("/beat", 2).len(), receiver.wait("/end", 1).len());
    put(&server, "one", observation("alba", "pain", 1)).await;
    receiver.wait("/there", 2);
    assert_eq!((receiver.wait("/beat", 2).len(), receiver.wait("/end", 1).len()), before);
    server.get(&format!("/Subscription/{id}/$status")).await.is_error(410, "deleted");
}

/// Slow receivers do not hold up others, and are given up by the time that is set.
#[actix_web::test]
async fn each_subscriber_is_told_alone() {
    let count = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&count);
    let receiver = Receiver::start(move |got| {
        if got.path == "/slow" && counted.fetch_add(1, Ordering::SeqCst) > 0 {
            std::thread::sleep(Duration::from_secs(3));
        }
        200
    });
    let server = Server::with(config(&receiver));
    let mut slow = asked(&receiver, "assessment-recorded", "id-only", &[], "/slow");
    slow["channel"]["extension"] =
        json!([{ "url": format!("{GUIDE}/backport-timeout"), "valueUnsignedInt": 1 }]);
    let id = subscribed(&server, &slow).await;
    subscribed(&server, &asked(&receiver, "assessment-recorded", "id-only", &[], "/fast")).await;
    put(&server, "one", observation("alba", "pain", 1)).await;
    receiver.wait("/fast", 2);
    let failed = status(&server, &id, "error").await;
    assert!(failed["error"].is_string());
}
