//! transaction and batch: <http://hl7.org/fhir/R4/http.html#transaction>.

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient, with_id};

const A: &str = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0";
const B: &str = "urn:uuid:4f8b1a6e-2f5b-4f0e-9a57-6b6f0f7f3c11";

fn bundle(kind: &str, entries: Vec<Value>) -> Value {
    json!({ "resourceType": "Bundle", "type": kind, "entry": entries })
}

fn request(method: &str, url: &str) -> Value {
    json!({ "request": { "method": method, "url": url } })
}

fn entry(method: &str, url: &str, full_url: Option<&str>, resource: Value) -> Value {
    let mut entry = request(method, url);
    entry["resource"] = resource;
    if let Some(full_url) = full_url {
        entry["fullUrl"] = json!(full_url);
    }
    entry
}

fn observation(subject: &str) -> Value {
    json!({
        "resourceType": "Observation", "status": "final", "code": { "text": "x" },
        "subject": { "reference": subject },
    })
}

/// The status and location of each entry.
fn told(answer: &Value) -> Vec<(String, String)> {
    let text = |entry: &Value, name| entry["response"][name].as_str().unwrap_or("").to_owned();
    let entries = answer["entry"].as_array().unwrap();
    entries.iter().map(|entry| (text(entry, "status"), text(entry, "location"))).collect()
}

/// 3.1.0.11.2: references between new resources, both ways; the answer in the order of the request.
#[actix_web::test]
async fn references_are_turned() {
    let server = Server::start();
    let mut first = patient("A");
    first["link"] = json!([{ "other": { "reference": B }, "type": "seealso" }]);
    let mut second = patient("B");
    second["link"] = json!([{ "other": { "reference": A }, "type": "seealso" }]);
    let sent = bundle(
        "transaction",
        vec![
            entry("POST", "Observation", None, observation(A)),
            entry("POST", "Patient", Some(A), first),
            entry("PUT", "Patient/b", Some(B), with_id(second, "b")),
        ],
    );
    let answer = server.post("", &sent).await.has_status(200).json();
    assert_eq!(answer["type"], "transaction-response");
    let told = told(&answer);
    assert!(told.iter().all(|(status, _)| status == "201 Created"), "{told:?}");
    let id = told[1].1.strip_prefix("Patient/").unwrap().strip_suffix("/_history/1").unwrap();
    assert_eq!(told[2].1, "Patient/b/_history/1");
    assert!(told[0].1.starts_with("Observation/"));
    assert_eq!(answer["entry"][2]["response"]["etag"], "W/\"1\"");
    assert!(answer["entry"][2]["response"]["lastModified"].is_string());
    let observation = server.get(&format!("/{}", told[0].1)).await.has_status(200).json();
    assert_eq!(observation["subject"]["reference"], format!("Patient/{id}"));
    let b = server.get("/Patient/b").await.json();
    assert_eq!(b["link"][0]["other"]["reference"], format!("Patient/{id}"));
    let a = server.get(&format!("/Patient/{id}")).await.json();
    assert_eq!(a["link"][0]["other"]["reference"], "Patient/b");
}

/// 3.1.0.11.2: any permutation of the entries gives the same state; reads see what was written.
#[actix_web::test]
async fn order_of_entries_does_not_matter() {
    for turn in 0..4 {
        let server = Server::start();
        server.put("/Patient/gone", &with_id(patient("A"), "gone")).await.has_status(201);
        let mut entries = vec![
            request("GET", "Patient/new"),
            request("DELETE", "Patient/gone"),
            entry("PUT", "Patient/new", None, with_id(patient("B"), "new")),
            request("GET", "Patient?family=b"),
        ];
        entries.rotate_left(turn);
        let answer = server.post("", &bundle("transaction", entries)).await.has_status(200).json();
        let at = |place: usize| &answer["entry"][(place + 4 - turn) % 4];
        assert_eq!(at(0)["resource"]["name"][0]["family"], "B");
        assert_eq!(at(1)["response"]["status"], "204 No Content");
        assert_eq!(at(2)["response"]["status"], "201 Created");
        assert_eq!(at(3)["resource"]["entry"][0]["resource"]["id"], "new");
        server.get("/Patient/gone").await.is_error(410, "deleted");
        let history = server.get("/_history").await.json();
        assert_eq!(history["entry"].as_array().unwrap().len(), 3);
    }
}

