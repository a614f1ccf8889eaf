//! The episode summary and the first page, on the demo clinic loaded over the API.
//! <http://hl7.org/fhir/R4/documents.html>, <http://hl7.org/fhir/R4/operations.html>.

use std::path::Path;

use serde_json::{Value, json};

use crate::client::{JSON, Server};
use crate::letter::load;

/// Loads the demo clinic.
pub(crate) async fn load_clinic(server: &Server) {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/demo/clinic");
    let files = std::fs::read_dir(directory).unwrap().map(|file| file.unwrap().path());
    let mut files: Vec<_> =
        files.filter(|path| path.extension().is_some_and(|e| e == "json")).collect();
    files.sort();
    for file in &files {
        load(server, file.file_name().unwrap().to_str().unwrap()).await;
    }
}

/// The demo clinic, and the id of each episode in it.
async fn clinic() -> (Server, Vec<String>) {
    let server = Server::start();
    load_clinic(&server).await;
    let found = server.get("/EpisodeOfCare?_count=100").await.has_status(200).json();
    let entries = found["entry"].as_array().unwrap();
    let ids = entries.iter().map(|entry| entry["resource"]["id"].as_str().unwrap().to_owned());
    let ids: Vec<String> = ids.collect();
    assert!(ids.len() >= 6, "{ids:?}");
    (server, ids)
}

/// bdl-9 to bdl-11: a document, its Composition first, everything referenced inside.
fn is_document(bundle: &Value, base: &str) {
    assert_eq!((&bundle["resourceType"], &bundle["type"]), (&json!("Bundle"), &json!("document")));
    assert!(bundle["identifier"]["value"].is_string() && bundle["timestamp"].is_string());
    let entries = bundle["entry"].as_array().unwrap();
    assert_eq!(entries[0]["resource"]["resourceType"], "Composition");
    let urls: Vec<&str> = entries.iter().map(|entry| entry["fullUrl"].as_str().unwrap()).collect();
    let mut named = Vec::new();
    references(&entries[0]["resource"], &mut named);
    assert!(named.len() > 3);
    for reference in named {
        let whole = format!("{base}/{reference}");
        assert!(urls.contains(&reference) || urls.contains(&whole.as_str()), "{reference}");
    }
}

fn references<'a>(value: &'a Value, named: &mut Vec<&'a str>) {
    match value {
        Value::Object(object) => {
            named.extend(object.get("reference").and_then(Value::as_str));
            object.values().for_each(|value| references(value, named));
        }
        Value::Array(items) => items.iter().for_each(|item| references(item, named)),
        _ => {}
    }
}

#[actix_web::test]
async fn of_every_demo_episode_in_every_form() {
    let (server, ids) = clinic().await;
    for id in &ids {
        let path = format!("/EpisodeOfCare/{id}/$episode-summary");
        let document = server.get(&path).await.has_status(200);
        assert_eq!(document.header("Content-Type"), "application/fhir+json;charset=utf-8");
        is_document(&document.json(), &server.base());
        let valid = server.post("/Bundle/$validate", &document.json()).await.json();
        let issues = valid["issue"].as_array().unwrap().iter();
        let errors: Vec<_> = issues.filter(|issue| issue["severity"] == "error").collect();
        assert!(errors.is_empty(), "{id}: {errors:#?}");
        let html = server.send("GET", &path, &[("Accept", "text/html")], "").await.has_status(200);
        assert_eq!(html.header("Content-Type"), "text/html;charset=utf-8");
        assert!(html.header("Content-Security-Policy").contains("default-src 'none'"));
        assert!(html.text.starts_with("<!DOCTYPE html>"), "{}", &html.text[..100]);
    }
    let path = format!("/EpisodeOfCare/{}/$episode-summary", ids[0]);
    let pdf = server.get(&format!("{path}?_format=application/pdf")).await.has_status(200);
    assert_eq!(pdf.header("Content-Type"), "application/pdf");
    assert!(pdf.text.starts_with("%PDF-"));
}

#[actix_web::test]
async fn parameters_and_refusals() {
    let (server, ids) = clinic().await;
    let path = format!("/EpisodeOfCare/{}/$episode-summary", ids[0]);
    let at = |day: &str| format!("{path}?asOf={day}");
    let day = server.get(&at("2999-01-01")).await.has_status(200).json();
    assert_eq!(
        day,
        server.get(&at("2999-01-01")).await.json(),
        "the same question, the same answer"
    );
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "asOf", "valueDateTime": "2999-01-01" },
    ] });
    assert_eq!(server.post(&path, &body).await.has_status(200).json(), day);
    server.send("POST", &path, &[], "").await.has_status(200);
    server.get(&at("soon")).await.is_error(400, "invalid");
    server.get(&format!("{path}?_format=turtle")).await.is_error(406, "not-supported");
    server.get("/EpisodeOfCare/none/$episode-summary").await.is_error(404, "not-found");
    server.get("/EpisodeOfCare/$episode-summary").await.is_error(404, "not-found");
    server.get("/Patient/none/$episode-summary").await.is_error(404, "not-found");
    let accept = [("Accept", "image/png")];
    server.send("GET", &path, &accept, "").await.is_error(406, "not-supported");
}

#[actix_web::test]
async fn the_first_page() {
    let (server, ids) = clinic().await;
    let root = server.base().replace("/fhir", "/");
    let browser = [("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")];
    let page = server.send("GET", &root, &browser, "").await.has_status(200);
    assert_eq!(page.header("Content-Type"), "text/html;charset=utf-8");
    for id in &ids {
        let letter = format!("/fhir/EpisodeOfCare/{id}/$episode-summary?_format=application/pdf");
        assert!(page.text.contains(&letter), "{letter}");
    }
    assert!(page.text.contains("Observation"));
    server.send("POST", &root, &[JSON], "{}").await.is_error(405, "not-supported");
    let empty = Server::start();
    let page = empty.get(&empty.base().replace("/fhir", "/")).await.has_status(200);
    assert!(page.text.starts_with("<!DOCTYPE html>"));
}
