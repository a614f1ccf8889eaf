//! The pages for people: what they show, what they may load, what a browser is told of a fault, and
//! the forms of a signed letter as a browser gets them.

use serde_json::json;

use crate::client::{Answer, JSON, Server};
use crate::letter::{episode, operation, reference, signing};

const BROWSER: &str = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";

/// What a browser gets under a path of the server.
async fn browse(server: &Server, path: &str) -> Answer {
    let url = format!("{}{path}", server.base().replace("/fhir", ""));
    server.send("GET", &url, &[("Accept", BROWSER)], "").await
}

#[actix_web::test]
async fn pages_and_what_they_may_load() {
    let server = episode().await;
    let page = "/episodes/demo-aldis-episode";
    let read = browse(&server, page).await.has_status(200);
    let policy = read.header("Content-Security-Policy").to_owned();
    assert!(policy.contains("default-src 'none'") && policy.contains("style-src 'sha256-"));
    assert!(!policy.contains("unsafe") && !policy.contains("script-src"), "{policy}");
    assert!(read.text.contains("/fhir/Procedure/demo-aldis-v1-t1/_history/1"));
    for form in ["visit", "letters"] {
        let form = browse(&server, &format!("{page}/{form}")).await.has_status(200);
        let policy = form.header("Content-Security-Policy");
        assert!(policy.contains("script-src 'self'") && policy.contains("connect-src 'self'"));
        assert!(policy.contains("frame-ancestors 'none'") && policy.contains("form-action 'none'"));
    }
    for script in ["/form.js", "/visit.js", "/visit-form.js", "/sign.js"] {
        let script = browse(&server, script).await.has_status(200);
        assert_eq!(script.header("Content-Type"), "text/javascript;charset=utf-8");
    }
    browse(&server, "/favicon.ico").await.has_status(204);
    let patient = browse(&server, "/patients/demo-aldis").await.has_status(200);
    assert!(patient.text.contains("/episodes/demo-aldis-episode"));
    let german = browse(&server, &format!("{page}?language=de")).await.has_status(200);
    assert!(german.text.contains("<html lang=\"de\">"));
    let first = browse(&server, "/").await.has_status(200);
    assert!(first.text.contains("href=\"/episodes/demo-aldis-episode\""));
}

/// A browser gets a page, everything else an OperationOutcome; status and headers are the same.
#[actix_web::test]
async fn faults_as_pages() {
    let server = episode().await;
    server.delete("/Procedure/demo-aldis-v1-t1").await.has_status(204);
    let deleted = "/fhir/Procedure/demo-aldis-v1-t1";
    for (path, status, code) in [
        ("/episodes/none", 404, "not-found"),
        ("/episodes/none/visit", 404, "not-found"),
        ("/episodes/none/letters", 404, "not-found"),
        ("/patients/none", 404, "not-found"),
        ("/episodes", 404, "not-found"),
        ("/nowhere", 404, "not-found"),
        ("/fhir/Patient/none", 404, "not-found"),
        (deleted, 410, "deleted"),
        ("/episodes/demo-aldis-episode?language=xx", 400, "invalid"),
        ("/fhir/Patient?birthdate=soon", 400, "invalid"),
    ] {
        let page = browse(&server, path).await.has_status(status);
        assert_eq!(page.header("Content-Type"), "text/html;charset=utf-8", "{path}");
        let policy = page.header("Content-Security-Policy");
        assert!(policy.contains("default-src 'none'") && !policy.contains("script-src"));
        assert!(page.text.contains(&format!("HTTP status {status}")), "{path}");
        let number = page.header("X-Request-Id").to_owned();
        assert!(page.text.contains(&number), "the number of the request is shown");
        // The same as a resource for whoever asks for one, or for nothing.
        let url = format!("{}{path}", server.base().replace("/fhir", ""));
        server.send("GET", &url, &[("Accept", "*/*")], "").await.is_error(status, code);
        if path.starts_with("/fhir") {
            let json = [("Accept", "application/fhir+json")];
            server.send("GET", &url, &json, "").await.is_error(status, code);
            let mark = if path.contains('?') { '&' } else { '?' };
            browse(&server, &format!("{path}{mark}_format=json")).await.is_error(status, code);
        }
    }
    let page = browse(&server, deleted).await;
    assert_eq!(page.header("ETag"), "W/\"2\"");
    let german = browse(&server, "/episodes/none?language=de").await.has_status(404);
    assert!(german.text.contains("<html lang=\"de\">") && german.text.contains("Hier ist nichts"));
    // What breaks a rule, and a verb that the address does not know.
    let html = ("Accept", BROWSER);
    let body = json!({ "resourceType": "Patient", "id": "x", "gender": "y" }).to_string();
    let page = server.send("PUT", "/Patient/x", &[JSON, html], body).await.has_status(422);
    assert!(page.text.contains("<code>Patient.gender</code>"), "{}", page.text);
    let url = format!("{}/episodes/demo-aldis-episode", server.base().replace("/fhir", ""));
    let page = server.send("POST", &url, &[JSON, html], "{}").await.has_status(405);
    assert_eq!(page.header("Allow"), "GET, HEAD");
    assert!(page.text.contains("<h1>"));
}

