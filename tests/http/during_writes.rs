//! Readers while others write: versions and transactions are seen whole, and what is paged through
//! holds still (<http://hl7.org/fhir/R4/http.html#transaction>,
//! <http://hl7.org/fhir/R4/http.html#paging>).

use std::cell::Cell;
use std::collections::BTreeSet;
use std::rc::Rc;

use serde_json::{Value, json};

use crate::client::{Server, link};
use crate::concurrent::{at_once, version};

/// A patient in whom everything says the same number.
fn stamped(id: &str, number: usize) -> Value {
    let telecom = json!({ "system": "other", "value": number.to_string() });
    json!({ "resourceType": "Patient", "id": id, "telecom": vec![telecom; 40],
        "name": [{ "text": number.to_string() }] })
}

/// The number that all of the resource says.
fn stamp(resource: &Value) -> usize {
    let text = resource["name"][0]["text"].as_str().unwrap();
    let telecom = resource["telecom"].as_array().unwrap();
    assert_eq!(telecom.len(), 40);
    assert!(telecom.iter().all(|one| one["value"] == text), "a mixture: {resource}");
    text.parse().unwrap()
}

fn transaction(entries: Vec<Value>) -> Value {
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

/// One writer changes two resources together; readers see each whole, both alike, and never an older
/// state after a newer one.
#[actix_web::test]
async fn versions_and_transactions_are_seen_whole() {
    let server = Rc::new(Server::start());
    let both = |number: usize| {
        let entry = |id: &str| {
            let request = json!({ "method": "PUT", "url": format!("Patient/{id}") });
            json!({ "resource": stamped(id, number), "request": request })
        };
        transaction(vec![entry("a"), entry("b")])
    };
    server.post("", &both(1)).await.has_status(200);
    let writing = Rc::new(Cell::new(true));
    let looks = at_once(9, |client| {
        let (server, writing) = (Rc::clone(&server), Rc::clone(&writing));
        async move {
            if client == 0 {
                for number in 2..=60 {
                    server.post("", &both(number)).await.has_status(200);
                }
                writing.set(false);
                return 0;
            }
            let (mut newest, mut looks) = (0, 0);
            while writing.get() {
                let seen = look(&server, client).await;
                assert!(seen >= newest, "{seen} after {newest}");
                newest = seen;
                looks += 1;
            }
            looks
        }
    })
    .await;
    assert!(looks.iter().sum::<usize>() > 20, "{looks:?}");
}

/// Looks in one of four ways; gives the number that was seen.
async fn look(server: &Server, way: usize) -> usize {
    let alike = |resources: Vec<&Value>| {
        let seen: BTreeSet<usize> = resources.iter().map(|resource| stamp(resource)).collect();
        assert_eq!((resources.len(), seen.len()), (2, 1), "one is older: {seen:?}");
        seen.into_iter().next().unwrap()
    };
    let of_entries = |bundle: &Value| {
        let entries = bundle["entry"].as_array().unwrap();
        alike(entries.iter().map(|entry| &entry["resource"]).collect())
    };
    match way % 4 {
        0 => {
            let read = server.get("/Patient/a").await.has_status(200);
            let seen = stamp(&read.json());
            assert_eq!(version(read.header("ETag")), seen, "the tag is another version's");
            seen
        }
        1 => of_entries(&server.get("/Patient?_id=a,b").await.has_status(200).json()),
        2 => {
            let read = |id: &str| json!({ "request": { "method": "GET", "url": format!("Patient/{id}") } });
            let sent = transaction(vec![read("a"), read("b")]);
            of_entries(&server.post("", &sent).await.has_status(200).json())
        }
        _ => {
            // The two newest of the whole are those of one commit.
            let page = server.get("/_history?_count=2").await.has_status(200).json();
            of_entries(&page)
        }
    }
}

/// How many observations there are from the start.
const STEADY: usize = 80;

fn observation(id: &str, day: usize) -> Value {
    json!({ "resourceType": "Observation", "id": id, "status": "final", "code": { "text": "x" },
        "subject": { "reference": "Patient/p" },
        "effectiveDateTime": format!("2026-01-{:02}", 1 + day % 28) })
}

fn steady(number: usize) -> String {
    format!("s{number:03}")
}

/// Creates, moves, and deletes until told to stop; the steady ones stay, wherever they move to.
async fn disturb(server: &Server, writer: usize, going: &Cell<bool>) {
    for round in 0.. {
        if !going.get() {
            return;
        }
        let moved = steady((writer * 37 + round * 11) % STEADY);
        server.put(&format!("/Observation/{moved}"), &observation(&moved, round)).await;
        let new = format!("w{writer}-{round}");
        server.put(&format!("/Observation/{new}"), &observation(&new, round * 5)).await;
        if round > 2 {
            server.delete(&format!("/Observation/w{writer}-{}", round - 2)).await.has_status(204);
        }
    }
}

/// All pages from that one on; the ids as they came.
async fn walk(server: &Server, path: &str) -> Vec<String> {
    let (mut ids, mut next) = (Vec::new(), Some(path.to_owned()));
    while let Some(url) = next {
        let page = server.get(&url).await.has_status(200).json();
        for entry in page["entry"].as_array().into_iter().flatten() {
            ids.push(entry["resource"]["id"].as_str().unwrap().to_owned());
        }
        next = link(&page, "next");
    }
    ids
}

/// Whoever pages through a search while others write finds what was there once, and nothing twice.
#[actix_web::test]
async fn pages_of_searches_hold_still() {
    let server = Rc::new(Server::start());
    server.put("/Patient/p", &json!({ "resourceType": "Patient", "id": "p" })).await;
    for number in 0..STEADY {
        let id = steady(number);
        server.put(&format!("/Observation/{id}"), &observation(&id, number)).await.has_status(201);
    }
    let paths = [
        "/Observation?_count=9",
        "/Observation?_count=9&_sort=date",
        "/Observation?_count=9&_sort=-date,-_id",
        "/Observation?_count=9&_sort=_lastUpdated",
        "/Observation?_count=9&_sort=-_lastUpdated",
        "/Observation?_count=9&status=final&subject=Patient/p",
        "/Patient/p/Observation?_count=9&_sort=-date",
        "/?_type=Observation&_count=9",
    ];
    let going = Rc::new(Cell::new(true));
    let left = Rc::new(Cell::new(paths.len()));
    let walks = at_once(paths.len() + 3, |client| {
        let (server, going, left) = (Rc::clone(&server), Rc::clone(&going), Rc::clone(&left));
        async move {
            let Some(path) = paths.get(client).copied() else {
                disturb(&server, client, &going).await;
                return None;
            };
            let ids = walk(&server, path).await;
            left.set(left.get() - 1);
            going.set(left.get() > 0);
            Some((path, ids))
        }
    })
    .await;
    let expected: BTreeSet<String> = (0..STEADY).map(steady).collect();
    for (path, ids) in walks.into_iter().flatten() {
        let distinct: BTreeSet<&String> = ids.iter().collect();
        assert_eq!(distinct.len(), ids.len(), "{path}: something came twice: {ids:?}");
        let found: BTreeSet<String> = ids.into_iter().filter(|id| id.starts_with('s')).collect();
        let missing: Vec<_> = expected.difference(&found).collect();
        assert!(missing.is_empty(), "{path}: {missing:?} did not come");
    }
}

/// Whoever pages through a history while others write finds every version that there was, once.
#[actix_web::test]
async fn pages_of_histories_hold_still() {
    let server = Rc::new(Server::start());
    for number in 0..60 {
        let id = steady(number % 20);
        server.put(&format!("/Observation/{id}"), &observation(&id, number)).await;
    }
    let paths = ["/_history?_count=7", "/Observation/_history?_count=7"];
    let going = Rc::new(Cell::new(true));
    let left = Rc::new(Cell::new(paths.len()));
    let walks = at_once(paths.len() + 2, |client| {
        let (server, going, left) = (Rc::clone(&server), Rc::clone(&going), Rc::clone(&left));
        async move {
            let Some(path) = paths.get(client).copied() else {
                disturb(&server, client, &going).await;
                return None;
            };
            let history = crate::concurrent::entries(&server, path).await;
            left.set(left.get() - 1);
            going.set(left.get() > 0);
            Some((path, history))
        }
    })
    .await;
    let mut walked = 0;
    for (path, history) in walks.into_iter().flatten() {
        walked += 1;
        let name = |entry: &Value| {
            let tag = entry["response"]["etag"].as_str().unwrap();
            format!("{} {}", entry["fullUrl"].as_str().unwrap(), version(tag))
        };
        let names: Vec<String> = history.iter().map(name).collect();
        let distinct: BTreeSet<&String> = names.iter().collect();
        assert_eq!(distinct.len(), names.len(), "{path}: something came twice");
        for number in 0..60 {
            let wanted = format!("/Observation/{} {}", steady(number % 20), 1 + number / 20);
            assert!(names.iter().any(|name| name.ends_with(&wanted)), "{path}: {wanted}");
        }
    }
    assert_eq!(walked, paths.len());
}
