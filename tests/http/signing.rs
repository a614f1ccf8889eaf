//! What cannot be signed, what is signed once only, and what a signature holds on to.
//! `schemas/operation/finalize-letter.json`.

use serde_json::{Value, json};

use crate::client::Server;
use crate::letter::{EPISODE, episode, load, operation, reference, signing};

fn named(reference: &str) -> Value {
    let attester = json!({ "name": "attester", "valueReference": { "reference": reference } });
    json!({ "resourceType": "Parameters", "parameter": [attester] })
}

fn replacing(letter: &str) -> Value {
    json!({ "name": "replaces", "valueReference": { "reference": letter } })
}

/// That it is refused with that status and code, at that place, and that nothing was stored.
async fn refused(server: &Server, body: &Value, status: u16, code: &str, place: &str) {
    let versions = server.versions().await;
    let answer = server.post(&operation("finalize-letter"), body).await.is_error(status, code);
    let issues = answer.json();
    assert_eq!(issues["issue"][0]["expression"][0], place, "{issues}");
    assert_eq!(server.versions().await, versions, "nothing was stored");
}

#[actix_web::test]
async fn who_cannot_sign() {
    let server = episode().await;
    let body = json!({ "resourceType": "Parameters" });
    refused(&server, &body, 400, "invalid", "http.attester").await;
    for wrong in ["Practitioner/nobody", "Patient/demo-aldis", "", "urn:uuid:x", "Device/spondyl"] {
        refused(&server, &named(wrong), 400, "invalid", "http.attester").await;
    }
    let two =
        json!({ "name": "attester", "valueReference": { "reference": "Practitioner/other" } });
    refused(&server, &signing(&[two]), 400, "invalid", "http.attester").await;
    let text = json!({ "resourceType": "Parameters",
        "parameter": [{ "name": "attester", "valueString": "Practitioner/demo-therapist-tolquist" }] });
    refused(&server, &text, 400, "invalid", "http.attester").await;

    // Without a name, no longer active, deleted; a role without a person.
    let path = "/Practitioner/demo-therapist-tolquist";
    let person = server.get(path).await.json();
    let mut nameless = person.clone();
    nameless.as_object_mut().unwrap().remove("name");
    server.put(path, &nameless).await.has_status(200);
    refused(&server, &signing(&[]), 400, "invalid", "http.attester").await;
    let mut inactive = person.clone();
    inactive["active"] = json!(false);
    server.put(path, &inactive).await.has_status(200);
    refused(&server, &signing(&[]), 400, "invalid", "http.attester").await;
    server
        .put("/Practitioner/gone", &json!({ "resourceType": "Practitioner", "id": "gone" }))
        .await;
    server.delete("/Practitioner/gone").await.has_status(204);
    refused(&server, &named("Practitioner/gone"), 400, "invalid", "http.attester").await;
    let role = json!({ "resourceType": "PractitionerRole", "id": "empty" });
    server.put("/PractitionerRole/empty", &role).await.has_status(201);
    refused(&server, &named("PractitionerRole/empty"), 400, "invalid", "http.attester").await;

    // A role signs with the name of its person.
    server.put(path, &person).await.has_status(200);
    let role = json!({ "resourceType": "PractitionerRole", "id": "role",
        "practitioner": { "reference": path[1..] } });
    server.put("/PractitionerRole/role", &role).await.has_status(201);
    let told = server.post(&operation("finalize-letter"), &named("PractitionerRole/role")).await;
    let letter = reference(&told.has_status(200).json(), "letter");
    let composition = server.get(&format!("/{letter}")).await.json();
    assert_eq!(composition["attester"][0]["party"]["reference"], "PractitionerRole/role");
    assert!(composition["text"]["div"].as_str().unwrap().contains("Signed by Maren Tolquist"));
}

