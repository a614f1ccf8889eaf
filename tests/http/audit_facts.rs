//! Counts rest on facts that are kept: never older than the last commit, never of more than the token
//! shows, and there after a restart.
//! <http://hl7.org/fhir/R4/measure-operation-evaluate-measure.html>.

use std::time::Duration;

use serde_json::{Value, json};
use spondyl::config::Config;
use spondyl::repository::facts;
use spondyl::store::{SledStore, Store};

use crate::client::{Server, patient, reference, with_id};
use crate::guarded::Guarded;
use crate::summary::load_clinic;

const YEAR: &str = "periodStart=2026-01-01&periodEnd=2026-12-31";

/// The Measure of drop-out, under an id that the server has not taken.
fn measure() -> Value {
    let text = include_str!("../../schemas/profile/measure-drop-out.json");
    let mut measure: Value = serde_json::from_str(text).unwrap();
    measure["id"] = json!("away");
    measure["url"] = json!("https://elsewhere.example/Measure/away");
    measure
}

fn commit(report: &Value) -> u64 {
    report["extension"][0]["valueString"].as_str().unwrap().parse().unwrap()
}

fn count(report: &Value, population: &str) -> Option<u64> {
    let populations = report["group"][0]["population"].as_array().unwrap();
    let of = |p: &&Value| p["code"]["coding"][0]["code"] == population;
    populations.iter().find(of).and_then(|population| population["count"].as_u64())
}

#[actix_web::test]
async fn an_answer_is_as_of_the_last_commit() {
    let server = Server::published(Config { audit_least: 0, ..Config::default() });
    load_clinic(&server).await;
    let ask = || async {
        let path = format!("/Measure/drop-out/$evaluate-measure?{YEAR}");
        server.get(&path).await.has_status(200).json()
    };
    let first = ask().await;
    let numbers =
        |report: &Value| (count(report, "initial-population"), count(report, "numerator"));
    assert_eq!(numbers(&first), (Some(6), Some(2)));

    let path = "/EpisodeOfCare/demo-aldis-episode";
    let mut episode = server.get(path).await.json();
    let reason = episode["extension"]
        .as_array_mut()
        .unwrap()
        .iter_mut()
        .find(|extension| extension["url"].as_str().unwrap().ends_with("/episode-end-reason"));
    let coding = &mut reason.unwrap()["valueCodeableConcept"]["coding"][0];
    coding["code"] = json!("did-not-attend");
    coding.as_object_mut().unwrap().remove("display");
    server.put(path, &episode).await.has_status(200);
    let second = ask().await;
    assert_eq!(numbers(&second), (Some(6), Some(3)));
    assert!(commit(&second) > commit(&first));

    // A day that lies outside the period, then one that no longer is at all.
    episode["period"]["end"] = json!("2027-01-01");
    server.put(path, &episode).await.has_status(200);
    assert_eq!(numbers(&ask().await), (Some(5), Some(2)));
    let gone = server.get("/EpisodeOfCare/demo-gelia-episode").await.json();
    server.delete("/EpisodeOfCare/demo-gelia-episode").await.has_status(204);
    assert_eq!(numbers(&ask().await), (Some(4), Some(1)));
    server.put("/EpisodeOfCare/demo-gelia-episode", &gone).await.has_status(201);
    assert_eq!(numbers(&ask().await), (Some(5), Some(2)));
}

/// Who may not see everything is counted what the token shows, whatever is kept.
#[actix_web::test]
async fn a_token_counts_what_it_shows() {
    let guarded = Guarded::with(
        Config { audit_least: 0, ..Config::default() },
        &[
            ("system/*.rs", None, None),
            ("patient/*.rs system/Measure.rs", Some("alba"), None),
            ("system/EpisodeOfCare.rs?patient=Patient/brun system/Measure.rs", None, None),
            ("system/Measure.rs", None, None),
        ],
    );
    guarded.put("away", &measure()).await;
    for who in ["alba", "brun"] {
        guarded.put(who, &with_id(patient(who), who)).await;
        let episode = json!({
            "resourceType": "EpisodeOfCare", "status": "finished",
            "patient": reference(&format!("Patient/{who}")),
            "period": { "start": "2026-02-01", "end": "2026-03-01" },
        });
        guarded.put(&format!("{who}-episode"), &episode).await;
    }
    let path = format!("/Measure/away/$evaluate-measure?{YEAR}");
    for (who, expected) in [(0, 2), (1, 2), (2, 1), (3, 1), (4, 0)] {
        let report = guarded.get(who, &path).await.has_status(200).json();
        assert_eq!(count(&report, "initial-population"), Some(expected), "token {who}");
    }
}

/// What was kept is there again after a restart, and what was written since is counted.
#[actix_web::test]
async fn facts_outlive_the_server() {
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    load_clinic(&server).await;
    server.put("/Measure/away", &measure()).await.has_status(201);
    let path = format!("/Measure/away/$evaluate-measure?{YEAR}&reportType=subject-list");
    let before = server.get(&path).await.has_status(200).json();
    // The thread that saves waits for a pause of the writers.
    tokio::time::sleep(Duration::from_secs(2)).await;
    server.stop().await;
    let kept = {
        let opened = (0..100).find_map(|_| {
            let opened = SledStore::open(data.path(), 16 << 20);
            opened.inspect_err(|_| std::thread::sleep(Duration::from_millis(50))).ok()
        });
        let store = opened.unwrap();
        let view = store.view().unwrap();
        assert!(facts::state(&*view).unwrap().is_some_and(|state| state.from.is_none()));
        facts::all(&*view).count()
    };
    assert!(kept >= 6, "{kept}");
    let server = Server::in_directory(data.path());
    let after = server.get(&path).await.has_status(200).json();
    assert_eq!((&before["group"], &before["contained"]), (&after["group"], &after["contained"]));
}
