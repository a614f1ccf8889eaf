//! What the server is set to make of the rules: levels by type, profiles that it requires, profiles
//! that it does not know. The standard leaves these to servers:
//! <http://hl7.org/fhir/R4/validation.html>, <http://hl7.org/fhir/R4/profiling.html#supporting>.

use serde_json::{Value, json};
use spondyl::app::{App, Standard};
use spondyl::config::{Config, UnknownProfile};
use spondyl::store::MemoryStore;
use std::sync::Arc;

use crate::client::{JSON, Server, patient, with_id};

fn server(validation: &[&str], required: &[&str], unknown_profile: UnknownProfile) -> Server {
    let texts = |list: &[&str]| list.iter().map(|text| (*text).to_owned()).collect();
    let (validation, require_profile) = (texts(validation), texts(required));
    Server::with(Config { validation, require_profile, unknown_profile, ..Config::default() })
}

fn tags(resource: &Value) -> Vec<&str> {
    let tags = resource["meta"]["tag"].as_array().into_iter().flatten();
    tags.map(|tag| tag["code"].as_str().unwrap()).collect()
}

fn born_never() -> Value {
    json!({ "resourceType": "Patient", "id": "p1", "birthDate": "2023-02-30",
        "meta": { "tag": [{ "system": "http://a.example", "code": "kept" }] } })
}

/// Content that breaks rules is stored with a tag, which goes when it is mended.
#[actix_web::test]
async fn stored_with_a_tag() {
    let server = server(&["Patient=tag"], &[], UnknownProfile::Warn);
    let prefer = ("Prefer", "return=OperationOutcome");
    let body = born_never();
    let answer = server.send("PUT", "/Patient/p1", &[JSON, prefer], body.to_string()).await;
    let issue = &answer.has_status(201).json()["issue"][0];
    assert_eq!(issue["severity"], "warning");
    assert_eq!(issue["details"]["coding"][0]["code"], "no-such-day");
    let stored = server.get("/Patient/p1").await.has_status(200).json();
    assert_eq!(tags(&stored), ["kept", "not-valid"]);
    assert_eq!(stored["birthDate"], "2023-02-30");
    let found = server.get("/Patient?_tag=not-valid").await.has_status(200).json();
    assert_eq!(found["entry"].as_array().unwrap().len(), 1);
    let told = server.get("/Patient/p1/$validate").await.has_status(200).json();
    assert_eq!(told["issue"][0]["severity"], "error");
    let mut mended = stored.clone();
    mended["birthDate"] = json!("2023-02-28");
    server.put("/Patient/p1", &mended).await.has_status(200);
    assert_eq!(tags(&server.get("/Patient/p1").await.json()), ["kept"]);
    // Other types are refused as ever.
    let bad = json!({ "resourceType": "Basic", "code": { "text": "" } });
    server.post("/Basic", &bad).await.has_status(422);
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        { "resource": born_never(), "request": { "method": "PUT", "url": "Patient/p1" } } ] });
    server.post("", &bundle).await.has_status(200);
    assert_eq!(tags(&server.get("/Patient/p1").await.json()), ["kept", "not-valid"]);
}

/// Without validation nothing is told, and nothing is tagged.
#[actix_web::test]
async fn not_validated() {
    let server = server(&["*=off", "Basic=refuse"], &[], UnknownProfile::Warn);
    server.put("/Patient/p1", &born_never()).await.has_status(201);
    assert_eq!(tags(&server.get("/Patient/p1").await.json()), ["kept"]);
    server.post("/Basic", &json!({ "resourceType": "Basic" })).await.has_status(422);
}

/// What could harm a reader, and what is not R4, is refused at every level.
#[actix_web::test]
async fn security_is_always_on() {
    for level in ["*=tag", "*=off"] {
        let server = server(&[level], &[], UnknownProfile::Warn);
        for inner in [
            "<script>f()</script>",
            "<p onclick=\"f()\">x</p>",
            "<a href=\"javascript:f()\">x</a>",
            "<p>x",
        ] {
            let mut body = patient("A");
            let div = format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{inner}</div>");
            body["text"] = json!({ "status": "generated", "div": div });
            let answer = server.post("/Patient", &body).await;
            assert!([400, 422].contains(&answer.status), "{level} {inner}: {}", answer.text);
            let contained = json!({ "resourceType": "Basic", "code": { "text": "x" },
                "contained": [with_id(body, "c")], "subject": { "reference": "#c" } });
            let answer = server.post("/Basic", &contained).await;
            assert!([400, 422].contains(&answer.status), "{level} {inner}: {}", answer.text);
        }
        let odd = json!({ "resourceType": "Patient", "shoeSize": 44 });
        server.post("/Patient", &odd).await.is_error(400, "structure");
        let odd = json!({ "resourceType": "Patient", "name": { "family": "A" } });
        server.post("/Patient", &odd).await.is_error(400, "structure");
        let mut part = patient("A");
        part["meta"] = json!({ "tag": [{ "code": "SUBSETTED",
            "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue" }] });
        server.post("/Patient", &part).await.is_error(422, "business-rule");
        assert_eq!(server.versions().await, 0);
    }
}

