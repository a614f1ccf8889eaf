//! `Measure/$evaluate-measure` on the demo clinic.
//! <http://hl7.org/fhir/R4/measure-operation-evaluate-measure.html>.
//!
//! What is expected follows from `conformance/summary/demo-expected.json`, which was computed
//! outside the server, by the definitions of the Measures.

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::Server;
use crate::summary::load_clinic;

const YEAR: &str = "periodStart=2026-01-01&periodEnd=2026-12-31";

async fn clinic(audit_least: u64) -> Server {
    let server = Server::published(Config { audit_least, ..Config::default() });
    load_clinic(&server).await;
    server
}

async fn report(server: &Server, measure: &str, query: &str) -> Value {
    let path = format!("/Measure/{measure}/$evaluate-measure?{query}");
    server.get(&path).await.has_status(200).json()
}

/// The count of a population; none where it is not told.
fn count(report: &Value, population: &str) -> Option<u64> {
    let populations = report["group"][0]["population"].as_array().unwrap();
    let of = |p: &&Value| p["code"]["coding"][0]["code"] == population;
    populations.iter().find(of).and_then(|population| population["count"].as_u64())
}

/// A part of what stands beside the score.
fn beside(report: &Value, part: &str) -> Option<Value> {
    let parts = report["group"][0]["extension"][0]["extension"].as_array()?;
    let found = parts.iter().find(|own| own["url"] == part)?.as_object()?;
    found.iter().find(|(name, _)| name.starts_with("value")).map(|(_, value)| value.clone())
}

fn number(value: &Value) -> f64 {
    value.to_string().parse().unwrap()
}

/// The episodes of the expected numbers that ended.
fn expected() -> Vec<Value> {
    let text = include_str!("../../conformance/summary/demo-expected.json");
    let all: Value = serde_json::from_str(text).unwrap();
    let episodes = all["episodes"].as_object().unwrap().values();
    episodes.filter(|episode| episode["status"] == "finished").cloned().collect()
}

#[actix_web::test]
async fn figures_are_those_of_the_demo_clinic() {
    let server = clinic(0).await;
    let ended = expected();
    let reason = |codes: &[&str]| {
        ended.iter().filter(|e| codes.iter().any(|code| e["endReason"] == *code)).count() as u64
    };
    let drop_out = report(&server, "drop-out", YEAR).await;
    assert_eq!(count(&drop_out, "initial-population"), Some(6));
    assert_eq!(count(&drop_out, "numerator"), Some(reason(&["did-not-attend", "self-discharged"])));

    // Improvement by 15 percentage points or more, of five pairs; the sixth has no second score.
    let improved = report(&server, "disability-improved", YEAR).await;
    let pairs = || ended.iter().filter(|episode| !episode["disability"]["latest"].is_null());
    let gain = |episode: &Value| {
        let of = |end: &str| number(&episode["disability"][end]["percent"]);
        of("first") - of("latest")
    };
    let better = pairs().filter(|episode| gain(episode) >= 15.0).count() as u64;
    assert_eq!(count(&improved, "numerator"), Some(better));
    assert_eq!(beside(&improved, "of"), Some(json!(pairs().count())));
    assert_eq!(beside(&improved, "missing"), Some(json!(6 - pairs().count())));
    let score = number(&improved["group"][0]["measureScore"]["value"]);
    assert!((score - 0.2).abs() < 1e-12, "{score}");
    assert_eq!(number(&beside(&improved, "if-none").unwrap()), 1.0 / 6.0);
    assert_eq!(number(&beside(&improved, "if-each").unwrap()), 2.0 / 6.0);

    let change = report(&server, "pain-change", YEAR).await;
    let changes: Vec<f64> = ended.iter().map(|e| number(&e["pain"]["change"])).collect();
    let mean = changes.iter().sum::<f64>() / 6.0;
    assert!((number(&beside(&change, "mean").unwrap()) - mean).abs() < 1e-12, "{change}");
    assert_eq!(beside(&change, "n"), Some(json!(6)));

    let visits = report(&server, "visits-per-episode", YEAR).await;
    assert_eq!(number(&visits["group"][0]["measureScore"]["value"]), 4.0);
    let days = report(&server, "days-per-episode", YEAR).await;
    assert_eq!(number(&days["group"][0]["measureScore"]["value"]), 35.0);

    let events = report(&server, "adverse-events-per-visit", YEAR).await;
    let attended: f64 = ended.iter().map(|e| number(&e["visits"]["attended"])).sum();
    assert_eq!(number(&beside(&events, "exposure").unwrap()), attended);
    let rate = number(&beside(&events, "events").unwrap()) / attended * 1000.0;
    let score = number(&events["group"][0]["measureScore"]["value"]);
    assert!((score - rate).abs() < 1e-9, "{events}");
}

