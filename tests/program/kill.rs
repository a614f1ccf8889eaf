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
