//! Many clients that write at once: each success is a version of its own, each loss is told, and
//! what a write relied on still held when it was committed
//! (<http://hl7.org/fhir/R4/http.html#concurrency>, <http://hl7.org/fhir/R4/http.html#ccreate>,
//! <http://hl7.org/fhir/R4/http.html#transaction>).

use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use serde_json::{Value, json};
use spondyl::config::{Config, References};

use crate::client::{Answer, JSON, Server, link};
use crate::definitions::{parameter, put};

const CLIENTS: usize = 64;

/// A server on the store that is used in earnest, and the directory that it is kept in.
fn stored() -> (tempfile::TempDir, Rc<Server>) {
    let directory = tempfile::tempdir().unwrap();
    let server = Server::in_directory(directory.path());
    (directory, Rc::new(server))
}

/// Runs so many clients at once, and gives what each came to.
pub(crate) async fn at_once<T, F>(clients: usize, client: impl Fn(usize) -> F) -> Vec<T>
where
    T: 'static,
    F: Future<Output = T> + 'static,
{
    let all: Vec<_> = (0..clients).map(|at| actix_web::rt::spawn(client(at))).collect();
    let mut done = Vec::with_capacity(clients);
    for one in all {
        done.push(one.await.unwrap());
    }
    done
}

/// All entries of a history, the oldest first, through all its pages.
pub(crate) async fn entries(server: &Server, path: &str) -> Vec<Value> {
    let (mut all, mut next) = (Vec::new(), Some(path.to_owned()));
    while let Some(url) = next {
        let page = server.get(&url).await.has_status(200).json();
        all.extend(page["entry"].as_array().into_iter().flatten().cloned());
        next = link(&page, "next");
    }
    all.reverse();
    all
}

/// The version that an answer's or entry's tag names.
pub(crate) fn version(tag: &str) -> usize {
    let number = tag.strip_prefix("W/\"").and_then(|tag| tag.strip_suffix('"'));
    number.and_then(|number| number.parse().ok()).unwrap_or_else(|| panic!("{tag}"))
}

/// That the versions of one resource rise by one from 1, and their times never fall.
pub(crate) fn assert_unbroken(history: &[Value]) {
    let versions: Vec<usize> =
        history.iter().map(|entry| version(entry["response"]["etag"].as_str().unwrap())).collect();
    assert_eq!(versions, (1..=history.len()).collect::<Vec<_>>());
    let times: Vec<&str> =
        history.iter().map(|entry| entry["response"]["lastModified"].as_str().unwrap()).collect();
    assert!(times.is_sorted(), "{times:?}");
}

fn counter(count: u64, writer: &str) -> Value {
    json!({ "resourceType": "Patient", "id": "p", "multipleBirthInteger": count,
        "name": [{ "text": writer }] })
}

fn writer_of(entry: &Value) -> &str {
    entry["resource"]["name"][0]["text"].as_str().unwrap()
}

/// A counter that each raises by one, naming the version that it read: no step is lost, each success
/// is the version that it was told, and each loser is told 412.
#[actix_web::test]
async fn updates_of_a_known_version() {
    let (_directory, server) = stored();
    server.put("/Patient/p", &counter(0, "nobody")).await.has_status(201);
    let told = at_once(CLIENTS, |client| {
        let server = Rc::clone(&server);
        async move {
            let (mut won, mut lost) = (Vec::new(), 0);
            for attempt in 0..8 {
                let read = server.get("/Patient/p").await.has_status(200);
                let count = read.json()["multipleBirthInteger"].as_u64().unwrap();
                let name = format!("c{client}.{attempt}");
                let body = counter(count + 1, &name).to_string();
                let tag = ("If-Match", read.header("ETag"));
                let answer = server.send("PUT", "/Patient/p", &[JSON, tag], body).await;
                if answer.status == 200 {
                    won.push((version(answer.header("ETag")), name));
                } else {
                    answer.is_error(412, "conflict");
                    lost += 1;
                }
            }
            (won, lost)
        }
    })
    .await;
    let lost: usize = told.iter().map(|(_, lost)| lost).sum();
    let wins: Vec<_> = told.into_iter().flat_map(|(won, _)| won).collect();
    let won: BTreeMap<usize, String> = wins.iter().cloned().collect();
    assert_eq!(won.len(), wins.len(), "two were told the same version");
    assert!(lost > 0 && !won.is_empty(), "{lost} lost, {} won", won.len());
    let history = entries(&server, "/Patient/p/_history?_count=50").await;
    assert_unbroken(&history);
    assert_eq!(history.len(), won.len() + 1);
    for (at, entry) in history.iter().enumerate() {
        assert_eq!(entry["resource"]["multipleBirthInteger"], json!(at), "{entry}");
        let writer = won.get(&(at + 1)).map_or("nobody", String::as_str);
        assert_eq!(writer_of(entry), writer);
        let read = server.get(&format!("/Patient/p/_history/{}", at + 1)).await.json();
        assert_eq!(read, entry["resource"]);
    }
}

