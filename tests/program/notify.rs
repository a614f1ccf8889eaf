//! Notifications while the subscriber fails at random and the server is killed: every event is
//! delivered, in order, under one number, and none is lost.
//!
//! `SPONDYL_NOTICES=10000` makes as many events with 20 kills; by default there are few of both. What
//! was to be told is read from the history of the server, which knows nothing of notifications
//! (<http://hl7.org/fhir/R4/http.html#history>).

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::receiver::{Receiver, events, parameter};
use crate::{Server, block_on};

const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
/// How many writers there are.
const WRITERS: usize = 6;

fn serve(data: &std::path::Path, receiver: &Receiver) -> Server {
    let data = data.to_str().unwrap();
    let origin = receiver.origin();
    Server::start(&[
        "serve",
        "--listen",
        "127.0.0.1:0",
        "--data",
        data,
        "--outbound",
        &origin,
        "--outbound-private",
        "--notify-plain",
        "--notify-tries",
        "1000000",
        "--notify-pause",
        "1",
    ])
}

fn subscription(receiver: &Receiver) -> Value {
    json!({
        "resourceType": "Subscription",
        "status": "requested",
        "reason": "To keep up",
        "criteria": "https://spondyl.example/fhir/SubscriptionTopic/assessment-recorded",
        "channel": {
            "extension": [
                { "url": format!("{GUIDE}/backport-max-count"), "valuePositiveInt": 7 }],
            "type": "rest-hook",
            "endpoint": format!("{}/hook", receiver.origin()),
            "payload": "application/fhir+json",
            "_payload": { "extension": [{
                "url": format!("{GUIDE}/backport-payload-content"), "valueCode": "id-only" }] },
        },
    })
}

fn observation(id: &str) -> Value {
    json!({
        "resourceType": "Observation", "id": id, "status": "final",
        "code": { "text": "invented" }, "subject": { "reference": "Patient/invented" },
    })
}

/// Writes what is still to be written until all is done or the server is gone. What was not
/// acknowledged is written again later; that is no second event, for it is final already.
async fn write(base: &str, open: &Mutex<Vec<usize>>, done: &AtomicUsize) {
    let client = reqwest::Client::new();
    loop {
        let Some(number) = open.lock().unwrap().pop() else { return };
        let id = format!("o{number}");
        let request = client.put(format!("{base}/Observation/{id}"));
        let request = request.header("content-type", "application/fhir+json");
        match request.body(observation(&id).to_string()).send().await {
            Ok(response) if response.status().is_success() => {
                done.fetch_add(1, Ordering::SeqCst);
            }
            Ok(response) => panic!("refused with {}", response.status()),
            Err(_) => return open.lock().unwrap().push(number),
        }
    }
}

/// The Observations in the order of the commits that made them.
fn history(server: &Server) -> Vec<String> {
    let mut place = "Observation/_history?_sort=_lastUpdated&_count=1000".to_owned();
    let mut found = Vec::new();
    loop {
        let (status, bundle) = server.get(&place);
        assert_eq!(status, 200, "{bundle}");
        for entry in bundle["entry"].as_array().into_iter().flatten() {
            if entry["resource"]["meta"]["versionId"] == "1" {
                found.push(entry["resource"]["id"].as_str().unwrap().to_owned());
            }
        }
        let links = bundle["link"].as_array().unwrap();
        let Some(next) = links.iter().find(|link| link["relation"] == "next") else { break };
        let url = next["url"].as_str().unwrap();
        url.split_once("/fhir/").unwrap().1.clone_into(&mut place);
    }
    found
}

/// The numbers and foci of what was taken, in the order in which it came.
fn taken(receiver: &Receiver) -> Vec<(u64, String)> {
    let got = receiver.got();
    let got = got.iter().filter(|got| got.taken);
    let got = got.inspect(|got| {
        let is_json = |(name, value): &(String, String)| {
            name.eq_ignore_ascii_case("content-type") && value == "application/fhir+json"
        };
        assert!(got.headers.iter().any(is_json), "{:?}", got.headers);
    });
    let told = got.filter(|got| parameter(&got.body, "type") == Some(&json!("event-notification")));
    let all = told.flat_map(|got| events(&got.body));
    let id = |focus: String| focus.rsplit_once("/Observation/").unwrap().1.to_owned();
    all.map(|(number, focus)| (number, id(focus.unwrap()))).collect()
}

#[test]
fn none_is_lost() {
    let many = std::env::var("SPONDYL_NOTICES").ok().map(|text| text.parse().unwrap());
    let (count, kills): (usize, usize) = many.map_or((400, 4), |many| (many, 20));
    // A third of what comes is refused or not answered; a generator by a fixed seed says what.
    let state = AtomicU64::new(0x9E37_79B9_7F4A_7C15);
    let receiver = Receiver::start(move |got| {
        if parameter(&got.body, "type") == Some(&json!("handshake")) {
            return 200;
        }
        let next = |x: u64| x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let drawn = state.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |x| Some(next(x)));
        match (drawn.unwrap() >> 33) % 6 {
            0 => 503,
            1 => 0,
            _ => 200,
        }
    });
    let directory = tempfile::tempdir().unwrap();
    let mut server = serve(directory.path(), &receiver);
    let body = subscription(&receiver).to_string();
    block_on(async {
        let client = reqwest::Client::new();
        let request = client.put(format!("{}/Subscription/s", server.base));
        let request = request.header("content-type", "application/fhir+json");
        let body = body.replacen('{', "{\"id\":\"s\",", 1);
        let answer = request.body(body).send().await.unwrap();
        assert_eq!(answer.status().as_u16(), 201, "{}", answer.text().await.unwrap());
    });
    receiver.wait("/hook", 1);
    let open = Mutex::new((0..count).rev().collect::<Vec<_>>());
    let done = AtomicUsize::new(0);
    for round in 1..=kills + 1 {
        let base = server.base.clone();
        std::thread::scope(|scope| {
            for _ in 0..WRITERS {
                scope.spawn(|| block_on(write(&base, &open, &done)));
            }
            if round <= kills {
                // In the middle of the work, however fast the machine is.
                while done.load(Ordering::SeqCst) < round * count / (kills + 1) {
                    std::thread::sleep(Duration::from_millis(1));
                }
                server.kill();
            }
        });
        if round <= kills {
            server = serve(directory.path(), &receiver);
        }
    }
    assert_eq!(done.load(Ordering::SeqCst), count);
    let (begun, least) = (Instant::now(), u64::try_from(count).unwrap());
    while taken(&receiver).iter().all(|(number, _)| *number < least) {
        assert!(begun.elapsed() < Duration::from_mins(10), "{:?}", taken(&receiver).last());
        std::thread::sleep(Duration::from_millis(100));
    }
    let mut by_number = BTreeMap::new();
    let mut last = 0;
    for (number, id) in taken(&receiver) {
        assert!(number <= last + 1, "{number} came after {last}");
        last = last.max(number);
        let before = by_number.insert(number, id.clone());
        assert!(before.is_none_or(|before| before == id), "{number} is of two events");
    }
    let told: Vec<String> = by_number.into_values().collect();
    assert_eq!(told.len(), count);
    assert_eq!(told, history(&server), "the same as the history tells, in the same order");
}
