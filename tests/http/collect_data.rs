//! `Measure/$collect-data`, and what an evaluation says beside its counts.
//! <http://hl7.org/fhir/R4/measure-operation-collect-data.html>.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use spondyl::config::Config;
use spondyl::generate::Clinic;

use crate::client::Server;
use crate::summary::load_clinic;

const YEAR: &str = "periodStart=2026-01-01&periodEnd=2026-12-31";

async fn clinic() -> Server {
    let server = Server::published(Config { audit_least: 0, ..Config::default() });
    load_clinic(&server).await;
    server
}

/// The resources of the parameters of a name.
fn named<'a>(parameters: &'a Value, name: &str) -> Vec<&'a Value> {
    let list = parameters["parameter"].as_array().unwrap().iter();
    list.filter(|part| part["name"] == name).map(|part| &part["resource"]).collect()
}

#[actix_web::test]
async fn data_are_those_of_the_evaluation() {
    let server = clinic().await;
    let path = format!("/Measure/drop-out/$collect-data?{YEAR}&subject=Patient/demo-aldis");
    let collected = server.get(&path).await.has_status(200).json();
    let report = named(&collected, "measureReport");
    assert_eq!(report.len(), 1);
    assert_eq!(report[0]["type"], "data-collection");
    assert!(report[0].get("group").is_none(), "invariant mrp-1");
    let kept = server.post("/MeasureReport", report[0]).await;
    assert_eq!(kept.status, 201, "{}", kept.text);

    let path = format!("/Measure/drop-out/$evaluate-measure?{YEAR}&subject=Patient/demo-aldis");
    let evaluated = server.get(&path).await.has_status(200).json();
    assert_eq!(report[0]["evaluatedResource"], evaluated["evaluatedResource"]);
    let resources = named(&collected, "resource");
    let versions: BTreeSet<String> = resources
        .iter()
        .map(|resource| {
            let part = |name: &str| resource[name].as_str().unwrap();
            let version = resource["meta"]["versionId"].as_str().unwrap();
            format!("{}/{}/_history/{version}", part("resourceType"), part("id"))
        })
        .collect();
    let evidence = evaluated["evaluatedResource"].as_array().unwrap();
    let evidence: BTreeSet<String> =
        evidence.iter().map(|one| one["reference"].as_str().unwrap().to_owned()).collect();
    assert_eq!(versions, evidence);

    // Of what was received since, nothing is sent twice.
    let path =
        format!("{}&lastReceivedOn=2126-01-01", path.replace("evaluate-measure", "collect-data"));
    let later = server.get(&path).await.has_status(200).json();
    assert!(named(&later, "resource").is_empty());
}

#[actix_web::test]
async fn what_cannot_be_collected_says_where_and_why() {
    let server = clinic().await;
    for (query, place) in [
        ("periodStart=2026-01-01", "http.periodEnd"),
        ("periodStart=2026-12-31&periodEnd=2026-01-01", "http.periodEnd"),
        (&format!("{YEAR}&reportType=population"), "http.reportType"),
        (&format!("{YEAR}&lastReceivedOn=2026-01-01"), "http.lastReceivedOn"),
        (&format!("{YEAR}&subject=Patient/demo-aldis&lastReceivedOn=soon"), "http.lastReceivedOn"),
        (&format!("{YEAR}&subject=Device/1"), "http.subject"),
    ] {
        let answer = server.get(&format!("/Measure/drop-out/$collect-data?{query}")).await;
        assert_eq!(answer.status, 400, "{query}: {}", answer.text);
        assert_eq!(answer.json()["issue"][0]["expression"][0], place, "{query}");
    }
    let none = "/Measure/drop-out/$collect-data?periodStart=2031-01-01&periodEnd=2031-01-31";
    let empty = server.get(none).await.has_status(200).json();
    assert_eq!(empty["parameter"].as_array().unwrap().len(), 1);
}

/// The part of the figure of a group or stratum.
fn part(told: &Value, name: &str) -> Option<f64> {
    let figure = told["extension"].as_array()?.iter();
    let mut parts = figure.filter_map(|figure| figure["extension"].as_array()).flatten();
    let found = parts.find(|part| part["url"] == name)?.as_object()?;
    let (_, value) = found.iter().find(|(name, _)| name.starts_with("value"))?;
    value.to_string().parse().ok()
}

/// Over all practitioners what is expected adds up to what there is, as each is held to all; over
/// the months too. Every report warns of how often is looked.
#[actix_web::test]
async fn strata_stand_beside_what_their_mix_lets_expect() {
    let server = Server::published(Config { audit_least: 0, ..Config::default() });
    let clinic = Clinic { seed: 8, patients: 40 };
    let patients = (0..40).map(|number| clinic.patient(number).unwrap());
    for records in [clinic.itself().unwrap()].into_iter().chain(patients) {
        for bundle in records.into_bundles() {
            server.post("", &bundle).await.has_status(200);
        }
    }
    let period = "periodStart=2025-01-01&periodEnd=2026-12-31";
    let path = format!("/Measure/disability-improved/$evaluate-measure?{period}");
    let report = server.get(&path).await.has_status(200).json();
    let group = &report["group"][0];
    let count = part(group, "count").unwrap();
    assert!(count > 5.0, "{group}");
    let mut looks = 1.0;
    for split in group["stratifier"].as_array().unwrap() {
        let strata = split["stratum"].as_array().unwrap();
        looks += f64::from(u32::try_from(strata.len()).unwrap());
        let code = split["code"][0]["coding"][0]["code"].as_str().unwrap();
        let expected: Vec<f64> = strata.iter().filter_map(|s| part(s, "expected")).collect();
        if ["practitioner", "site", "referral-source", "month"].contains(&code) {
            let sum = expected.iter().sum::<f64>();
            assert!((sum - count).abs() < 1e-9, "{code}: {sum} of {count}");
        } else {
            assert!(expected.is_empty(), "{code}");
        }
    }
    assert_eq!(part(group, "looks"), Some(looks));
    assert!((part(group, "by-chance").unwrap() - looks * 0.05).abs() < 1e-9);
    let kept = server.post("/MeasureReport", &report).await;
    assert_eq!(kept.status, 201, "{}", kept.text);
    assert_eq!(report["contained"], json!(null));
}
