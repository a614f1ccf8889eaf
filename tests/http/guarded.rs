//! Clinics that ask for tokens: a server, its tokens, the records of two patients.

use std::sync::mpsc;

use serde_json::{Value, json};
use spondyl::access::token::Tokens;
use spondyl::app::App;
use spondyl::config::{Authorisation, Config};
use spondyl::fhir::{Id, Instant, ResourceType};
use spondyl::smart::{Access, Scope};

use crate::client::{Answer, Server, patient, reference, with_id};

/// A server that asks for tokens, with tokens for those scopes: each for the patient and the user
/// that stand behind it, where there are any.
pub(crate) struct Guarded {
    pub(crate) server: Server,
    pub(crate) tokens: Vec<String>,
}

pub(crate) type Given<'a> = (&'a str, Option<&'a str>, Option<&'a str>);

impl Guarded {
    /// The first token is for everything.
    pub(crate) fn start(given: &[Given<'_>]) -> Self {
        Self::with(Config::default(), given)
    }

    /// Beside its own store in memory it keeps files there.
    pub(crate) fn in_directory(data: &std::path::Path, given: &[Given<'_>]) -> Self {
        Self::with(Config { data: data.to_owned(), ..Config::default() }, given)
    }

    pub(crate) fn with(config: Config, given: &[Given<'_>]) -> Self {
        let config = Config { access: Authorisation::Smart, ..config };
        let (tell, told) = mpsc::channel();
        let all = [("system/*.cruds", None, None)].iter().chain(given);
        let accesses: Vec<Access> = all.map(|given| access(*given)).collect();
        let server = Server::guarded(config, move |app: &App| {
            let tokens = Tokens::of(app.store.clone());
            for access in &accesses {
                let ends = Instant::from_millis(i64::MAX);
                tell.send(tokens.issue(access, Instant::from_millis(0), ends).unwrap()).unwrap();
            }
        });
        Self { server, tokens: told.iter().collect() }
    }

    pub(crate) async fn send(&self, who: usize, method: &str, path: &str, body: &Value) -> Answer {
        let bearer = format!("Bearer {}", self.tokens[who]);
        let headers = [("Authorization", bearer.as_str()), crate::client::JSON];
        let body = if body.is_null() { String::new() } else { body.to_string() };
        self.server.send(method, path, &headers, body).await
    }

    pub(crate) async fn get(&self, who: usize, path: &str) -> Answer {
        self.send(who, "GET", path, &Value::Null).await
    }

    /// As the one who may do everything.
    pub(crate) async fn put(&self, id: &str, value: &Value) {
        let path = format!("/{}/{id}", value["resourceType"].as_str().unwrap());
        let answer = self.send(0, "PUT", &path, &with_id(value.clone(), id)).await;
        assert!([200, 201].contains(&answer.status), "{}", answer.text);
    }
}

pub(crate) fn access((scopes, patient, user): Given<'_>) -> Access {
    let user = user.map(|user| {
        let (kind, id) = user.split_once('/').unwrap();
        (ResourceType::parse(kind).unwrap(), Id::parse(id).unwrap())
    });
    let patient = patient.map(|id| Id::parse(id).unwrap());
    Access { client: "test".to_owned(), scopes: Scope::all(scopes), patient, user }
}

pub(crate) fn observation(of: &str, code: &str, value: u32) -> Value {
    json!({
        "resourceType": "Observation", "status": "final",
        "category": [{ "coding": [{
            "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam" }] }],
        "code": { "coding": [{ "system": "http://example.org/codes", "code": code }] },
        "subject": reference(&format!("Patient/{of}")),
        "encounter": reference(&format!("Encounter/{of}-visit")),
        "performer": [reference("Practitioner/hands")],
        "effectiveDateTime": format!("2026-03-{:02}", 1 + value % 28),
        "valueQuantity": { "value": value, "unit": "deg", "system": "http://unitsofmeasure.org", "code": "deg" },
        "note": [{ "text": format!("mark{of}") }]
    })
}

/// The records of a patient, under ids that begin with the patient's.
pub(crate) fn records(of: &str) -> Vec<(String, Value)> {
    let subject = reference(&format!("Patient/{of}"));
    let (episode, visit) = (format!("{of}-episode"), format!("{of}-visit"));
    let mut named = patient(&format!("Mark{of}"));
    named["generalPractitioner"] = json!([reference("Practitioner/hands")]);
    let mut all = vec![
        (of.to_owned(), named),
        (
            episode.clone(),
            json!({ "resourceType": "EpisodeOfCare", "status": "active",
            "patient": subject, "careManager": reference("Practitioner/hands") }),
        ),
        (
            visit.clone(),
            json!({ "resourceType": "Encounter", "status": "finished",
            "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" },
            "subject": subject, "episodeOfCare": [reference(&format!("EpisodeOfCare/{episode}"))] }),
        ),
        (
            format!("{of}-condition"),
            json!({ "resourceType": "Condition", "subject": subject,
            "code": { "text": format!("mark{of}") } }),
        ),
        (
            format!("{of}-procedure"),
            json!({ "resourceType": "Procedure", "status": "completed",
            "subject": subject, "encounter": reference(&format!("Encounter/{visit}")) }),
        ),
        (
            format!("{of}-flag"),
            json!({ "resourceType": "Flag", "status": "active",
            "code": { "text": format!("mark{of}") }, "subject": subject }),
        ),
        (
            format!("{of}-letter"),
            json!({ "resourceType": "Composition", "status": "final",
            "type": { "text": "letter" }, "subject": subject, "date": "2026-04-01",
            "author": [reference("Practitioner/hands")], "title": format!("mark{of}") }),
        ),
        (
            format!("{of}-binary"),
            json!({ "resourceType": "Binary", "contentType": "text/plain",
            "securityContext": subject, "data": "bWFyaw==" }),
        ),
        (
            format!("{of}-origin"),
            json!({ "resourceType": "Provenance",
            "target": [reference(&format!("Observation/{of}-o1"))], "recorded": "2026-04-01T00:00:00Z",
            "agent": [{ "who": reference("Practitioner/hands") }] }),
        ),
        (
            format!("{of}-list"),
            json!({ "resourceType": "List", "status": "current", "mode": "working",
            "subject": subject, "entry": [{ "item": reference(&format!("Observation/{of}-o1")) }] }),
        ),
    ];
    for number in 1..=6 {
        let code = ["flexion", "rotation", "pain"][number as usize % 3];
        all.push((format!("{of}-o{number}"), observation(of, code, number * 7)));
    }
    all
}

pub(crate) fn shared() -> Vec<(String, Value)> {
    vec![
        (
            "hands".to_owned(),
            json!({ "resourceType": "Practitioner", "name": [{ "family": "Hands" }] }),
        ),
        ("house".to_owned(), json!({ "resourceType": "Organization", "name": "House" })),
    ]
}
