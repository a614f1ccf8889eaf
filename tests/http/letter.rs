//! Letters over HTTP: of an earlier moment, in another language, explained, held against rules,
//! signed.

use std::path::Path;

use serde_json::{Value, json};

use crate::client::{JSON, Server};

pub(crate) const EPISODE: &str = "/EpisodeOfCare/demo-aldis-episode";

/// A server with the clinic and one of its episodes.
pub(crate) async fn episode() -> Server {
    let server = Server::start();
    for file in ["00-clinic.json", "01-aldis-improved.json"] {
        load(&server, file).await;
    }
    server
}

/// Loads one file of the demo clinic.
pub(crate) async fn load(server: &Server, file: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/demo/clinic").join(file);
    let body = std::fs::read_to_string(path).unwrap();
    let answer = server.send("POST", "", &[JSON], body).await;
    assert_eq!(answer.status, 200, "{file}: {}", answer.text);
}

pub(crate) fn operation(name: &str) -> String {
    format!("{EPISODE}/${name}")
}

/// A moment between two writes, as the server's clock tells it.
async fn moment_of(server: &Server, path: &str) -> String {
    let read = server.get(path).await.has_status(200).json();
    read["meta"]["lastUpdated"].as_str().unwrap().to_owned()
}

/// Long enough that the next write has another time.
fn a_moment_later() {
    std::thread::sleep(std::time::Duration::from_millis(20));
}

#[actix_web::test]
async fn as_of_is_what_was_stored_then() {
    let server = episode().await;
    let path = |at: &str| format!("{}?asOf={at}", operation("episode-summary"));
    let then = moment_of(&server, "/Observation/demo-aldis-v1-seg-C1-C2-right").await;
    let before = server.get(&path(&then)).await.has_status(200);
    a_moment_later();
    // One finding is changed, one treatment deleted, the visit leaves the episode, a name changes.
    let mut finding = server.get("/Observation/demo-aldis-v1-seg-C1-C2-right").await.json();
    finding["valueCodeableConcept"]["coding"] = json!([{
        "system": "https://spondyl.example/fhir/CodeSystem/mobility-class", "code": "hypermobile",
    }]);
    server.put("/Observation/demo-aldis-v1-seg-C1-C2-right", &finding).await.has_status(200);
    server.delete("/Procedure/demo-aldis-v1-t1").await.has_status(204);
    let mut visit = server.get("/Encounter/demo-aldis-v5").await.json();
    visit["status"] = json!("entered-in-error");
    server.put("/Encounter/demo-aldis-v5", &visit).await.has_status(200);
    let mut patient = server.get("/Patient/demo-aldis").await.json();
    patient["name"] = json!([{ "text": "Another Name" }]);
    server.put("/Patient/demo-aldis", &patient).await.has_status(200);

    let now = server.get(&operation("episode-summary")).await.has_status(200);
    assert!(now.text.contains("Another Name") && !now.text.contains("\"demo-aldis-v1-t1\""));
    let again = server.get(&path(&then)).await.has_status(200);
    assert_eq!(before.text, again.text, "the same moment, the same bytes");
    let pdf = format!("{}&_format=application/pdf", path(&then));
    let (one, other) = (server.get(&pdf).await, server.get(&pdf).await);
    assert!(one.text == other.text && one.text.starts_with("%PDF-"));

    server.delete(EPISODE).await.has_status(204);
    server.get(&operation("episode-summary")).await.is_error(410, "deleted");
    assert_eq!(server.get(&path(&then)).await.has_status(200).text, before.text);
    server.get(&path("2020-01-01")).await.is_error(404, "not-found");
    server.get(&path("2020-13-01")).await.is_error(400, "invalid");
}

#[actix_web::test]
async fn another_language_kind_and_what_explains() {
    let server = episode().await;
    let path = |query: &str| format!("{}?{query}", operation("episode-summary"));
    let german = server.get(&path("language=de-CH")).await.has_status(200).json();
    assert_eq!(german["language"], "de");
    assert_eq!(german["entry"][0]["resource"]["section"][0]["title"], "Kurzfassung");
    server.get(&path("language=fr")).await.is_error(400, "invalid");
    let letter = server.get(&path("kind=progress")).await.has_status(200).json();
    let category = &letter["entry"][0]["resource"]["category"][0]["coding"][0];
    assert_eq!(category["code"], "11508-9");
    server.get(&path("kind=poem")).await.is_error(400, "invalid");

    let explained = server.get(&path("explain=true")).await.has_status(200).json();
    assert_eq!(explained["resourceType"], "Parameters");
    let numbers = explained["parameter"].as_array().unwrap();
    assert!(numbers.len() > 50, "{}", numbers.len());
    let first = numbers[0]["part"].as_array().unwrap();
    for name in ["name", "value", "formula", "source"] {
        assert!(first.iter().any(|part| part["name"] == name), "{name}: {first:?}");
    }
    server.get(&path("explain=perhaps")).await.is_error(400, "invalid");
    let page = server.get(&path("explain=true&_format=text/html")).await.has_status(400);
    assert!(page.text.contains("What explains the numbers is a resource"), "{}", page.text);
    server.get(&path("explain=true&explain=true")).await.is_error(400, "invalid");
}

