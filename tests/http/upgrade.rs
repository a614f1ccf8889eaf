//! A store that another program made: where it indexed otherwise, the rows are made anew, and until
//! then the searches that would miss some say so.

use std::path::Path;
use std::sync::{Arc, mpsc};

use serde_json::{Value, json};
use spondyl::app::App;
use spondyl::config::Config;
use spondyl::fhir::{Instant, ResourceType};
use spondyl::interaction::indexing::follow;
use spondyl::interaction::query::pairs;
use spondyl::interaction::search::{Question, Scope, search};
use spondyl::repository::key;
use spondyl::store::{Batch, SledStore, Store};

use crate::client::{Server, standard};

const CODE: &str = "http://hl7.org/fhir/SearchParameter/clinical-code";

fn store(data: &Path) -> SledStore {
    let opened = (0..100).find_map(|_| {
        let opened = SledStore::open(data, 16 << 20);
        opened.inspect_err(|_| std::thread::sleep(std::time::Duration::from_millis(50))).ok()
    });
    opened.unwrap()
}

/// As if the rows of some parameters had been made by another program, which made none.
fn made_otherwise(data: &Path, urls: Option<&[&str]>) {
    let store = store(data);
    let mut writes = Vec::new();
    {
        let view = store.view().unwrap();
        let row = view.get(&key::fingerprints()).unwrap().unwrap();
        let prints = urls.map(|urls| {
            let mut prints: Value = serde_json::from_slice(&row.value).unwrap();
            urls.iter().for_each(|url| prints[*url] = json!("another"));
            prints.to_string().into_bytes()
        });
        writes.push((key::fingerprints(), prints));
        for kind in ["Observation", "Condition"].map(|name| ResourceType::parse(name).unwrap()) {
            for code in ["code", "_content", "#"] {
                let rows = view.scan(key::index_range(kind, code, &[], &[]));
                writes.extend(rows.map(|row| (row.unwrap().key, None)));
            }
        }
    }
    store.commit(Batch { writes, ..Batch::default() }).unwrap();
}

fn observation(id: &str) -> Value {
    json!({ "resourceType": "Observation", "id": id, "status": "final",
        "code": { "coding": [{ "system": "urn:c", "code": "flexion" }] },
        "note": [{ "text": "stiff" }],
        "subject": { "reference": "#p" }, "contained": [{ "resourceType": "Patient", "id": "p" }] })
}

const ASKED: [&str; 4] = [
    "Observation?code=urn:c|flexion",
    "Observation?combo-code=flexion",
    "Observation?_content=stiff",
    "Patient?_contained=true",
];

fn answer(app: &App, url: &str) -> Result<usize, String> {
    let (kind, text) = url.split_once('?').unwrap();
    let scope = Scope::Type(ResourceType::parse(kind).unwrap());
    let question = Question { scope, pairs: pairs(text), strict: false, most_rows: None };
    let now = Instant::parse("2026-03-02T08:00:00Z").unwrap();
    let view = app.store.view().unwrap();
    match search(&app.held(), &*view, &question, "http://x.example", now) {
        Ok(bundle) => Ok(bundle.entries.len()),
        Err(error) => Err(error.issues()[0].diagnostics.clone()),
    }
}

async fn filled(data: &Path) {
    let server = Server::in_directory(data);
    for id in ["a", "b", "c"] {
        server.put(&format!("/Observation/{id}"), &observation(id)).await.has_status(201);
    }
    server.stop().await;
}

