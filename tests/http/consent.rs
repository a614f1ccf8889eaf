//! Consents that deny: what of a patient leaves as a letter or an export, and to whom.
//!
//! Source: <http://hl7.org/fhir/R4/consent.html>; that a denial is told in the audit trail:
//! <https://profiles.ihe.net/ITI/BALP/>, "Consent Authorized Decision Audit Message".

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::client::{Server, reference};
use crate::guarded::{Guarded, records, shared};

fn denial(of: &str, provision: Value) -> Value {
    json!({ "resourceType": "Consent", "status": "active",
        "scope": { "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/consentscope",
            "code": "patient-privacy" }] },
        "category": [{ "coding": [{ "system": "http://loinc.org", "code": "59284-0" }] }],
        "patient": reference(&format!("Patient/{of}")),
        "policyRule": { "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
            "code": "OPTIN" }] },
        "provision": provision })
}

async fn clinic() -> Guarded {
    let guarded = Guarded::start(&[
        ("system/AuditEvent.rs", None, None),
        ("user/*.rs", None, Some("Practitioner/hands")),
        ("user/*.rs", None, Some("Practitioner/other")),
    ]);
    for (id, value) in records("alba").into_iter().chain(records("brun")).chain(shared()) {
        guarded.put(&id, &value).await;
    }
    guarded
}

/// The events of that subtype, as soon as there are so many: they are written a moment later.
async fn told(guarded: &Guarded, subtype: &str, count: usize) -> Vec<Value> {
    let path = format!("/AuditEvent?subtype={subtype}&_sort=_id");
    for _ in 0..500 {
        let found = guarded.get(1, &path).await.json();
        let entries = found["entry"].as_array().cloned().unwrap_or_default();
        if entries.len() >= count {
            return entries.into_iter().map(|mut entry| entry["resource"].take()).collect();
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    panic!("fewer than {count} of {subtype}");
}

/// Where what leaves of a patient is asked for.
fn leaving(server: &Server, of: &str) -> [String; 3] {
    [
        format!("/EpisodeOfCare/{of}-episode/$episode-summary"),
        format!("/Composition/{of}-letter/$document"),
        format!("http://{}/episodes/{of}-episode/letters", server.address()),
    ]
}

#[actix_web::test]
async fn letters_of_who_denies_are_withheld_from_whom_they_name() {
    let guarded = clinic().await;
    let hands = json!([{ "reference": reference("Practitioner/hands"), "role": { "coding": [{ "code": "IRCP" }] } }]);
    let named = denial("alba", json!({ "type": "deny", "actor": hands }));
    guarded.put("no", &named).await;
    for path in leaving(&guarded.server, "alba") {
        let answer = guarded.get(2, &path).await.has_status(403);
        assert!(answer.text.contains("consent"), "{path}: {}", answer.text);
        // To another, and of another.
        assert_eq!(guarded.get(0, &path).await.status, 200, "{path}");
    }
    for path in leaving(&guarded.server, "brun") {
        guarded.get(2, &path).await.has_status(200);
    }
    let sign = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "attester", "valueReference": reference("Practitioner/hands") }] });
    let path = "/EpisodeOfCare/alba-episode/$finalize-letter";
    // The record itself stays open to who treats.
    guarded.get(2, "/Observation/alba-o1").await.has_status(200);
    guarded.put("no", &denial("alba", json!({ "type": "deny" }))).await;
    let answer = guarded.send(0, "POST", path, &sign).await.has_status(403);
    assert!(answer.text.contains("consent"), "{}", answer.text);
    // Ended, it denies nothing any more.
    let mut ended = named;
    ended["status"] = json!("inactive");
    guarded.put("no", &ended).await;
    guarded.get(2, &leaving(&guarded.server, "alba")[0]).await.has_status(200);
    // The decisions are told.
    let told = told(&guarded, "AuthZ-Consent", 4).await;
    let event = &told[0];
    assert_eq!((&event["outcome"], &event["type"]["code"]), (&json!("8"), &json!("110113")));
    let entities = event["entity"].to_string();
    assert!(entities.contains("Consent/no") && entities.contains("Patient/alba"), "{entities}");
}

/// An export leaves out who denies it, and says so in the trail; who is in it is told one by one.
#[actix_web::test]
async fn exports_leave_out_who_denies_them() {
    let data = tempfile::tempdir().unwrap();
    let guarded = Guarded::in_directory(data.path(), &[("system/AuditEvent.rs", None, None)]);
    for (id, value) in records("alba").into_iter().chain(records("brun")).chain(shared()) {
        guarded.put(&id, &value).await;
    }
    guarded.put("no", &denial("alba", json!({ "type": "deny" }))).await;
    let bearer = format!("Bearer {}", guarded.tokens[0]);
    for path in ["/$export", "/Patient/$export"] {
        let headers = [("Authorization", &*bearer), ("Prefer", "respond-async")];
        let begun = guarded.server.send("GET", path, &headers, "").await.has_status(202);
        let status = begun.header("Content-Location").to_owned();
        let manifest = loop {
            let answer = guarded.get(0, &status).await;
            if answer.status == 200 {
                break answer.json();
            }
            // Who asks again too soon is told so, and asks as soon as it may for all that.
            assert!([202, 429].contains(&answer.status), "{}", answer.text);
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        };
        let mut kinds = BTreeSet::new();
        for output in manifest["output"].as_array().unwrap() {
            let lines = guarded.get(0, output["url"].as_str().unwrap()).await.has_status(200);
            assert!(!lines.text.contains("alba"), "{}", lines.text);
            kinds.insert(output["type"].as_str().unwrap().to_owned());
        }
        for kind in ["Patient", "Observation", "Binary", "Provenance", "List"] {
            assert!(kinds.contains(kind), "{path}: {kinds:?}");
        }
    }
    let of = |event: &Value| event["entity"][0]["what"]["reference"].clone();
    for (subtype, patient) in [("disclose", "Patient/brun"), ("AuthZ-Consent", "Patient/alba")] {
        let told = told(&guarded, subtype, 2).await;
        assert_eq!(told.iter().map(of).collect::<Vec<_>>(), [patient; 2], "{told:?}");
    }
}
