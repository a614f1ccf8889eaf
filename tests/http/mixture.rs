//! All kinds of writes at once, among them such as change how resources are indexed; afterwards
//! histories, current versions and every search agree.

use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use serde_json::{Value, json};

use crate::client::{JSON, Server};
use crate::concurrent::{assert_unbroken, at_once, entries};
use crate::definitions::parameter;

const CLIENTS: usize = 64;
const ROUNDS: usize = 14;
/// How many resources, names, keys and parameters there are to quarrel about.
const SUBJECTS: u64 = 10;
const NAMES: u64 = 4;
const KEYS: u64 = 5;
const PARAMETERS: u64 = 3;

/// Splitmix64, so that each client has its own sequence, the same each time.
/// Source: Steele, Lea, Flood, "Fast splittable pseudorandom number generators" (2014).
struct Random(u64);

impl Random {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }
}

fn patient(random: &mut Random, id: Option<u64>) -> Value {
    let name = random.below(NAMES);
    let mut patient = json!({
        "resourceType": "Patient",
        "identifier": [{ "system": "https://a.example", "value": random.below(KEYS).to_string() }],
        "name": [{ "family": format!("F{name}") }],
        "contact": [{ "name": { "text": format!("C{name}") } }],
    });
    if let Some(id) = id {
        patient["id"] = json!(format!("s{id}"));
    }
    patient
}

fn request(method: &str, id: u64) -> Value {
    json!({ "method": method, "url": format!("Patient/s{id}") })
}

/// One step of a client; its status.
async fn step(server: &Server, random: &mut Random) -> u16 {
    let id = random.below(SUBJECTS);
    let place = format!("/Patient/s{id}");
    let key = format!("identifier=https://a.example%7C{}", random.below(KEYS));
    let answer = match random.below(24) {
        0..5 => server.put(&place, &patient(random, Some(id))).await,
        5..8 => {
            let name = random.below(NAMES);
            let patch = json!([
                { "op": "replace", "path": "/name/0/family", "value": format!("F{name}") },
                { "op": "replace", "path": "/contact/0/name/text", "value": format!("C{name}") },
            ]);
            let kind = [("Content-Type", "application/json-patch+json")];
            server.send("PATCH", &place, &kind, patch.to_string()).await
        }
        8..11 => server.delete(&place).await,
        11 => {
            let headers = [JSON, ("If-None-Exist", key.as_str())];
            server.send("POST", "/Patient", &headers, patient(random, None).to_string()).await
        }
        12 => server.put(&format!("/Patient?{key}"), &patient(random, None)).await,
        13 => server.delete(&format!("/Patient?{key}")).await,
        14..18 => {
            let other = (id + 1 + random.below(SUBJECTS - 1)) % SUBJECTS;
            let entry = json!([
                { "resource": patient(random, Some(id)), "request": request("PUT", id) },
                { "request": request("DELETE", other) },
                { "resource": patient(random, None), "request": {
                    "method": "POST", "url": "Patient", "ifNoneExist": key.replace("%7C", "|") } },
            ]);
            let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entry });
            server.post("", &bundle).await
        }
        18 | 19 => {
            let tag = json!({ "system": "https://a.example", "code": "seen" });
            let parameter = json!([{ "name": "meta", "valueMeta": { "tag": [tag] } }]);
            let body = json!({ "resourceType": "Parameters", "parameter": parameter });
            let name = if random.below(2) == 0 { "$meta-add" } else { "$meta-delete" };
            server.post(&format!("{place}/{name}"), &body).await
        }
        20 => {
            let name = format!("sp{}", random.below(PARAMETERS));
            let definition = parameter(&name, &format!("contact-{name}"), "Patient.contact.name");
            server.put(&format!("/SearchParameter/{name}"), &definition).await
        }
        21 if random.below(3) == 0 => {
            server.delete(&format!("/SearchParameter/sp{}", random.below(PARAMETERS))).await
        }
        22 => server.get(&format!("/Patient?family=F{}&{key}", random.below(NAMES))).await,
        _ => server.get(&format!("{place}/_history?_count=3")).await,
    };
    answer.status
}

/// The ids that a search finds, through all pages.
async fn found(server: &Server, query: &str) -> BTreeSet<String> {
    let found = entries(server, &format!("/Patient?{query}&_count=7")).await;
    let ids: Vec<String> =
        found.iter().map(|one| one["resource"]["id"].as_str().unwrap().to_owned()).collect();
    let distinct: BTreeSet<String> = ids.iter().cloned().collect();
    assert_eq!(distinct.len(), ids.len(), "{query}: something came twice");
    distinct
}

