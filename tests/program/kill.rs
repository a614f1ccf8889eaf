//! What was acknowledged survives `kill -9`; a transaction is there whole or not at all.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::{Server, block_on};

/// Writers that send until the server is gone, and what each was told was stored.
async fn write_until_killed(
    base: &str,
    writer: usize,
    written: &AtomicUsize,
) -> Vec<(String, bool)> {
    let client = reqwest::Client::new();
    let mut acknowledged = Vec::new();
    for number in 0.. {
        let single = number % 4 != 0;
        let name = format!("w{writer}-{number}");
        let (url, body) = if single {
            (format!("{base}/Basic/{name}"), basic(&name))
        } else {
            (base.to_owned(), transaction(&name))
        };
        let method = if single { reqwest::Method::PUT } else { reqwest::Method::POST };
        let request = client.request(method, url).header("content-type", "application/fhir+json");
        match request.body(body.to_string()).send().await {
            Ok(response) if response.status().is_success() => {
                acknowledged.push((name, single));
                written.fetch_add(1, Ordering::SeqCst);
            }
            Ok(response) => panic!("refused with {}", response.status()),
            Err(_) => break,
        }
    }
    acknowledged
}

fn basic(id: &str) -> Value {
    json!({ "resourceType": "Basic", "id": id, "code": { "text": "invented" } })
}

const PARTS: usize = 5;

/// How long the writes before the kill may take.
const PATIENCE: Duration = Duration::from_mins(1);