fn keyed(key: &str) -> Value {
    json!({ "resourceType": "Patient", "identifier": [{ "system": "https://a.example", "value": key }] })
}

fn status(answer: &Answer) -> u16 {
    answer.status
}

/// Of many creates with one key, one creates; of many updates by one key, one creates and the others
/// build on it or are told.
#[actix_web::test]
async fn one_resource_for_one_key() {
    let (_directory, server) = stored();
    let criteria = ("If-None-Exist", "identifier=https://a.example%7C1");
    let told = at_once(CLIENTS, |_| {
        let server = Rc::clone(&server);
        let body = keyed("1").to_string();
        async move { status(&server.send("POST", "/Patient", &[JSON, criteria], body).await) }
    })
    .await;
    let count = |told: &[u16], status| told.iter().filter(|found| **found == status).count();
    assert_eq!((count(&told, 201), count(&told, 200)), (1, CLIENTS - 1), "{told:?}");
    let told = at_once(CLIENTS, |_| {
        let server = Rc::clone(&server);
        let url = "/Patient?identifier=https://a.example%7C2";
        async move { status(&server.put(url, &keyed("2")).await) }
    })
    .await;
    let (created, updated) = (count(&told, 201), count(&told, 200));
    assert_eq!((created, created + updated + count(&told, 409)), (1, CLIENTS), "{told:?}");
    let found = server.get("/Patient?identifier=https://a.example%7C2").await.json();
    assert_eq!(found["total"], 1);
    let id = found["entry"][0]["resource"]["id"].as_str().unwrap();
    let history = entries(&server, &format!("/Patient/{id}/_history")).await;
    assert_unbroken(&history);
    assert_eq!(history.len(), created + updated);
    assert_eq!(server.get("/Patient?_summary=count").await.json()["total"], 2);
}

/// Patches without `If-Match`: each is applied to the version that was there, or its client is told.
#[actix_web::test]
async fn patches_build_on_one_another() {
    let (_directory, server) = stored();
    server.put("/Patient/p", &counter(0, "nobody")).await.has_status(201);
    let told = at_once(CLIENTS, |client| {
        let server = Rc::clone(&server);
        async move {
            let name = format!("n{client}");
            let (kind, body) = if client % 2 == 0 {
                let patch = json!([{ "op": "add", "path": "/name/-", "value": { "text": name } }]);
                ("application/json-patch+json", patch)
            } else {
                let part = json!([{ "name": "type", "valueCode": "add" },
                    { "name": "path", "valueString": "Patient" },
                    { "name": "name", "valueString": "name" },
                    { "name": "value", "valueHumanName": { "text": name } }]);
                let parameter = json!([{ "name": "operation", "part": part }]);
                (JSON.1, json!({ "resourceType": "Parameters", "parameter": parameter }))
            };
            let kind = [("Content-Type", kind)];
            let answer = server.send("PATCH", "/Patient/p", &kind, body.to_string()).await;
            if answer.status == 200 {
                return Some(name);
            }
            answer.is_error(409, "conflict");
            None
        }
    })
    .await;
    let done: BTreeSet<String> = told.into_iter().flatten().collect();
    let history = entries(&server, "/Patient/p/_history").await;
    assert_unbroken(&history);
    assert_eq!(history.len(), done.len() + 1);
    let mut before: Vec<Value> = Vec::new();
    for entry in &history {
        let names = entry["resource"]["name"].as_array().unwrap();
        assert_eq!(names.len(), before.len() + 1);
        assert!(names.starts_with(&before), "a patch undid another");
        before.clone_from(names);
    }
    let kept = before.iter().skip(1).map(|name| name["text"].as_str().unwrap().to_owned());
    assert_eq!(kept.collect::<BTreeSet<_>>(), done);
}