#[actix_web::test]
async fn what_cannot_be_signed() {
    let server = episode().await;
    let path = operation("finalize-letter");
    for (more, place) in [
        (json!({ "name": "kind", "valueCode": "poem" }), "http.kind"),
        (json!({ "name": "language", "valueCode": "xx" }), "http.language"),
        (json!({ "name": "words", "valueString": "x".repeat(4001) }), "http.words"),
        (json!({ "name": "digest", "part": [] }), "http.digest"),
        (replacing("Composition/none"), "http.replaces"),
        (replacing("Patient/demo-aldis"), "http.replaces"),
        (json!({ "name": "replaces", "valueString": "Composition/none" }), "http.replaces"),
    ] {
        refused(&server, &signing(&[more]), 400, "invalid", place).await;
    }
    server.get(&path).await.is_error(405, "not-supported");
    let none = "/EpisodeOfCare/none/$finalize-letter";
    server.post(none, &signing(&[])).await.is_error(404, "not-found");

    // An episode of nobody.
    let nobody = json!({ "resourceType": "EpisodeOfCare", "id": "nobody", "status": "active",
        "patient": { "display": "Somebody" } });
    server.put("/EpisodeOfCare/nobody", &nobody).await.has_status(201);
    let of_nobody = "/EpisodeOfCare/nobody/$finalize-letter";
    let answer = server.post(of_nobody, &signing(&[])).await.is_error(409, "business-rule").json();
    assert_eq!(answer["issue"][0]["expression"][0], "EpisodeOfCare.patient", "{answer}");
    // Its draft is a document all the same, with no element that is empty.
    let draft = server.get("/EpisodeOfCare/nobody/$episode-summary").await.has_status(200).json();
    let valid = server.post("/Bundle/$validate", &draft).await.has_status(200).json();
    let issues = valid["issue"].as_array().unwrap();
    let errors: Vec<&Value> = issues.iter().filter(|i| i["severity"] == "error").collect();
    assert!(errors.iter().all(|issue| issue["code"] == "required"), "{errors:#?}");
    let timeless = json!({ "resourceType": "EpisodeOfCare", "id": "timeless", "status": "active",
        "patient": { "reference": "Patient/demo-aldis" } });
    server.put("/EpisodeOfCare/timeless", &timeless).await.has_status(201);
    let of_no_time = "/EpisodeOfCare/timeless/$finalize-letter";
    let answer = server.post(of_no_time, &signing(&[])).await.is_error(409, "business-rule").json();
    assert_eq!(answer["issue"][0]["expression"][0], "EpisodeOfCare.period", "{answer}");

    let mut wrong = server.get(EPISODE).await.json();
    wrong["status"] = json!("entered-in-error");
    server.put(EPISODE, &wrong).await.has_status(200);
    refused(&server, &signing(&[]), 409, "business-rule", "EpisodeOfCare.status").await;
    server.delete(EPISODE).await.has_status(204);
    server.post(&path, &signing(&[])).await.is_error(410, "deleted");
}

#[actix_web::test]
async fn what_cannot_be_replaced() {
    let server = episode().await;
    load(&server, "02-bero-referred-on.json").await;
    let sign = |path: String, more: Vec<Value>| {
        let server = &server;
        async move { server.post(&path, &signing(&more)).await.has_status(200).json() }
    };
    // A letter of another episode.
    let other = sign("/EpisodeOfCare/demo-bero-episode/$finalize-letter".to_owned(), vec![]).await;
    let other = reference(&other, "letter");
    refused(&server, &signing(&[replacing(&other)]), 400, "invalid", "http.replaces").await;
    // A draft that a client stored, and one that claims to be final without a signature.
    let draft = server.get(&operation("episode-summary")).await.json();
    let mut draft = draft["entry"][0]["resource"].clone();
    let path = format!("/Composition/{}", draft["id"].as_str().unwrap());
    for status in ["preliminary", "final"] {
        draft["status"] = json!(status);
        server.put(&path, &draft).await;
        refused(&server, &signing(&[replacing(&path[1..])]), 400, "invalid", "http.replaces").await;
    }
    // One that was replaced before.
    let first = reference(&sign(operation("finalize-letter"), vec![]).await, "letter");
    let words = json!({ "name": "words", "valueString": "Amended." });
    let twice = vec![replacing(&first), replacing(&first), words];
    let second = sign(operation("finalize-letter"), twice).await;
    let second = server.get(&format!("/{}", reference(&second, "letter"))).await.json();
    assert_eq!(second["relatesTo"].as_array().unwrap().len(), 1, "named twice, replaced once");
    refused(&server, &signing(&[replacing(&first)]), 400, "invalid", "http.replaces").await;
}