/// 3.1.0.11.2: whatever is wrong with one entry, nothing is done; the fault is told with its place.
#[actix_web::test]
async fn all_or_nothing() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    server.put("/Patient/p0", &with_id(patient("A"), "p0")).await.has_status(201);
    let good = || entry("POST", "Patient", None, patient("B"));
    let mut stale = entry("PUT", "Patient/p1", None, with_id(patient("B"), "p1"));
    stale["request"]["ifMatch"] = json!("W/\"7\"");
    let invalid = json!({ "resourceType": "Observation", "code": { "text": "x" } });
    let cases = [
        (entry("POST", "Observation", None, invalid), 422, "Bundle.entry[2].resource"),
        (
            entry("POST", "Patient", None, observation(A)),
            400,
            "Bundle.entry[2].resource.resourceType",
        ),
        (
            entry("POST", "Observation", None, observation(A)),
            422,
            "Bundle.entry[2].resource.subject.reference",
        ),
        (
            entry("POST", "Observation", None, observation("Patient?family=none")),
            422,
            "Bundle.entry[2].resource.subject.reference",
        ),
        (
            entry("PUT", "Patient/p2", None, with_id(patient("B"), "p3")),
            400,
            "Bundle.entry[2].resource.id",
        ),
        (entry("PUT", "Patient/p2", None, patient("B")), 400, "Bundle.entry[2].resource.id"),
        (stale, 412, "Bundle.entry[2]"),
        (request("GET", "Patient/never"), 404, "Bundle.entry[2]"),
        (request("GET", "Patient?birthdate=x"), 400, "Bundle.entry[2].request.birthdate"),
        (request("DELETE", "Patient?family=A"), 412, "Bundle.entry[2]"),
        (request("DELETE", "Patient"), 400, "Bundle.entry[2].request.url"),
        (request("PATCH", "Patient/p1"), 400, "Bundle.entry[2].resource"),
        (request("POST", "Patient"), 400, "Bundle.entry[2].resource"),
        (request("GET", "http://elsewhere.example/Patient/1"), 400, "Bundle.entry[2].request.url"),
        (json!({ "resource": patient("B") }), 422, "Bundle.entry[2]"),
    ];
    for (bad, status, place) in cases {
        let sent =
            bundle("transaction", vec![good(), request("DELETE", "Patient/p0"), bad.clone()]);
        let answer = server.post("", &sent).await.has_status(status).json();
        assert_eq!(answer["resourceType"], "OperationOutcome");
        let issues = answer["issue"].as_array().unwrap();
        let places = issues.iter().map(|issue| issue["expression"][0].as_str().unwrap_or(""));
        assert!(places.clone().any(|text| text.starts_with(place)), "{place}: {answer}");
        assert_eq!(server.versions().await, 2, "{bad}");
    }
    server.get("/Patient/p0").await.has_status(200);
}

/// Faults of several entries are told at once.
#[actix_web::test]
async fn all_faults_at_once() {
    let server = Server::start();
    let invalid = json!({ "resourceType": "Observation", "code": { "text": "x" } });
    let entries = (0..3).map(|_| entry("POST", "Observation", None, invalid.clone())).collect();
    let answer = server.post("", &bundle("transaction", entries)).await.has_status(422).json();
    for place in 0..3 {
        let place = format!("Bundle.entry[{place}].resource");
        let issues = answer["issue"].as_array().unwrap();
        let mut places = issues.iter().filter_map(|issue| issue["expression"][0].as_str());
        assert!(places.any(|text| text.starts_with(&place)), "{place}: {answer}");
    }
}

/// 3.1.0.11.2: the same resource must not be written twice.
#[actix_web::test]
async fn identities_must_not_overlap() {
    let server = Server::start();
    let put = || entry("PUT", "Patient/p1", None, with_id(patient("A"), "p1"));
    let post = || entry("POST", "Patient", Some(A), patient("A"));
    let mut conditional = post();
    conditional["request"]["ifNoneExist"] = json!("family=A");
    let mut other = conditional.clone();
    other["fullUrl"] = json!(B);
    for entries in [
        vec![put(), put()],
        vec![put(), request("DELETE", "Patient/p1")],
        vec![post(), post()],
        vec![conditional, other],
    ] {
        let answer = server.post("", &bundle("transaction", entries)).await;
        assert!([400, 422].contains(&answer.status), "{}", answer.text);
        assert_eq!(server.versions().await, 0);
    }
}