#[actix_web::test]
async fn the_letters_of_an_episode() {
    let server = episode().await;
    let path = "/episodes/demo-aldis-episode/letters";
    let page = browse(&server, path).await.has_status(200).text;
    assert!(page.contains("No letter of this episode has been signed yet."));
    // Who works in the episode may sign, not who referred the patient.
    assert!(page.contains("value=\"Practitioner/demo-therapist-tolquist\""));
    assert!(!page.contains("value=\"Practitioner/demo-physician-akerlow\""));

    let first = server.post(&operation("finalize-letter"), &signing(&[])).await.has_status(200);
    let first = first.json();
    let letter = reference(&first, "letter");
    let page = browse(&server, path).await.has_status(200).text;
    for shown in [
        &letter,
        &format!("/fhir/{}\"", reference(&first, "pdf")),
        &format!("/fhir/{}\"", reference(&first, "page")),
        ">Maren Tolquist</a>",
        "all 114 records are as they were",
        "the stored bytes agree",
        "ni:///sha-256;",
    ] {
        assert!(page.contains(shown), "{shown}");
    }
    assert!(!page.contains("DO NOT AGREE"));

    // The record changes: one record goes, one changes, one comes; the letter stays.
    server.delete("/Procedure/demo-aldis-v1-t1").await.has_status(204);
    let mut plan = server.get("/CarePlan/demo-aldis-plan").await.json();
    plan["title"] = json!("Another title");
    server.put("/CarePlan/demo-aldis-plan", &plan).await.has_status(200);
    let mut pain = server.get("/Observation?code=72514-3&_count=1").await.json();
    let mut pain = pain["entry"][0]["resource"].take();
    pain["id"] = json!("one-more");
    server.put("/Observation/one-more", &pain).await.has_status(201);
    let page = browse(&server, path).await.has_status(200).text;
    let since = "2 of its 114 records have changed or gone, 1 new ones have come.";
    assert!(page.contains(since), "{page}");

    let replaces = json!({ "name": "replaces", "valueReference": { "reference": letter } });
    let later = server.post(&operation("finalize-letter"), &signing(&[replaces])).await;
    let later = reference(&later.has_status(200).json(), "letter");
    let page = browse(&server, path).await.has_status(200).text;
    let (new, old) = page.split_once("Signed, replaced since").unwrap();
    assert!(
        new.contains(later.trim_start_matches("Composition/"))
            && new.contains("Replaces the letter of")
    );
    assert!(old.contains("Replaced by the letter of"));
    let choices = page.matches("name=\"replaces\"").count();
    assert_eq!(choices, 1, "what is replaced cannot be replaced again");
    let german = browse(&server, &format!("{path}?language=de")).await.has_status(200).text;
    assert!(german.contains("Unterschrieben, inzwischen ersetzt"));
}

/// <http://hl7.org/fhir/R4/binary.html#rest>: the content itself, unless the resource is asked for.
#[actix_web::test]
async fn a_browser_reads_what_was_signed() {
    let server = episode().await;
    let told =
        server.post(&operation("finalize-letter"), &signing(&[])).await.has_status(200).json();
    let pdf = format!("/fhir/{}", reference(&told, "pdf"));
    let read = browse(&server, &pdf).await.has_status(200);
    assert_eq!(read.header("Content-Type"), "application/pdf");
    assert!(read.text.starts_with("%PDF-"));
    let page =
        browse(&server, &format!("/fhir/{}", reference(&told, "page"))).await.has_status(200);
    assert_eq!(page.header("Content-Type"), "text/html; charset=utf-8");
    assert!(page.text.starts_with("<!DOCTYPE html>") && page.text.contains("Signed by"));
    let policy = page.header("Content-Security-Policy");
    assert!(policy.contains("sandbox") && policy.contains("style-src 'sha256-"), "{policy}");
    assert_eq!(page.header("Content-Disposition"), "", "it is shown");
    assert_eq!(page.header("X-Content-Type-Options"), "nosniff");
    let fhir = [("Accept", "application/fhir+json")];
    let path = pdf.replace("/fhir", "");
    let resource = server.send("GET", &path, &fhir, "").await.has_status(200).json();
    assert_eq!(resource["resourceType"], "Binary");
    // Content of anywhere can do nothing.
    for media_type in ["text/html", "image/svg+xml", "application/x-any"] {
        let body = json!({ "resourceType": "Binary", "id": "any", "contentType": media_type, "data": "PGI+" });
        server.put("/Binary/any", &body).await;
        let read = browse(&server, "/fhir/Binary/any").await.has_status(200);
        let policy = read.header("Content-Security-Policy");
        assert!(policy.contains("sandbox") && !policy.contains("style-src"), "{media_type}");
        assert!(read.header("Content-Disposition").starts_with("attachment"), "{media_type}");
        assert_eq!(read.text, "<b>");
    }
    // Where nothing is at hand the resource is told.
    browse(&server, "/fhir/Binary/none").await.has_status(404);
}
