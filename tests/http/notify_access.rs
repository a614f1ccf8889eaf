//! What subscribers may see: a Subscription is its client's alone, and tells it nothing that a token
//! would not show.
//!
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/safety_security.html>.

use std::path::Path;
use std::sync::mpsc;

use serde_json::{Value, json};
use spondyl::access::clients::Clients;
use spondyl::access::token::Tokens;
use spondyl::app::App;
use spondyl::config::{Authorisation, Config};
use spondyl::fhir::Instant;
use spondyl::smart::client::Client;

use crate::client::{Answer, JSON, Server, with_id};
use crate::guarded::{Given, access, records, shared};
use crate::notify::{asked, config};
use crate::receiver::{Receiver, events, parameter};

/// Clients by name, each registered for its scopes and with a token for them; the first is for
/// everything.
struct Clinic {
    server: Server,
    tokens: Vec<String>,
}

impl Clinic {
    fn start(config: Config, data: &Path, given: &[(&str, Given<'_>)]) -> Self {
        let config = Config { access: Authorisation::Smart, data: data.to_owned(), ..config };
        let mut accesses = Vec::new();
        for (name, given) in given {
            register(data, name, *given);
            let mut access = access(*given);
            (*name).clone_into(&mut access.client);
            accesses.push(access);
        }
        let (tell, told) = mpsc::channel();
        let server = Server::guarded(config, move |app: &App| {
            let tokens = Tokens::of(app.store.clone());
            for access in &accesses {
                let (from, ends) = (Instant::from_millis(0), Instant::from_millis(i64::MAX));
                tell.send(tokens.issue(access, from, ends).unwrap()).unwrap();
            }
        });
        Self { server, tokens: told.iter().collect() }
    }

    async fn send(&self, who: usize, method: &str, path: &str, body: &Value) -> Answer {
        let bearer = format!("Bearer {}", self.tokens[who]);
        let headers = [("Authorization", bearer.as_str()), JSON];
        let body = if body.is_null() { String::new() } else { body.to_string() };
        self.server.send(method, path, &headers, body).await
    }

    async fn get(&self, who: usize, path: &str) -> Answer {
        self.send(who, "GET", path, &Value::Null).await
    }

    async fn put(&self, id: &str, value: &Value) {
        let path = format!("/{}/{id}", value["resourceType"].as_str().unwrap());
        let answer = self.send(0, "PUT", &path, &with_id(value.clone(), id)).await;
        assert!([200, 201].contains(&answer.status), "{}", answer.text);
    }
}

fn register(data: &Path, name: &str, (scope, patient, user): Given<'_>) {
    let client = Client {
        id: name.to_owned(),
        name: name.to_owned(),
        scope: scope.to_owned(),
        patient: patient.map(str::to_owned),
        user: user.map(str::to_owned),
        jwks: None,
        jwks_uri: Some("https://keys.example/jwks".to_owned()),
        introspects: false,
    };
    Clients::of(data).put(&client).unwrap();
}

const ALL: Given<'_> = ("system/*.cruds", None, None);

#[actix_web::test]
async fn a_subscription_is_its_clients_alone() {
    let receiver = Receiver::start(|_| 200);
    let data = tempfile::tempdir().unwrap();
    let clinic = Clinic::start(config(&receiver), data.path(), &[("one", ALL), ("two", ALL)]);
    let mut wanted = asked(&receiver, "assessment-recorded", "id-only", &[], "/secret-path");
    wanted["channel"]["header"] = json!(["Authorization: Bearer secret-header"]);
    let sent = with_id(wanted.clone(), "mine");
    clinic.send(0, "PUT", "/Subscription/mine", &sent).await.has_status(201);
    receiver.wait("/secret-path", 1);
    for path in [
        "/Subscription/mine",
        "/Subscription/mine/_history",
        "/Subscription/mine/_history/1",
        "/Subscription/mine/$status",
        "/Subscription/mine/$events",
    ] {
        clinic.get(0, path).await.has_status(200);
        clinic.get(1, path).await.is_error(404, "not-found");
    }
    for path in [
        "/Subscription",
        "/Subscription?status=active,requested",
        "/Subscription/_history",
        "/_history",
        "/Subscription/$status",
        "?_type=Subscription",
    ] {
        let found = clinic.get(1, path).await.has_status(200);
        assert!(
            !found.text.contains("secret") && !found.text.contains("mine"),
            "{path}: {}",
            found.text
        );
        let total = &found.json()["total"];
        assert!(total.is_null() || *total == 0 || path == "/_history", "{path} {total}");
        clinic.get(0, path).await.has_status(200);
    }
    clinic.send(1, "PUT", "/Subscription/mine", &sent).await.is_error(403, "forbidden");
    let patch = json!([{ "op": "replace", "path": "/reason", "value": "x" }]);
    let bearer = format!("Bearer {}", clinic.tokens[1]);
    let headers =
        [("Authorization", bearer.as_str()), ("Content-Type", "application/json-patch+json")];
    let patched =
        clinic.server.send("PATCH", "/Subscription/mine", &headers, patch.to_string()).await;
    assert!([403, 404].contains(&patched.status), "{}", patched.text);
    let unseen = clinic.send(1, "DELETE", "/Subscription/mine", &Value::Null).await;
    assert!([200, 204].contains(&unseen.status), "as for one that never was: {}", unseen.text);
    clinic.get(0, "/Subscription/mine").await.has_status(200);
    // Also when it is gone, its past stays its client's.
    clinic.send(0, "DELETE", "/Subscription/mine", &Value::Null).await.has_status(204);
    let taken = clinic.send(1, "PUT", "/Subscription/mine", &sent).await;
    assert_eq!(taken.status, 409, "{}", taken.text);
    clinic.get(1, "/Subscription/mine/_history/1").await.is_error(404, "not-found");
    clinic.get(0, "/Subscription/mine/_history/1").await.has_status(200);
}

#[actix_web::test]
async fn nothing_is_told_that_a_token_would_not_show() {
    let receiver = Receiver::start(|_| 200);
    let data = tempfile::tempdir().unwrap();
    let survey = "system/Observation.rs?category=survey system/Subscription.cruds";
    let clinic = Clinic::start(
        config(&receiver),
        data.path(),
        &[
            ("all", ALL),
            ("alba", ("patient/*.cruds", Some("alba"), None)),
            ("survey", (survey, None, None)),
        ],
    );
    for (who, path) in [(0, "/all"), (1, "/alba"), (2, "/survey")] {
        let filters =
            ["Observation?", "Patient?", "Flag?", "EpisodeOfCare?", "Provenance?", "Binary?"];
        let wanted = asked(&receiver, "resource-changed", "full-resource", &filters, path);
        clinic.send(who, "POST", "/Subscription", &wanted).await.has_status(201);
        receiver.wait(path, 1);
        let findings =
            asked(&receiver, "consistency-finding", "id-only", &[], &format!("{path}-findings"));
        clinic.send(who, "POST", "/Subscription", &findings).await.has_status(201);
        receiver.wait(&format!("{path}-findings"), 1);
    }
    let mut written = 0;
    for (id, value) in shared().into_iter().chain(records("brun")).chain(records("alba")) {
        clinic.put(&id, &value).await;
        let kinds = ["Observation", "Patient", "Flag", "EpisodeOfCare", "Provenance", "Binary"];
        written += usize::from(kinds.contains(&value["resourceType"].as_str().unwrap()));
    }
    // A finding of the one that is made the other's, and one that is deleted.
    let moved = crate::guarded::observation("brun", "pain", 4);
    clinic.put("alba-o1", &moved).await;
    clinic.send(0, "DELETE", "/Observation/brun-o2", &Value::Null).await.has_status(204);
    clinic.send(0, "DELETE", "/Observation/alba-o2", &Value::Null).await.has_status(204);
    let told = |path: &str| -> Vec<(u64, Option<String>)> {
        receiver.wait(path, 1).iter().flat_map(|got| events(&got.body)).collect()
    };
    let begun = std::time::Instant::now();
    while told("/all").len() < written + 3 || told("/alba").len() < 11 {
        assert!(begun.elapsed() < std::time::Duration::from_mins(1), "{:?}", told("/all").len());
        actix_web::rt::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    let alba = told("/alba");
    assert!(alba.iter().enumerate().all(|(at, (number, _))| *number == at as u64 + 1), "{alba:?}");
    for path in ["/alba", "/alba-findings", "/survey", "/survey-findings"] {
        for got in receiver.wait(path, 1) {
            let text = got.body.to_string();
            assert!(!text.contains("brun"), "{path}: {text}");
        }
    }
    assert!(told("/survey").is_empty(), "{:?}", told("/survey"));
    let status = clinic.get(2, "/Subscription/$status").await.has_status(200).json();
    assert_eq!(parameter(&status, "events-since-subscription-start"), Some(&json!("0")));
}

/// What the client is registered for now decides, not what it was when it subscribed.
#[actix_web::test]
async fn rights_are_asked_when_it_is_told() {
    let receiver = Receiver::start(|_| 200);
    let data = tempfile::tempdir().unwrap();
    let clinic = Clinic::start(
        config(&receiver),
        data.path(),
        &[("all", ALL), ("two", ALL), ("three", ALL)],
    );
    for (who, path) in [(1, "/two"), (2, "/three")] {
        let wanted = asked(&receiver, "assessment-recorded", "id-only", &[], path);
        clinic.send(who, "POST", "/Subscription", &wanted).await.has_status(201);
        receiver.wait(path, 1);
    }
    clinic.put("one", &crate::guarded::observation("alba", "pain", 1)).await;
    receiver.wait("/two", 2);
    receiver.wait("/three", 2);
    register(
        data.path(),
        "two",
        ("system/Observation.rs?code=other system/Subscription.cruds", None, None),
    );
    Clients::of(data.path()).remove("three").unwrap();
    clinic.put("two", &crate::guarded::observation("alba", "pain", 1)).await;
    clinic.put("three", &crate::guarded::observation("alba", "other", 1)).await;
    let last = receiver.wait("/two", 3).remove(2);
    let told = events(&last.body);
    assert_eq!(told.len(), 1);
    assert!(told[0].1.as_ref().unwrap().ends_with("/Observation/three"), "{told:?}");
    assert_eq!(told[0].0, 2, "what could not be seen was never counted");
    assert_eq!(receiver.wait("/three", 2).len(), 2);
}