const VITAL: &str = "http://hl7.org/fhir/StructureDefinition/vitalsigns";

/// A required profile is asked of what it is for, whatever that claims, and named in the answer.
#[actix_web::test]
async fn required_profiles() {
    let required = format!("Observation?category=vital-signs={VITAL}");
    let server = server(&[], &[&required], UnknownProfile::Warn);
    let mut body =
        json!({ "resourceType": "Observation", "status": "final", "code": { "text": "x" } });
    server.post("/Observation", &body).await.has_status(201);
    let system = "http://terminology.hl7.org/CodeSystem/observation-category";
    body["category"] = json!([{ "coding": [{ "system": system, "code": "vital-signs" }] }]);
    let refused = server.post("/Observation", &body).await.has_status(422).json();
    let issues = refused["issue"].as_array().unwrap();
    let named = |issue: &&Value| issue["details"]["text"].as_str().unwrap().contains(VITAL);
    assert!(issues.iter().filter(named).count() > 0, "{refused}");
    let told = server.post("/Observation/$validate", &body).await.has_status(200).json();
    // The narrative that it lacks is told as well.
    assert_eq!(told["issue"].as_array().unwrap().len(), issues.len() + 1);
    // Claimed or not, each cause is told once.
    body["meta"] = json!({ "profile": [VITAL] });
    let claimed = server.post("/Observation", &body).await.has_status(422).json();
    assert_eq!(claimed["issue"].as_array().unwrap().len(), issues.len());
}

/// What was asked for and cannot be promised is refused.
#[actix_web::test]
async fn a_required_profile_that_is_not_held() {
    let server = server(&[], &["Patient=http://a.example/none"], UnknownProfile::Warn);
    let refused = server.post("/Patient", &patient("A")).await.has_status(422).json();
    assert_eq!(refused["issue"][0]["details"]["coding"][0]["code"], "profile-required");
    server
        .post("/Basic", &json!({ "resourceType": "Basic", "code": { "text": "x" } }))
        .await
        .has_status(201);
}

#[actix_web::test]
async fn claims_of_unknown_profiles() {
    let mut body = patient("A");
    body["meta"] = json!({ "profile": ["http://a.example/none"] });
    for (setting, status, severity) in
        [(UnknownProfile::Warn, 201, "warning"), (UnknownProfile::Refuse, 422, "error")]
    {
        let server = server(&[], &[], setting);
        let prefer = ("Prefer", "return=OperationOutcome");
        let answer = server.send("POST", "/Patient", &[JSON, prefer], body.to_string()).await;
        let issue = &answer.has_status(status).json()["issue"][0];
        assert_eq!(issue["severity"], severity);
        assert_eq!(issue["details"]["coding"][0]["code"], "profile-unknown");
        assert_eq!(issue["expression"][0], "Patient.meta.profile[0]");
        assert!(issue["details"]["text"].as_str().unwrap().contains("http://a.example/none"));
    }
}

/// A setting of another form keeps the server from starting, and is named.
#[test]
fn settings_of_another_form() {
    let standard = Arc::new(Standard::embedded().unwrap());
    let start = |config| App::on(config, Box::new(MemoryStore::new()), Arc::clone(&standard));
    for (validation, require_profile) in [("Patient", ""), ("Hat=tag", ""), ("", "Patient=")] {
        let list = |text: &str| -> Vec<String> {
            Some(text.to_owned()).filter(|text| !text.is_empty()).into_iter().collect()
        };
        let named = format!("{validation}{require_profile}");
        let (validation, require_profile) = (list(validation), list(require_profile));
        let config = Config { validation, require_profile, ..Config::default() };
        let refused = start(config).err().unwrap().to_string();
        assert!(refused.contains(&named), "{refused}");
    }
}