/// Writers and deleters of one resource: each update that was told done is there, once, and no
/// deletion follows another.
#[actix_web::test]
async fn deletes_and_updates_take_turns() {
    let (_directory, server) = stored();
    let told = at_once(CLIENTS / 2, |client| {
        let server = Rc::clone(&server);
        async move {
            let mut done = Vec::new();
            for attempt in 0..6 {
                let name = format!("c{client}.{attempt}");
                if (client + attempt) % 3 == 0 {
                    let answer = server.delete("/Patient/p").await;
                    assert!([204, 409].contains(&answer.status), "{answer:?}");
                } else {
                    let answer = server.put("/Patient/p", &counter(1, &name)).await;
                    match answer.status {
                        200 | 201 => done.push((version(answer.header("ETag")), name)),
                        status => assert_eq!(status, 409, "{answer:?}"),
                    }
                }
            }
            done
        }
    })
    .await;
    let history = entries(&server, "/Patient/p/_history").await;
    assert_unbroken(&history);
    let mut done: Vec<(usize, String)> = told.into_iter().flatten().collect();
    done.sort();
    let updates = history.iter().enumerate().filter(|(_, entry)| entry.get("resource").is_some());
    let kept: Vec<_> = updates.map(|(at, entry)| (at + 1, writer_of(entry).to_owned())).collect();
    assert_eq!(kept, done);
    for pair in history.windows(2) {
        let deletes = pair.iter().filter(|entry| entry["request"]["method"] == "DELETE").count();
        assert!(deletes < 2, "a deletion of what was deleted");
    }
}