#[actix_web::test]
async fn the_same_letter_is_signed_once() {
    let server = episode().await;
    let path = operation("finalize-letter");
    let parts = |told: &Value| {
        let list = told["parameter"].as_array().unwrap();
        let mut parts: Vec<String> = list.iter().map(ToString::to_string).collect();
        parts.sort();
        parts
    };
    let first = server.post(&path, &signing(&[])).await.has_status(200).json();
    let versions = server.versions().await;
    let again = server.post(&path, &signing(&[])).await.has_status(200).json();
    assert_eq!(parts(&first), parts(&again));
    assert_eq!(server.versions().await, versions, "nothing new was stored");

    // Another kind, language, text, signer or record makes another letter.
    let other =
        json!({ "resourceType": "Practitioner", "id": "other", "name": [{ "text": "B. Other" }] });
    server.put("/Practitioner/other", &other).await.has_status(201);
    let mut letters = vec![reference(&first, "letter")];
    for body in [
        signing(&[json!({ "name": "kind", "valueCode": "progress" })]),
        signing(&[json!({ "name": "language", "valueCode": "de" })]),
        signing(&[json!({ "name": "words", "valueString": "One." })]),
        signing(&[json!({ "name": "words", "valueString": "Two." })]),
        named("Practitioner/other"),
    ] {
        let told = server.post(&path, &body).await.has_status(200).json();
        letters.push(reference(&told, "letter"));
    }
    server.delete("/Procedure/demo-aldis-v1-t1").await.has_status(204);
    let told = server.post(&path, &signing(&[])).await.has_status(200).json();
    letters.push(reference(&told, "letter"));
    let count = letters.len();
    letters.sort();
    letters.dedup();
    assert_eq!(letters.len(), count, "each is a letter of its own");
}

/// Two at one time: one letter, told to both.
#[actix_web::test]
async fn two_requests_at_one_time_sign_once() {
    let server = episode().await;
    let path = operation("finalize-letter");
    let body = signing(&[]);
    let (one, other) = tokio::join!(server.post(&path, &body), server.post(&path, &body));
    let (one, other) = (one.has_status(200).json(), other.has_status(200).json());
    assert_eq!(reference(&one, "letter"), reference(&other, "letter"));
    let found = server.get("/Composition?patient=demo-aldis").await.json();
    assert_eq!(found["total"], 1, "{found}");
}

#[actix_web::test]
async fn what_was_read_is_what_is_signed() {
    let server = episode().await;
    let explained =
        server.get(&format!("{}?explain=true", operation("episode-summary"))).await.json();
    let digest = explained["parameter"].as_array().unwrap().last().unwrap().clone();
    assert_eq!(digest["name"], "digest");
    server.delete("/Procedure/demo-aldis-v1-t1").await.has_status(204);
    refused(&server, &signing(std::slice::from_ref(&digest)), 409, "conflict", "http.digest").await;
    let explained =
        server.get(&format!("{}?explain=true", operation("episode-summary"))).await.json();
    let now = explained["parameter"].as_array().unwrap().last().unwrap().clone();
    assert_ne!(now, digest);
    let told =
        server.post(&operation("finalize-letter"), &signing(std::slice::from_ref(&now))).await;
    let provenance = reference(&told.has_status(200).json(), "provenance");
    let provenance = server.get(&format!("/{provenance}")).await.json();
    assert_eq!(provenance["entity"][0]["what"]["identifier"]["value"], now["valueUri"]);
}