#[actix_web::test]
async fn rows_of_another_program_are_made_anew() {
    let data = tempfile::tempdir().unwrap();
    filled(data.path()).await;
    // Nothing has changed: nothing to do.
    let app = App::on(Config::default(), Box::new(store(data.path())), standard()).unwrap();
    assert!(app.held().rules.pending().is_empty());
    assert_eq!(ASKED.map(|url| answer(&app, url)), ASKED.map(|_| Ok(3)));
    drop(app);

    let content = "http://hl7.org/fhir/SearchParameter/Resource-content";
    made_otherwise(data.path(), Some(&[CODE, content, "#"]));
    let app =
        Arc::new(App::on(Config::default(), Box::new(store(data.path())), standard()).unwrap());
    for url in ASKED {
        let told = answer(&app, url).unwrap_err();
        assert!(told.contains("still being indexed"), "{url}: {told}");
    }
    for url in ["Observation?_sort=code", "Observation?_include=*"] {
        let told = answer(&app, url).unwrap_err();
        assert!(told.contains("still being indexed"), "{url}: {told}");
    }
    assert_eq!(answer(&app, "Observation?status=final"), Ok(3), "others are as they were");
    drop(app);

    // It is still to be done after the next start too, and then it is.
    let app =
        Arc::new(App::on(Config::default(), Box::new(store(data.path())), standard()).unwrap());
    assert!(answer(&app, ASKED[0]).is_err());
    let (tell, told) = mpsc::channel();
    drop(tell);
    follow(&Arc::downgrade(&app), &told);
    assert_eq!(ASKED.map(|url| answer(&app, url)), ASKED.map(|_| Ok(3)));
}

/// A store from before there were fingerprints is indexed anew as a whole.
#[actix_web::test]
async fn a_server_brings_an_old_store_up_to_date_by_itself() {
    let data = tempfile::tempdir().unwrap();
    filled(data.path()).await;
    made_otherwise(data.path(), None);
    let server = Server::in_directory(data.path());
    let mut left = 200;
    for url in ASKED {
        let path = format!("/{}", url.replace('|', "%7C"));
        while server.get(&path).await.status == 400 {
            left -= 1;
            assert!(left > 0, "{url} is not answered");
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        let bundle = server.get(&path).await.has_status(200).json();
        assert_eq!(bundle["total"], 3, "{url}");
    }
}

/// A store from before there were joint rows: searches are answered without them until they are
/// made, and find the same.
#[actix_web::test]
async fn joint_rows_are_made_later() {
    const JOINT: &str = "#subject+code+date";
    let asked =
        "Observation?patient=Patient/p&code=urn:c|flexion&date=ge2026-03-02&date=lt2026-03-04";
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    for day in 1..6 {
        let mut value = observation(&format!("o{day}"));
        value["subject"] = json!({ "reference": "Patient/p" });
        value["effectiveDateTime"] = json!(format!("2026-03-0{day}"));
        value.as_object_mut().unwrap().remove("contained");
        server.put(&format!("/Observation/o{day}"), &value).await.has_status(201);
    }
    server.stop().await;
    let kind = ResourceType::parse("Observation").unwrap();
    let range = || key::index_range(kind, JOINT, &[], &[]);
    {
        let store = store(data.path());
        let mut writes = Vec::new();
        {
            let view = store.view().unwrap();
            let row = view.get(&key::fingerprints()).unwrap().unwrap();
            let mut prints: Value = serde_json::from_slice(&row.value).unwrap();
            prints.as_object_mut().unwrap().remove(&format!("Observation {JOINT}")).unwrap();
            writes.push((key::fingerprints(), Some(prints.to_string().into_bytes())));
            writes.extend(view.scan(range()).map(|row| (row.unwrap().key, None)));
        }
        assert_eq!(writes.len(), 6);
        store.commit(Batch { writes, ..Batch::default() }).unwrap();
    }
    let app =
        Arc::new(App::on(Config::default(), Box::new(store(data.path())), standard()).unwrap());
    assert!(app.held().rules.is_pending(kind, JOINT));
    assert_eq!(answer(&app, asked), Ok(2));
    let (tell, told) = mpsc::channel();
    drop(tell);
    follow(&Arc::downgrade(&app), &told);
    assert!(!app.held().rules.is_pending(kind, JOINT));
    assert_eq!(answer(&app, asked), Ok(2));
    assert_eq!(app.store.view().unwrap().scan(range()).count(), 5);
}