fn transaction(name: &str) -> Value {
    let entries: Vec<Value> = (0..PARTS)
        .map(|part| {
            let id = format!("{name}.{part}");
            let request = json!({ "method": "PUT", "url": format!("Basic/{id}") });
            json!({ "resource": basic(&id), "request": request })
        })
        .collect();
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

#[test]
fn acknowledged_writes_survive_and_transactions_are_whole() {
    let directory = tempfile::tempdir().unwrap();
    for round in 0..3 {
        let mut server = Server::serve(directory.path());
        let base = server.base.clone();
        let written = AtomicUsize::new(0);
        let acknowledged = std::thread::scope(|scope| {
            let writers: Vec<_> = (0..8)
                .map(|writer| {
                    let (base, written) = (&base, &written);
                    let work = write_until_killed(base, round * 8 + writer, written);
                    scope.spawn(move || block_on(work))
                })
                .collect();
            // In the middle of the work, however fast the machine is.
            let begun = Instant::now();
            while written.load(Ordering::SeqCst) <= 20 && begun.elapsed() < PATIENCE {
                std::thread::sleep(Duration::from_millis(50));
            }
            server.kill();
            let done = writers.into_iter().flat_map(|writer| writer.join().unwrap());
            done.collect::<Vec<_>>()
        });
        assert!(acknowledged.len() > 20, "only {} writes before the kill", acknowledged.len());
        let server = Server::serve(directory.path());
        for (name, single) in acknowledged {
            let last = if single { name } else { format!("{name}.{}", PARTS - 1) };
            let (status, _) = server.get(&format!("Basic/{last}"));
            assert_eq!(status, 200, "Basic/{last} was acknowledged and is gone");
        }
        no_transaction_is_torn(&server);
    }
}

fn no_transaction_is_torn(server: &Server) {
    let mut parts = std::collections::BTreeMap::<String, usize>::new();
    let mut place = "Basic?_count=500".to_owned();
    loop {
        let (_, bundle) = server.get(&place);
        for entry in bundle["entry"].as_array().into_iter().flatten() {
            let id = entry["resource"]["id"].as_str().unwrap();
            if let Some((name, _)) = id.split_once('.') {
                *parts.entry(name.to_owned()).or_default() += 1;
            }
        }
        let links = bundle["link"].as_array().unwrap();
        let Some(next) = links.iter().find(|link| link["relation"] == "next") else { break };
        let url = next["url"].as_str().unwrap();
        url.split_once("/fhir/").unwrap().1.clone_into(&mut place);
    }
    assert!(!parts.is_empty());
    for (name, count) in parts {
        assert_eq!(count, PARTS, "{name} is there in part");
    }
}

/// Updates one resource until the server is gone; how often that was acknowledged.
async fn update_until_killed(base: &str, id: &str, before: usize, written: &AtomicUsize) -> usize {
    let client = reqwest::Client::new();
    let mut acknowledged = before;
    loop {
        let mut body = basic(id);
        body["code"]["text"] = json!((acknowledged + 1).to_string());
        let request = client.put(format!("{base}/Basic/{id}"));
        let request = request.header("content-type", "application/fhir+json");
        match request.body(body.to_string()).send().await {
            Ok(response) if response.status().is_success() => acknowledged += 1,
            Ok(response) => panic!("refused with {}", response.status()),
            Err(_) => return acknowledged,
        }
        written.fetch_add(1, Ordering::SeqCst);
    }
}

/// The versions of a resource, the oldest first: number and text.
fn versions(server: &Server, id: &str) -> Vec<(String, String)> {
    let (status, history) = server.get(&format!("Basic/{id}/_history?_count=1000"));
    assert_eq!(status, 200);
    let entries = history["entry"].as_array().unwrap().iter().rev();
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let version = |entry: &Value| {
        let resource = &entry["resource"];
        (text(&resource["meta"]["versionId"]), text(&resource["code"]["text"]))
    };
    entries.map(version).collect()
}

/// Each version that was acknowledged is in the history, none is there in part or twice, and the
/// last is the one that is read and found; over several kills.
#[test]
fn no_version_is_lost() {
    const WRITERS: usize = 6;
    let directory = tempfile::tempdir().unwrap();
    let mut kept = [0; WRITERS];
    for _ in 0..3 {
        let mut server = Server::serve(directory.path());
        let (base, written) = (server.base.clone(), AtomicUsize::new(0));
        let acknowledged: Vec<usize> = std::thread::scope(|scope| {
            let writers: Vec<_> = (0..WRITERS)
                .map(|writer| {
                    let (base, written, before) = (&base, &written, kept[writer]);
                    scope.spawn(move || {
                        let id = format!("u{writer}");
                        block_on(update_until_killed(base, &id, before, written))
                    })
                })
                .collect();
            let begun = Instant::now();
            while written.load(Ordering::SeqCst) <= 60 && begun.elapsed() < PATIENCE {
                std::thread::sleep(Duration::from_millis(20));
            }
            server.kill();
            writers.into_iter().map(|writer| writer.join().unwrap()).collect()
        });
        let server = Server::serve(directory.path());
        for (writer, acknowledged) in acknowledged.into_iter().enumerate() {
            let id = format!("u{writer}");
            let found = versions(&server, &id);
            assert!(found.len() >= acknowledged, "{} of {acknowledged} versions", found.len());
            // One write may have been stored without its client being told.
            assert!(found.len() <= acknowledged + 1);
            let expected = (1..=found.len()).map(|number| number.to_string());
            let expected: Vec<_> = expected.map(|number| (number.clone(), number)).collect();
            assert_eq!(found, expected);
            let (_, current) = server.get(&format!("Basic/{id}"));
            assert_eq!(current["code"]["text"], json!(found.len().to_string()));
            let (_, bundle) = server.get(&format!("Basic?code:text={}&_id={id}", found.len()));
            assert_eq!(bundle["total"], 1, "the index is of another version");
            kept[writer] = found.len();
        }
    }
}

/// What was sent under a key, acknowledged or not, is there once when it is sent again, and the answer
/// is the one that was given (draft-ietf-httpapi-idempotency-key-header-07, number from memory).
#[test]
fn what_is_sent_again_under_its_key_is_written_once() {
    const WRITERS: usize = 6;
    let directory = tempfile::tempdir().unwrap();
    let send = async |client: &reqwest::Client, base: &str, name: &str| {
        let entries: Vec<Value> = (0..PARTS)
            .map(|part| {
                let mut resource = basic("x");
                resource["identifier"] =
                    json!([{ "system": "urn:t", "value": format!("{name}.{part}") }]);
                json!({ "resource": resource, "request": { "method": "POST", "url": "Basic" } })
            })
            .collect();
        // A batch too, of which each part is written by itself without a key.
        let kind = if name.ends_with('0') { "batch" } else { "transaction" };
        let bundle = json!({ "resourceType": "Bundle", "type": kind, "entry": entries });
        let request = client.post(base).header("content-type", "application/fhir+json");
        let request = request.header("idempotency-key", format!("\"{name}\""));
        let response = request.body(bundle.to_string()).send().await.ok()?;
        assert_eq!(response.status().as_u16(), 200);
        let text = response.text().await.ok()?;
        Some(text)
    };
    for round in 0..3 {
        let mut server = Server::serve(directory.path());
        let (base, written) = (server.base.clone(), AtomicUsize::new(0));
        let sent: Vec<(String, Option<String>)> = std::thread::scope(|scope| {
            let writers: Vec<_> = (0..WRITERS)
                .map(|writer| {
                    let (base, written) = (&base, &written);
                    scope.spawn(move || {
                        block_on(async {
                            let client = reqwest::Client::new();
                            let mut sent = Vec::new();
                            for number in 0.. {
                                let name = format!("{round}-{writer}-{number}");
                                let answer = send(&client, base, &name).await;
                                let ended = answer.is_none();
                                sent.push((name, answer));
                                if ended {
                                    break;
                                }
                                written.fetch_add(1, Ordering::SeqCst);
                            }
                            sent
                        })
                    })
                })
                .collect();
            let begun = Instant::now();
            while written.load(Ordering::SeqCst) <= 40 && begun.elapsed() < PATIENCE {
                std::thread::sleep(Duration::from_millis(20));
            }
            server.kill();
            writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect()
        });
        let server = Server::serve(directory.path());
        for (name, before) in &sent {
            let again = block_on(send(&reqwest::Client::new(), &server.base, name)).unwrap();
            assert!(
                before.as_ref().is_none_or(|before| *before == again),
                "{name}: another answer"
            );
            for part in 0..PARTS {
                let (_, found) = server.get(&format!("Basic?identifier=urn:t|{name}.{part}"));
                assert_eq!(found["total"], 1, "{name}.{part}");
            }
        }
        assert!(sent.iter().any(|(_, answer)| answer.is_none()));
    }
}