#[actix_web::test]
async fn consistency_of_the_record() {
    let server = episode().await;
    let bundle = server.get(&operation("consistency")).await.has_status(200).json();
    assert_eq!(
        (&bundle["resourceType"], &bundle["type"]),
        (&json!("Bundle"), &json!("collection"))
    );
    let count = |bundle: &Value, code: &str| {
        let entries = bundle["entry"].as_array().map_or(&[][..], Vec::as_slice);
        let of = |entry: &&Value| entry["resource"]["code"]["coding"][0]["code"] == code;
        entries.iter().filter(of).count()
    };
    assert_eq!(count(&bundle, "treated-before-consent"), 0);
    // Without the consent the first treatment was before any.
    server.delete("/Consent/demo-aldis-consent").await.has_status(204);
    let bundle = server.get(&operation("consistency")).await.has_status(200).json();
    assert_eq!(count(&bundle, "treated-before-consent"), 1, "{bundle:#}");
    let valid = server.post("/Bundle/$validate", &bundle).await.has_status(200).json();
    let errors = valid["issue"].as_array().unwrap().iter().filter(|i| i["severity"] == "error");
    assert_eq!(errors.count(), 0, "{valid:#}");
    let german = server.get(&format!("{}?language=de", operation("consistency"))).await.json();
    assert_eq!(german["entry"][0]["resource"]["language"], "de");
    server.get(&format!("{}?asOf=soon", operation("consistency"))).await.is_error(400, "invalid");
    server.get("/EpisodeOfCare/none/$consistency").await.is_error(404, "not-found");
    server.put(&operation("consistency"), &json!({})).await.is_error(405, "not-supported");
}

pub(crate) fn signing(more: &[Value]) -> Value {
    let attester = json!({ "name": "attester",
        "valueReference": { "reference": "Practitioner/demo-therapist-tolquist" } });
    let all: Vec<&Value> = [&attester].into_iter().chain(more).collect();
    json!({ "resourceType": "Parameters", "parameter": all })
}

pub(crate) fn reference(told: &Value, name: &str) -> String {
    let parts = told["parameter"].as_array().unwrap();
    let part = parts.iter().find(|part| part["name"] == name).unwrap();
    part["valueReference"]["reference"].as_str().unwrap().to_owned()
}

#[actix_web::test]
async fn a_signed_letter_stays_as_it_is() {
    let server = episode().await;
    let words = json!({ "name": "words", "valueString": "She is back at work.\n\nThank you." });
    let told = server.post(&operation("finalize-letter"), &signing(&[words])).await;
    let told = told.has_status(200).json();
    let letter = format!("/{}", reference(&told, "letter"));
    let composition = server.get(&letter).await.has_status(200).json();
    assert_eq!(composition["status"], "final");
    let party = &composition["attester"][0]["party"]["reference"];
    assert_eq!(party, "Practitioner/demo-therapist-tolquist");
    assert!(composition["attester"][0]["time"].is_string());
    let added = &composition["section"][2];
    assert_eq!(added["author"][0]["reference"], "Practitioner/demo-therapist-tolquist");
    assert!(added["text"]["div"].as_str().unwrap().contains("<p>She is back at work.</p>"));

    let document = server.get(&format!("/{}", reference(&told, "document"))).await.json();
    assert_eq!(document["entry"][0]["resource"]["id"], composition["id"]);
    // Without this a Binary would come as the content that it has.
    let resource = [("Accept", "application/fhir+json")];
    let pdf = format!("/{}", reference(&told, "pdf"));
    let pdf = server.send("GET", &pdf, &resource, "").await.has_status(200).json();
    assert_eq!(pdf["contentType"], "application/pdf");
    let provenance = format!("/{}", reference(&told, "provenance"));
    let provenance = server.get(&provenance).await.has_status(200).json();
    let digest = provenance["entity"][0]["what"]["identifier"]["value"].as_str().unwrap();
    assert!(digest.starts_with("ni:///sha-256;"), "{digest}");
    let forms = told["parameter"].as_array().unwrap().iter();
    assert_eq!(forms.filter(|part| part["name"] == "reference").count(), 3);

    // Nothing of it can be changed or deleted, in whatever way.
    for part in told["parameter"].as_array().unwrap() {
        let target = part["valueReference"]["reference"].as_str().unwrap();
        let path = format!("/{target}");
        let body = server.send("GET", &path, &resource, "").await.json();
        server.put(&path, &body).await.is_error(409, "business-rule");
        server.delete(&path).await.is_error(409, "business-rule");
        let patch = r#"[{ "op": "add", "path": "/language", "value": "fr" }]"#;
        let kind = [("Content-Type", "application/json-patch+json")];
        server.send("PATCH", &path, &kind, patch).await.is_error(409, "business-rule");
        let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
            { "request": { "method": "DELETE", "url": target } },
        ] });
        server.post("", &bundle).await.is_error(409, "business-rule");
    }
    // What it was made from can, and the letter says the same as before.
    server.delete("/Procedure/demo-aldis-v1-t1").await.has_status(204);
    assert_eq!(server.get(&format!("/{}", reference(&told, "document"))).await.json(), document);

    let replaces = json!({ "name": "replaces", "valueReference": { "reference": &letter[1..] } });
    let later =
        server.post(&operation("finalize-letter"), &signing(std::slice::from_ref(&replaces))).await;
    let later = later.has_status(200).json();
    let amended = server.get(&format!("/{}", reference(&later, "letter"))).await.json();
    assert_eq!(amended["status"], "amended");
    let replaced = &amended["relatesTo"][0]["targetReference"]["reference"];
    assert_eq!(replaced, &letter[1..]);
    let form = server.get(&format!("/{}", reference(&told, "reference"))).await.json();
    assert_eq!(form["status"], "superseded");
    let form = server.get(&format!("/{}", reference(&later, "reference"))).await.json();
    assert_eq!(form["status"], "current");
    let twice = server.post(&operation("finalize-letter"), &signing(&[replaces])).await;
    twice.is_error(400, "invalid");
    assert_eq!(server.get(&letter).await.json(), composition, "the first letter is as it was");
}