/// bundle.html#transaction, 3.1.0.8.1: ifNoneExist; links to the entry lead to what was found.
#[actix_web::test]
async fn conditional_create_in_a_transaction() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let mut conditional = entry("POST", "Patient", Some(A), patient("A"));
    conditional["request"]["ifNoneExist"] = json!("family=A");
    let sent = bundle(
        "transaction",
        vec![conditional, entry("PUT", "Observation/o1", None, with_id(observation(A), "o1"))],
    );
    let answer = server.post("", &sent).await.has_status(200).json();
    assert_eq!(told(&answer)[0], ("200 OK".to_owned(), "Patient/p1/_history/1".to_owned()));
    let found = server.get("/Observation/o1").await.json();
    assert_eq!(found["subject"]["reference"], "Patient/p1");
    assert_eq!(server.versions().await, 2);
}

/// 3.1.0.11.2: conditional references see what was there and what the transaction makes.
#[actix_web::test]
async fn conditional_references() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("Old"), "p1")).await.has_status(201);
    let sent = bundle(
        "transaction",
        vec![
            entry("PUT", "Observation/o1", None, with_id(observation("Patient?family=Old"), "o1")),
            entry("PUT", "Observation/o2", None, with_id(observation("Patient?family=New"), "o2")),
            entry("PUT", "Patient/p2", None, with_id(patient("New"), "p2")),
        ],
    );
    server.post("", &sent).await.has_status(200);
    for (id, subject) in [("o1", "Patient/p1"), ("o2", "Patient/p2")] {
        let found = server.get(&format!("/Observation/{id}")).await.json();
        assert_eq!(found["subject"]["reference"], subject);
    }
    server.put("/Patient/p3", &with_id(patient("New"), "p3")).await.has_status(201);
    server.post("", &sent).await.is_error(412, "multiple-matches");
    let plain = with_id(observation("Patient?family=Old"), "o9");
    server.put("/Observation/o9", &plain).await.is_error(400, "structure");
}

/// 3.1.0.1.8: what comes back per entry.
#[actix_web::test]
async fn prefer_return() {
    let server = Server::start();
    let sent =
        bundle("transaction", vec![entry("POST", "Patient", None, patient("A"))]).to_string();
    for (prefer, resource, outcome) in [
        ("return=minimal", false, false),
        ("return=representation", true, false),
        ("return=OperationOutcome", false, true),
    ] {
        let headers = [JSON, ("Prefer", prefer)];
        let answer = server.send("POST", "", &headers, sent.clone()).await.has_status(200);
        assert_eq!(answer.header("Preference-Applied"), prefer);
        let entry = &answer.json()["entry"][0];
        assert_eq!(entry.get("resource").is_some(), resource);
        assert_eq!(entry["response"].get("outcome").is_some(), outcome);
    }
}

/// 3.1.0.11.1: each entry for itself.
#[actix_web::test]
async fn batch() {
    let server = Server::start();
    let mut fresh = entry("PUT", "Patient/p1", None, with_id(patient("A"), "p1"));
    fresh["request"]["ifNoneMatch"] = json!("*");
    let sent = bundle(
        "batch",
        vec![
            fresh.clone(),
            request("GET", "Patient/never"),
            entry("POST", "Observation", None, json!({ "resourceType": "Observation" })),
            request("GET", "Patient/p1"),
            fresh,
            request("GET", "Patient/p1/_history"),
            entry("POST", "Patient", Some(A), patient("B")),
            entry("POST", "Observation", None, observation(A)),
            request("DELETE", "Patient/p1"),
            json!({ "resource": patient("C") }),
            request("HEAD", "Patient/p1/_history/1"),
        ],
    );
    let answer = server.post("", &sent).await.has_status(200).json();
    assert_eq!(answer["type"], "batch-response");
    let statuses: Vec<_> = told(&answer).into_iter().map(|(s, _)| s[..3].to_owned()).collect();
    let expected = ["201", "404", "422", "200", "412", "200", "201", "400", "204", "400", "200"];
    assert_eq!(statuses, expected, "{answer:#}");
    assert_eq!(answer["entry"][1]["response"]["outcome"]["issue"][0]["code"], "not-found");
    assert_eq!(answer["entry"][3]["resource"]["id"], "p1");
    assert_eq!(answer["entry"][5]["resource"]["type"], "history");
    assert!(answer["entry"][10].get("resource").is_none());
}

/// 3.1.0.11.4: other Bundles are stored, not carried out; a stored one is not carried out either.
#[actix_web::test]
async fn other_bundles() {
    let server = Server::start();
    server.post("", &bundle("collection", vec![])).await.has_status(400);
    server.post("", &patient("A")).await.is_error(400, "invalid");
    let sent = bundle("transaction", vec![entry("POST", "Patient", Some(A), patient("A"))]);
    let stored = server.post("/Bundle", &sent).await.has_status(201).json();
    assert_eq!(stored["entry"], sent["entry"]);
    assert_eq!(server.versions().await, 1);
}
