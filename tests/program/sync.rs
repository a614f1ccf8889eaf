//! Two servers kept current, one from the other: by the program itself, both ways round, killed in the
//! middle.
//!
//! What is expected follows from the standard: versions count every write
//! (<http://hl7.org/fhir/R4/http.html#versioning>), so that "nothing is written" is "no new version".

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::process::{Output, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

use crate::{Server, block_on, spondyl, stderr};

/// Two servers, and the directory beside them.
struct Pair {
    there: Server,
    here: Server,
    directory: tempfile::TempDir,
}

impl Pair {
    fn start() -> Self {
        let directory = tempfile::tempdir().unwrap();
        let there = Server::serve(&directory.path().join("there"));
        let here = Server::serve(&directory.path().join("here"));
        Self { there, here, directory }
    }

    fn command(&self, words: &[&str]) -> std::process::Command {
        let mut command = spondyl();
        command.args(["sync", "--from", &self.there.base, "--to", &self.here.base]);
        command.args(["--report", "open.ndjson"]).args(words).current_dir(&self.directory);
        command
    }

    fn run(&self, words: &[&str], code: i32) -> Output {
        let output = self.command(words).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
        output
    }

    /// What is open, as the report tells it.
    fn open(&self) -> Vec<Value> {
        let text = fs::read_to_string(self.directory.path().join("open.ndjson")).unwrap();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

fn put(server: &Server, resource: &Value) -> u16 {
    let text = |name: &str| resource[name].as_str().unwrap();
    let url = format!("{}/{}/{}", server.base, text("resourceType"), text("id"));
    block_on(async {
        let request =
            reqwest::Client::new().put(url).header("content-type", "application/fhir+json");
        request.body(resource.to_string()).send().await.unwrap().status().as_u16()
    })
}

fn delete(server: &Server, place: &str) {
    let url = format!("{}/{place}", server.base);
    let status =
        block_on(async { reqwest::Client::new().delete(url).send().await.unwrap().status() });
    assert!(status.is_success(), "{status}");
}

fn patient(id: &str, number: &str, family: &str) -> Value {
    json!({ "resourceType": "Patient", "id": id, "name": [{ "family": family }],
        "identifier": [{ "system": "urn:oid:1.2.3", "value": number }] })
}

fn note(id: &str, of: &str, text: &str) -> Value {
    json!({ "resourceType": "Basic", "id": id, "code": { "text": text }, "subject": { "reference": of } })
}

/// Every record with its version; the topics of Subscriptions, which are about nobody, are none.
fn versions(server: &Server) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for (kind, which) in [("Patient", ""), ("Basic", "subject:missing=false&")] {
        let (_, found) = server.get(&format!("{kind}?{which}_count=1000"));
        for entry in found["entry"].as_array().into_iter().flatten() {
            let text = |pointer: &str| {
                entry["resource"].pointer(pointer).unwrap().as_str().unwrap().to_owned()
            };
            all.insert(format!("{kind}/{}", text("/id")), text("/meta/versionId"));
        }
    }
    all
}

#[test]
fn changes_deletions_and_conflicts() {
    let pair = Pair::start();
    let (there, here) = (&pair.there, &pair.here);
    // The same person under two ids; another under an id that is somebody else's here.
    put(here, &patient("local", "7", "Alba"));
    put(here, &patient("taken", "99", "Cael"));
    put(there, &patient("one", "7", "Alba"));
    put(there, &patient("taken", "8", "Brun"));
    put(there, &note("n1", "Patient/one", "first"));
    put(there, &note("n2", "Patient/taken", "second"));
    put(there, &note("n3", "Patient/nobody", "third"));
    pair.run(&[], 0);
    assert_eq!(versions(here).len(), 6, "{:?}", versions(here));
    assert_eq!(here.get("Patient/local").1["meta"]["versionId"], "1", "it was the same already");
    let (_, found) = here.get("Patient?identifier=urn:oid:1.2.3|8");
    let brun = found["entry"][0]["resource"].clone();
    assert_ne!(brun["id"], "taken");
    assert_eq!(brun["meta"]["source"], format!("{}/Patient/taken", there.base));
    let subject = |id: &str| here.get(&format!("Basic/{id}")).1["subject"]["reference"].clone();
    assert_eq!(subject("n1"), "Patient/local");
    assert_eq!(subject("n2"), format!("Patient/{}", brun["id"].as_str().unwrap()));
    assert_eq!(subject("n3"), format!("{}/Patient/nobody", there.base), "it is not here");

    // Again: nothing is written.
    let before = versions(here);
    pair.run(&[], 0);
    assert_eq!(versions(here), before);
    // Also when what was remembered is lost.
    fs::remove_dir_all(pair.directory.path().join("spondyl-sync")).unwrap();
    pair.run(&[], 0);
    assert_eq!(versions(here), before);

    // Changed there; deleted there; new there.
    put(there, &note("n1", "Patient/one", "changed there"));
    delete(there, "Basic/n3");
    put(there, &note("n4", "Patient/one", "new"));
    pair.run(&[], 0);
    assert_eq!(here.get("Basic/n1").1["code"]["text"], "changed there");
    assert_eq!(here.get("Basic/n3").0, 410);
    assert_eq!(here.get("Basic/n4").1["subject"]["reference"], "Patient/local");

    // Changed here alone: it stays. Changed on both sides: told, and stays.
    put(here, &note("n2", "Patient/local", "changed here"));
    put(there, &note("n1", "Patient/one", "there"));
    put(here, &note("n1", "Patient/local", "here"));
    delete(there, "Basic/n4");
    put(here, &note("n4", "Patient/local", "kept"));
    for _ in 0..2 {
        let before = versions(here);
        pair.run(&[], 1);
        assert_eq!(versions(here), before, "nothing is overwritten");
        let open = pair.open();
        assert!(open.iter().all(|outcome| outcome["issue"][0]["code"] == "conflict"), "{open:?}");
        let about = |name: &str| {
            open.iter().any(|o| o["issue"][0]["diagnostics"].as_str().unwrap().contains(name))
        };
        assert!(open.len() == 2 && about("Basic/n1") && about("Basic/n4"), "{open:?}");
    }
    // Mended by hand, to the same on both sides; the other decided for what is here.
    put(here, &note("n1", "Patient/local", "there"));
    pair.run(&[], 1);
    assert_eq!(pair.open().len(), 1);
    pair.run(&["--conflicts", "ours"], 0);
    pair.run(&[], 0);
    assert_eq!(here.get("Basic/n4").1["code"]["text"], "kept");
    assert_eq!(here.get("Basic/n2").1["code"]["text"], "changed here");
    // Or for what is there.
    put(there, &note("n2", "Patient/one", "both"));
    pair.run(&[], 1);
    pair.run(&["--conflicts", "theirs"], 0);
    assert_eq!(here.get("Basic/n2").1["code"]["text"], "both");
    assert_eq!(here.get("Basic/n2").1["subject"]["reference"], "Patient/local");
}

/// Deleted here, changed there; and back again from here to there, where it came from.
#[test]
fn both_ways_round_nothing_is_undone() {
    let pair = Pair::start();
    let (there, here) = (&pair.there, &pair.here);
    put(there, &note("a", "Patient/p", "one"));
    put(there, &note("b", "Patient/p", "one"));
    pair.run(&[], 0);
    let back = |code: i32| {
        let words = ["sync", "--from", &here.base, "--to", &there.base, "--state", "back"];
        let output = spondyl().args(words).current_dir(&pair.directory).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
    };
    let before = versions(there);
    back(0);
    assert_eq!(versions(there), before, "what comes home is the same");
    put(here, &note("a", &format!("{}/Patient/p", there.base), "changed here"));
    back(0);
    assert_eq!(there.get("Basic/a").1["code"]["text"], "changed here");
    let before = (versions(there), versions(here));
    pair.run(&[], 0);
    back(0);
    assert_eq!((versions(there), versions(here)), before, "no change goes to and fro");
    delete(here, "Basic/b");
    put(there, &note("b", "Patient/p", "two"));
    pair.run(&[], 1);
    assert_eq!(here.get("Basic/b").0, 410);
    assert!(pair.open()[0]["issue"][0]["diagnostics"].as_str().unwrap().contains("deleted here"));
}

/// What the rules refuse is told with the reason, and taken as soon as it is mended there.
#[test]
fn what_is_refused_is_told_and_tried_again() {
    let directory = tempfile::tempdir().unwrap();
    let data = |name: &str| directory.path().join(name).to_str().unwrap().to_owned();
    let lax = data("there");
    let words = ["serve", "--listen", "127.0.0.1:0", "--validation", "*=off", "--data", &lax];
    let there = Server::start(&words);
    let here = Server::serve(Path::new(&data("here")));
    let pair = Pair { there, here, directory };
    let mut bad = patient("p", "1", "Alba");
    bad["gender"] = json!("unheard-of");
    put(&pair.there, &bad);
    put(&pair.there, &note("n", "Patient/p", "good"));
    for _ in 0..2 {
        pair.run(&[], 1);
        let open = pair.open();
        assert_eq!(open.len(), 1);
        assert_eq!(open[0]["issue"][1]["code"], "code-invalid", "{open:?}");
        assert_eq!(pair.here.get("Basic/n").0, 200);
    }
    put(&pair.there, &patient("p", "1", "Alba"));
    pair.run(&[], 0);
    assert_eq!(pair.here.get("Patient/p").0, 200);
}

/// Killed again and again, it comes to the same, and each resource was written once.
#[test]
fn killed_in_the_middle_it_goes_on() {
    const MANY: usize = 400;
    let pair = Pair::start();
    let entries: Vec<Value> = (0..MANY)
        .flat_map(|n| {
            let person = patient(&format!("p{n}"), &n.to_string(), "Alba");
            let about = note(&format!("n{n}"), &format!("Patient/p{n}"), "x");
            [person, about]
        })
        .map(|resource| {
            let url = format!(
                "{}/{}",
                resource["resourceType"].as_str().unwrap(),
                resource["id"].as_str().unwrap()
            );
            json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
        })
        .collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
    block_on(async {
        let request = reqwest::Client::new()
            .post(&pair.there.base)
            .header("content-type", "application/fhir+json");
        assert!(request.body(bundle.to_string()).send().await.unwrap().status().is_success());
    });
    let mut kills = 0;
    for round in 1..40 {
        let mut process = pair.command(&[]).stderr(Stdio::null()).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(150 * round));
        if process.try_wait().unwrap().is_some() {
            break;
        }
        process.kill().unwrap();
        process.wait().unwrap();
        kills += 1;
    }
    assert!(kills > 0, "it was never killed in the middle");
    pair.run(&[], 0);
    let found = versions(&pair.here);
    assert_eq!(found.len(), 2 * MANY);
    let written: BTreeSet<&String> = found.values().collect();
    assert_eq!(written, BTreeSet::from([&"1".to_owned()]), "each was written once");
}