fn transaction(entries: Vec<Value>) -> Value {
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

fn observation(subject: &str) -> Value {
    let resource = json!({ "resourceType": "Observation", "status": "final",
        "code": { "text": "x" }, "subject": { "reference": subject } });
    json!({ "resource": resource, "request": { "method": "POST", "url": "Observation" } })
}

/// Transactions that all create what is not there yet and refer to it.
#[actix_web::test]
async fn conditional_creates_in_transactions() {
    let (_directory, server) = stored();
    let told = at_once(CLIENTS, |_| {
        let server = Rc::clone(&server);
        async move {
            let urn = "urn:uuid:7d5f9b5e-6a3c-4a52-8f0d-2d2f5c1e9a10";
            let request = json!({ "method": "POST", "url": "Patient",
                "ifNoneExist": "identifier=https://a.example|1" });
            let patient = json!({ "fullUrl": urn, "resource": keyed("1"), "request": request });
            status(&server.post("", &transaction(vec![patient, observation(urn)])).await)
        }
    })
    .await;
    let done = told.iter().filter(|status| **status == 200).count();
    assert!(told.iter().all(|status| [200, 409].contains(status)), "{told:?}");
    let patients = server.get("/Patient").await.json();
    assert_eq!(patients["total"], 1);
    let subject = format!("Patient/{}", patients["entry"][0]["resource"]["id"].as_str().unwrap());
    let found = server.get(&format!("/Observation?_summary=count&subject={subject}")).await.json();
    assert_eq!(found["total"], json!(done));
    assert_eq!(server.get("/Observation?_summary=count").await.json()["total"], json!(done));
}

/// Conditional references while the key goes from one patient to the other, or to none: each leads
/// to the patient that had the key at the moment of its commit, as the history of the whole tells.
#[actix_web::test]
async fn conditional_references_hold_at_the_commit() {
    let (_directory, server) = stored();
    let holding = |id: &str, holds: bool| {
        let mut patient = if holds { keyed("k") } else { json!({ "resourceType": "Patient" }) };
        patient["id"] = json!(id);
        let request = json!({ "method": "PUT", "url": format!("Patient/{id}") });
        json!({ "resource": patient, "request": request })
    };
    let told = at_once(24, |client| {
        let server = Rc::clone(&server);
        async move {
            let mut done = 0;
            for round in 0..12 {
                let sent = if client < 4 {
                    let holder = (client + round) % 3;
                    transaction(vec![holding("a", holder == 0), holding("b", holder == 1)])
                } else {
                    transaction(vec![observation("Patient?identifier=https://a.example|k")])
                };
                let answer = server.post("", &sent).await;
                match (answer.status, client < 4) {
                    (200, is_mover) => done += usize::from(!is_mover),
                    (422, false) => drop(answer.is_error(422, "not-found")),
                    (status, _) => assert_eq!(status, 409, "{answer:?}"),
                }
            }
            done
        }
    })
    .await;
    let (mut holder, mut seen) = (None, 0);
    for entry in entries(&server, "/_history?_count=500").await {
        let resource = &entry["resource"];
        let id = resource["id"].as_str().unwrap_or_default().to_owned();
        match resource["resourceType"].as_str() {
            Some("Patient") if resource.get("identifier").is_some() => holder = Some(id),
            Some("Patient") if holder.as_ref() == Some(&id) => holder = None,
            Some("Observation") => {
                seen += 1;
                let expected = holder.as_ref().map(|id| format!("Patient/{id}"));
                assert_eq!(resource["subject"]["reference"].as_str(), expected.as_deref());
            }
            _ => {}
        }
    }
    assert_eq!(seen, told.iter().sum::<usize>());
    assert!(seen > 0);
}

/// Strict references while what they mean comes and goes: each that was stored was there at the
/// moment of its commit (<http://hl7.org/fhir/R4/codesystem-reference-handling-policy.html>).
#[actix_web::test]
async fn enforced_references_hold_at_the_commit() {
    let config = Config { references: References::Existing, ..Config::default() };
    let server = Rc::new(Server::with(config));
    let told = at_once(24, |client| {
        let server = Rc::clone(&server);
        async move {
            let mut done = 0;
            for round in 0..12 {
                let answer = match (client < 4, (client + round) % 2) {
                    (true, 0) => server.put("/Patient/p", &counter(1, "x")).await,
                    (true, _) => server.delete("/Patient/p").await,
                    _ => server.post("/Observation", &observation("Patient/p")["resource"]).await,
                };
                match (answer.status, client < 4) {
                    (201, false) => done += 1,
                    (422, false) => drop(answer.is_error(422, "not-found")),
                    (200 | 201 | 204, true) => {}
                    (status, _) => assert_eq!(status, 409, "{answer:?}"),
                }
            }
            done
        }
    })
    .await;
    let (mut is_there, mut seen) = (false, 0);
    for entry in entries(&server, "/_history?_count=500").await {
        match entry["request"]["method"].as_str().unwrap() {
            "PUT" => is_there = true,
            "DELETE" => is_there = false,
            _ => {
                seen += 1;
                assert!(is_there, "{entry}");
            }
        }
    }
    assert_eq!(seen, told.iter().sum::<usize>());
    assert!(seen > 0);
}

/// A search parameter that is stored while others write finds, once it answers, what was there
/// before, what came meanwhile, and nothing that went
/// (<http://hl7.org/fhir/R4/searchparameter.html>).
#[actix_web::test]
async fn a_new_parameter_misses_nothing_that_is_written_meanwhile() {
    const BEFORE: usize = 2200;
    let (_directory, server) = stored();
    let named = |id: &str| {
        let contact = json!([{ "name": { "text": "C" } }]);
        let resource = json!({ "resourceType": "Patient", "id": id, "contact": contact });
        json!({ "resource": resource, "request": { "method": "PUT", "url": format!("Patient/{id}") } })
    };
    let before: Vec<String> = (0..BEFORE).map(|number| format!("b{number}")).collect();
    for part in before.chunks(550) {
        let part = part.iter().map(|id| named(id)).collect();
        server.post("", &transaction(part)).await.has_status(200);
    }
    at_once(9, |client| {
        let server = Rc::clone(&server);
        async move {
            if client == 0 {
                put(&server, &parameter("sp", "contact-name", "Patient.contact.name"), 201).await;
                return;
            }
            for round in 0..20 {
                // One comes, one goes, one loses what is searched for.
                let id = format!("n{client}-{round}");
                server
                    .put(&format!("/Patient/{id}"), &named(&id)["resource"])
                    .await
                    .has_status(201);
                let at = client * 250 + round * 2;
                server.delete(&format!("/Patient/b{at}")).await.has_status(204);
                let id = format!("b{}", at + 1);
                let without = json!({ "resourceType": "Patient", "id": id });
                server.put(&format!("/Patient/{id}"), &without).await.has_status(200);
            }
        }
    })
    .await;
    let query = "/Patient?contact-name=C&_total=accurate&_count=0";
    for _ in 0..600 {
        let answer = server.get(query).await;
        if answer.status == 200 {
            assert_eq!(answer.json()["total"], json!(BEFORE + 8 * 20 - 2 * 8 * 20));
            return;
        }
        answer.is_error(400, "not-supported");
        actix_web::rt::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("the rows were not made in half a minute");
}