#[actix_web::test]
async fn every_measure_gives_a_valid_report_that_can_be_kept() {
    let server = clinic(0).await;
    let list = server.get("/Measure?_count=100&_elements=id").await.has_status(200).json();
    let ids = list["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]["id"]);
    let ids: Vec<&str> = ids.map(|id| id.as_str().unwrap()).collect();
    assert!(ids.len() >= 20, "{ids:?}");
    for id in ids {
        for kind in ["population", "subject-list"] {
            let made = report(&server, id, &format!("{YEAR}&reportType={kind}")).await;
            let kept = server.post("/MeasureReport", &made).await;
            assert_eq!(kept.status, 201, "{id} {kind}: {}", kept.text);
            assert!(!made.to_string().contains("null"), "{made}");
        }
    }
}

/// Both days of a period count as a whole: an episode is in the periods that begin or end with its
/// last day, and in none that lies beside it.
#[actix_web::test]
async fn both_days_of_a_period_count() {
    let server = clinic(0).await;
    let episode = server.get("/EpisodeOfCare/demo-aldis-episode").await.json();
    assert_eq!(episode["period"]["end"], "2026-04-20");
    for (start, end, expected) in [
        ("2026-04-20", "2026-04-20", 1),
        ("2026-04-20", "2026-04-21", 1),
        ("2026-04-19", "2026-04-20", 1),
        ("2026-04-18", "2026-04-19", 0),
        ("2026-04-21", "2026-04-22", 0),
    ] {
        let query = format!("periodStart={start}&periodEnd={end}");
        let drop_out = report(&server, "drop-out", &query).await;
        assert_eq!(count(&drop_out, "initial-population"), Some(expected), "{query}");
    }
}

#[actix_web::test]
async fn small_numbers_are_withheld_with_what_tells_them() {
    let server = clinic(5).await;
    let drop_out = report(&server, "drop-out", YEAR).await;
    assert_eq!(count(&drop_out, "initial-population"), Some(6));
    assert_eq!(count(&drop_out, "numerator"), None, "2 of 6 is withheld");
    assert!(drop_out["group"][0].get("measureScore").is_none());
    let strata = drop_out["group"][0]["stratifier"][0]["stratum"].as_array().unwrap();
    assert!(strata.iter().all(|stratum| stratum.get("population").is_none()), "{strata:?}");
}

#[actix_web::test]
async fn cases_can_be_listed_and_traced() {
    let server = clinic(5).await;
    let query = format!("{YEAR}&reportType=subject-list");
    let listed = report(&server, "drop-out", &query).await;
    let numerator = &listed["group"][0]["population"][2];
    let id = numerator["subjectResults"]["reference"].as_str().unwrap();
    let contained = listed["contained"].as_array().unwrap();
    let list = contained.iter().find(|list| id == format!("#{}", list["id"].as_str().unwrap()));
    let entries = list.unwrap()["entry"].as_array().unwrap();
    let items: Vec<&str> =
        entries.iter().map(|entry| entry["item"]["reference"].as_str().unwrap()).collect();
    assert_eq!(items, ["EpisodeOfCare/demo-cintra-episode", "EpisodeOfCare/demo-gelia-episode"]);

    let one = format!("{YEAR}&subject=Patient/demo-aldis");
    let patient = server.get("/EpisodeOfCare/demo-aldis-episode").await.json();
    let patient = patient["patient"]["reference"].as_str().unwrap().to_owned();
    let one = one.replace("Patient/demo-aldis", &patient);
    let single = report(&server, "drop-out", &one).await;
    assert_eq!(single["type"], "individual");
    assert_eq!(count(&single, "initial-population"), Some(1));
    let evidence = single["evaluatedResource"].as_array().unwrap();
    assert!(evidence.len() > 20, "{}", evidence.len());
    for reference in evidence.iter().take(5) {
        let path = format!("/{}", reference["reference"].as_str().unwrap());
        server.get(&path).await.has_status(200);
    }
}

#[actix_web::test]
async fn cohorts_narrow_the_count() {
    let server = clinic(0).await;
    let group = json!({
        "resourceType": "Group", "id": "two", "type": "person", "actual": true,
        "member": [
            { "entity": { "reference": patient_of(&server, "aldis").await } },
            { "entity": { "reference": patient_of(&server, "gelia").await } },
            { "entity": { "reference": patient_of(&server, "fenno").await }, "inactive": true },
        ],
    });
    server.put("/Group/two", &group).await.has_status(201);
    let of_group = report(&server, "drop-out", &format!("{YEAR}&subject=Group/two")).await;
    assert_eq!(count(&of_group, "initial-population"), Some(2));
    assert_eq!(count(&of_group, "numerator"), Some(1));
    // Members of a member group are members.
    let outer = json!({
        "resourceType": "Group", "id": "outer", "type": "person", "actual": true,
        "member": [
            { "entity": { "reference": "Group/two" } },
            { "entity": { "reference": patient_of(&server, "cintra").await } },
        ],
    });
    server.put("/Group/outer", &outer).await.has_status(201);
    let of_outer = report(&server, "drop-out", &format!("{YEAR}&subject=Group/outer")).await;
    assert_eq!(count(&of_outer, "initial-population"), Some(3));
    assert_eq!(count(&of_outer, "numerator"), Some(2));
    let none = report(&server, "drop-out", "periodStart=2031-01-01&periodEnd=2031-01-31").await;
    assert_eq!(count(&none, "initial-population"), Some(0));
    assert!(none["group"][0].get("measureScore").is_none());
    let why = beside(&none, "undefined").unwrap();
    assert!(why.as_str().unwrap().contains("no case"), "{why}");
}

async fn patient_of(server: &Server, who: &str) -> String {
    let episode = server.get(&format!("/EpisodeOfCare/demo-{who}-episode")).await.json();
    episode["patient"]["reference"].as_str().unwrap().to_owned()
}

#[actix_web::test]
async fn what_cannot_be_evaluated_says_where_and_why() {
    let server = clinic(0).await;
    let own = "https://spondyl.example/fhir/Measure/drop-out";
    for (path, status, place) in [
        ("/Measure/drop-out/$evaluate-measure?periodEnd=2026-12-31", 400, "http.periodStart"),
        (
            "/Measure/drop-out/$evaluate-measure?periodStart=2026-13-01&periodEnd=2026-12-31",
            400,
            "http.periodStart",
        ),
        (
            "/Measure/drop-out/$evaluate-measure?periodStart=2026-12-31&periodEnd=2026-01-01",
            400,
            "http.periodEnd",
        ),
        (
            &format!("/Measure/drop-out/$evaluate-measure?{YEAR}&reportType=all"),
            400,
            "http.reportType",
        ),
        (
            &format!("/Measure/drop-out/$evaluate-measure?{YEAR}&reportType=subject"),
            400,
            "http.subject",
        ),
        (
            &format!("/Measure/drop-out/$evaluate-measure?{YEAR}&subject=Patient/nobody"),
            400,
            "http.subject",
        ),
        (
            &format!("/Measure/drop-out/$evaluate-measure?{YEAR}&subject=Observation/1"),
            400,
            "http.subject",
        ),
        (&format!("/Measure/drop-out/$evaluate-measure?{YEAR}&measure={own}"), 400, "http.measure"),
        (&format!("/Measure/$evaluate-measure?{YEAR}"), 400, "http.measure"),
        (&format!("/Measure/$evaluate-measure?{YEAR}&measure={own}-not"), 400, "http.measure"),
        (&format!("/Measure/none/$evaluate-measure?{YEAR}"), 404, ""),
    ] {
        let answer = server.get(path).await;
        assert_eq!(answer.status, status, "{path}: {}", answer.text);
        let issue = &answer.json()["issue"][0];
        assert_eq!(issue["expression"][0].as_str().unwrap_or_default(), place, "{path}: {issue}");
    }
    let by_url = format!("/Measure/$evaluate-measure?{YEAR}&measure={own}|0.1.0");
    server.get(&by_url).await.has_status(200);

    // A Measure that counts something else is stored, and told where it is asked for.
    let mut foreign = server.get("/Measure/drop-out").await.json();
    let members = foreign.as_object_mut().unwrap();
    members.insert("id".into(), json!("patients"));
    members.insert("url".into(), json!("https://elsewhere.example/Measure/patients"));
    members.remove("extension");
    server.put("/Measure/patients", &foreign).await.has_status(201);
    let answer = server.get(&format!("/Measure/patients/$evaluate-measure?{YEAR}")).await;
    assert_eq!(answer.status, 422, "{}", answer.text);
    assert_eq!(answer.json()["issue"][0]["expression"][0], "Measure.extension");
}