/// That every search by what is indexed finds the current versions that say so, and counts them.
async fn assert_searches_agree(server: &Server, current: &BTreeMap<String, Value>) {
    let those = |pointer: &str, value: &str| -> BTreeSet<String> {
        let says = |body: &Value| body.pointer(pointer).is_some_and(|found| found == value);
        current.iter().filter(|(_, body)| says(body)).map(|(id, _)| id.clone()).collect()
    };
    let mut asked: Vec<(String, BTreeSet<String>)> = Vec::new();
    for name in (0..NAMES).map(|name| name.to_string()) {
        asked.push((format!("family:exact=F{name}"), those("/name/0/family", &format!("F{name}"))));
        for parameter in 0..PARAMETERS {
            if server.get(&format!("/SearchParameter/sp{parameter}")).await.status == 200 {
                let expected = those("/contact/0/name/text", &format!("C{name}"));
                asked.push((format!("contact-sp{parameter}=C{name}"), expected));
            }
        }
    }
    for key in (0..KEYS).map(|key| key.to_string()) {
        asked.push((format!("identifier=%7C{key}"), BTreeSet::new()));
        let expected = those("/identifier/0/value", &key);
        asked.push((format!("identifier=https://a.example%7C{key}"), expected));
    }
    asked.push(("_tag=seen".to_owned(), those("/meta/tag/0/code", "seen")));
    asked.push(("_lastUpdated=gt2000".to_owned(), current.keys().cloned().collect()));
    for (query, expected) in asked {
        assert_eq!(found(server, &query).await, expected, "{query}");
        let counted = server.get(&format!("/Patient?{query}&_summary=count")).await.json();
        assert_eq!(counted["total"], json!(expected.len()), "{query}");
    }
}

/// Waits until no parameter is still being indexed.
async fn indexed(server: &Server) {
    for parameter in 0..PARAMETERS {
        let defined = server.get(&format!("/SearchParameter/sp{parameter}")).await.status == 200;
        let mut tries = 0;
        while defined
            && server.get(&format!("/Patient?contact-sp{parameter}=C")).await.status != 200
        {
            assert!(tries < 600, "the rows were not made in half a minute");
            tries += 1;
            actix_web::rt::time::sleep(std::time::Duration::from_millis(50)).await;
        }
    }
}

#[actix_web::test]
async fn all_agrees_afterwards() {
    let directory = tempfile::tempdir().unwrap();
    let server = Rc::new(Server::in_directory(directory.path()));
    let told = at_once(CLIENTS, |client| {
        let server = Rc::clone(&server);
        async move {
            let mut random = Random(client as u64);
            let mut told = BTreeMap::<u16, usize>::new();
            for _ in 0..ROUNDS {
                *told.entry(step(&server, &mut random).await).or_default() += 1;
            }
            told
        }
    })
    .await;
    let mut statuses = BTreeMap::<u16, usize>::new();
    told.into_iter()
        .flatten()
        .for_each(|(status, count)| *statuses.entry(status).or_default() += count);
    // 422: a parameter whose code another has meanwhile.
    let legal = [200, 201, 204, 404, 409, 410, 412, 422];
    assert!(statuses.keys().all(|status| legal.contains(status)), "{statuses:?}");
    let done: usize = [200, 201, 204].iter().filter_map(|status| statuses.get(status)).sum();
    assert!(done > CLIENTS * ROUNDS / 4, "{statuses:?}");
    indexed(&server).await;
    for round in 0..2 {
        let whole = entries(&server, "/Patient/_history?_count=300").await;
        let mut histories = BTreeMap::<String, Vec<Value>>::new();
        for entry in whole {
            let id = entry["fullUrl"].as_str().unwrap().rsplit('/').next().unwrap().to_owned();
            histories.entry(id).or_default().push(entry);
        }
        let mut current = BTreeMap::new();
        for (id, history) in &histories {
            assert_unbroken(history);
            assert_eq!(
                entries(&server, &format!("/Patient/{id}/_history?_count=9")).await,
                *history
            );
            let read = server.get(&format!("/Patient/{id}")).await;
            match history.last().unwrap().get("resource") {
                None => drop(read.is_error(410, "deleted")),
                Some(last) => {
                    assert_eq!(read.has_status(200).json(), *last);
                    current.insert(id.clone(), last.clone());
                }
            }
        }
        assert_searches_agree(&server, &current).await;
        if round == 0 {
            // The rows of parameters are still right when the next writes replace them.
            for id in current.keys() {
                let mut body = current[id].clone();
                body["name"][0]["family"] = json!("F0");
                server.put(&format!("/Patient/{id}"), &body).await.has_status(200);
            }
        }
    }
}
