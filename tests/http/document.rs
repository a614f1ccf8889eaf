//! `$document`: <http://hl7.org/fhir/R4/composition-operation-document.html>,
//! <http://hl7.org/fhir/R4/documents.html>.

use serde_json::{Value, json};

use crate::client::{Server, patient, put, reference};
use crate::letter::{self, episode, operation, signing};

fn told(bundle: &Value) -> Vec<String> {
    let entries = bundle["entry"].as_array().unwrap();
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let one = |entry: &Value| {
        let resource = &entry["resource"];
        format!("{}/{}", text(&resource["resourceType"]), text(&resource["id"]))
    };
    entries.iter().map(one).collect()
}

fn observation(subject: &str) -> Value {
    json!({ "resourceType": "Observation", "status": "final", "code": { "text": "Invented" },
        "subject": reference(subject) })
}

fn composition() -> Value {
    json!({ "resourceType": "Composition", "status": "final", "date": "2026-03-02",
        "type": { "coding": [{ "system": "http://loinc.org", "code": "34133-9" }] },
        "title": "Invented", "subject": reference("Patient/p1"),
        "author": [reference("PractitionerRole/role")],
        "relatesTo": [{ "code": "appends", "targetReference": reference("Composition/older") }],
        "section": [
            { "title": "One", "entry": [reference("Observation/o1")] },
            { "title": "Two", "section": [{ "title": "Three",
                "entry": [reference("Observation/o1"), reference("Observation/o2")] }] },
        ] })
}

async fn clinic() -> Server {
    let server = Server::start();
    put(&server, "org", json!({ "resourceType": "Organization", "name": "Practice" })).await;
    put(&server, "dr", json!({ "resourceType": "Practitioner", "name": [{ "family": "A" }] }))
        .await;
    put(&server, "role", json!({ "resourceType": "PractitionerRole",
        "practitioner": reference("Practitioner/dr"), "organization": reference("Organization/org"),
    })).await;
    for id in ["p1", "p2"] {
        put(&server, id, patient(id)).await;
    }
    put(&server, "o1", observation("Patient/p1")).await;
    let mut derived = observation("Patient/p1");
    derived["derivedFrom"] = json!([
        reference("Observation/o3"),
        reference("Observation/none"),
        reference("http://other.example/fhir/Observation/o9")
    ]);
    put(&server, "o2", derived).await;
    put(&server, "o3", observation("Patient/p2")).await;
    put(&server, "o4", observation("Patient/p1")).await;
    put(&server, "c1", composition()).await;
    server
}

/// documents.html#content: the Composition first, all that it lists, each once, under full URLs
/// (bdl-9, bdl-10, bdl-11); what is further away as far as it is here; no other patient.
#[actix_web::test]
async fn all_that_a_composition_lists() {
    let server = clinic().await;
    let bundle = server.get("/Composition/c1/$document").await.has_status(200).json();
    assert_eq!((&bundle["resourceType"], &bundle["type"]), (&json!("Bundle"), &json!("document")));
    assert_eq!(
        told(&bundle),
        [
            "Composition/c1",
            "Patient/p1",
            "PractitionerRole/role",
            "Observation/o1",
            "Observation/o2",
            "Practitioner/dr",
            "Organization/org",
            "Observation/o3",
        ]
    );
    assert_eq!(bundle["entry"][1]["fullUrl"], server.base() + "/Patient/p1");
    assert!(bundle["timestamp"].is_string() && bundle["identifier"]["system"].is_string());
    let valid = server.post("/Bundle/$validate", &bundle).await.has_status(200).json();
    let errors = valid["issue"].as_array().unwrap().iter().filter(|i| i["severity"] == "error");
    assert_eq!(errors.count(), 0, "{valid:#}");
    assert_eq!(server.get("/Bundle").await.json()["total"], 0, "nothing is stored unasked");
    // "GET [base]/Composition/[id]/$document is identical in meaning to GET
    // [base]/Composition/$document?id=[id]"
    let named = server.get("/Composition/$document?id=c1").await.has_status(200).json();
    assert_eq!((told(&named), &named["identifier"]), (told(&bundle), &bundle["identifier"]));
    let full = format!("/Composition/$document?id={}/Composition/c1", server.base());
    assert_eq!(server.get(&full).await.has_status(200).json()["entry"], bundle["entry"]);
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "persist", "valueBoolean": false } ] });
    let posted = server.post("/Composition/c1/$document", &body).await.has_status(200).json();
    assert_eq!(posted["entry"], bundle["entry"]);
}

/// "persist: Whether to store the document at the bundle end-point (/Bundle)". The same content is
/// the same document, stored once; other content is another, and what is stored never changes.
#[actix_web::test]
async fn stored_documents() {
    let server = clinic().await;
    let path = "/Composition/c1/$document?persist=true";
    let first = server.get(path).await.has_status(200);
    let stored = first.header("Location").to_owned();
    assert!(stored.starts_with(&(server.base() + "/Bundle/")), "{stored}");
    assert_eq!(server.get(&stored).await.has_status(200).text, first.text);
    let again = server.get(path).await.has_status(200);
    assert_eq!((again.header("Location"), &again.text), (stored.as_str(), &first.text));
    put(&server, "o1", observation("Patient/p1")).await;
    let other = server.get(path).await.has_status(200);
    assert_ne!(other.header("Location"), stored);
    assert_ne!(other.json()["identifier"], first.json()["identifier"]);
    assert_eq!(server.get(&stored).await.text, first.text);
    assert_eq!(server.get("/Bundle?type=document").await.json()["total"], 2);
    // A named version stands in the document as that version.
    let mut versioned = composition();
    versioned["section"][0]["entry"] = json!([reference("Observation/o1/_history/1")]);
    versioned["section"][1]["section"][0]["entry"] = json!([reference("Observation/o2")]);
    put(&server, "c2", versioned).await;
    let bundle = server.get("/Composition/c2/$document").await.has_status(200).json();
    let old = bundle["entry"].as_array().unwrap().iter().find(|e| e["resource"]["id"] == "o1");
    assert_eq!(old.unwrap()["resource"]["meta"]["versionId"], "1");
}

/// A signed letter is answered with the document that was signed, and stays as it is.
#[actix_web::test]
async fn a_signed_letter_stays_signed() {
    let server = episode().await;
    let told = server.post(&operation("finalize-letter"), &signing(&[])).await;
    let told = told.has_status(200).json();
    let part = |name: &str| letter::reference(&told, name);
    let signed = server.get(&format!("/{}", part("document"))).await.has_status(200).text;
    let mut changed = server.get("/Patient/demo-aldis").await.json();
    changed["name"] = json!([{ "text": "Another Name" }]);
    server.put("/Patient/demo-aldis", &changed).await.has_status(200);
    let letter = part("letter");
    let document = server.get(&format!("/{letter}/$document")).await.has_status(200);
    assert_eq!(document.text, signed, "the document that was signed, not one of today");
    let kept = server.get(&format!("/{letter}/$document?persist=true")).await.has_status(200);
    assert!(kept.header("Location").contains(&part("document")));
    assert_eq!(server.get("/Bundle?type=document").await.json()["total"], 1);
    let tag = json!({ "resourceType": "Parameters", "parameter": [{ "name": "meta",
        "valueMeta": { "tag": [{ "system": "http://a.example", "code": "x" }] } }] });
    for operation in ["meta-add", "meta-delete"] {
        let answer = server.post(&format!("/{letter}/${operation}"), &tag).await;
        answer.is_error(409, "business-rule");
    }
}

/// "graph: … it controls what resources are to be added to the bundle when building the document".
#[actix_web::test]
async fn a_graph_adds_resources() {
    let server = clinic().await;
    let graph = |link: Value| {
        json!({ "resourceType": "GraphDefinition", "status": "active",
        "name": "More", "url": "http://a.example/graph", "start": "Composition", "link": link })
    };
    let path = "/Composition/c1/$document?graph=http://a.example/graph";
    server.get(path).await.is_error(400, "not-found");
    let subject = json!([{ "path": "Composition.subject", "target": [{ "type": "Patient", "link": [
        { "target": [{ "type": "Observation", "params": "subject={ref}" }] }] }] }]);
    put(&server, "more", graph(subject.clone())).await;
    let bundle = server.get(path).await.has_status(200).json();
    assert!(told(&bundle).contains(&"Observation/o4".to_owned()), "{:?}", told(&bundle));
    let plain = server.get("/Composition/c1/$document").await.json();
    assert_ne!(plain["identifier"], bundle["identifier"]);
    assert_eq!(told(&plain).len() + 1, told(&bundle).len(), "each once all the same");
    let check = async |link: Value, status: u16, code: &str| {
        put(&server, "more", graph(link)).await;
        let answer = server.get(path).await.is_error(status, code).json();
        let place = answer["issue"][0]["expression"][0].as_str().unwrap();
        assert!(place.starts_with("GraphDefinition.link[0]"), "{place}");
    };
    let mut few = subject.clone();
    few[0]["min"] = json!(2);
    check(few, 422, "invariant").await;
    let mut unsupported = subject.clone();
    unsupported[0]["target"][0]["profile"] =
        json!("http://hl7.org/fhir/StructureDefinition/Patient");
    check(unsupported, 400, "not-supported").await;
    check(
        json!([{ "path": "Composition.(", "target": [{ "type": "Patient" }] }]),
        400,
        "not-supported",
    )
    .await;
}

/// <http://hl7.org/fhir/R4/references.html#canonical>: without a version the latest is meant; numbers
/// of versions count by value, so 1.10 is after 1.9.
#[actix_web::test]
async fn the_latest_graph_is_followed() {
    let server = clinic().await;
    let graph = |version: &str, kind: &str, params: &str| {
        json!({ "resourceType": "GraphDefinition", "status": "active", "version": version,
        "name": "More", "url": "http://a.example/graph", "start": "Composition",
        "link": [{ "path": "Composition.subject", "target": [{ "type": "Patient", "link": [
            { "target": [{ "type": kind, "params": params }] }] }] }] })
    };
    put(&server, "later", graph("1.10.0", "Observation", "subject={ref}")).await;
    put(&server, "earlier", graph("1.9.0", "Goal", "subject={ref}")).await;
    let path = "/Composition/c1/$document?graph=http://a.example/graph";
    let bundle = server.get(path).await.has_status(200).json();
    assert!(told(&bundle).contains(&"Observation/o4".to_owned()), "{:?}", told(&bundle));
}

#[actix_web::test]
async fn what_is_refused() {
    let server = clinic().await;
    let mut broken = composition();
    broken["section"][0]["entry"] = json!([
        reference("Observation/none"),
        reference("http://other.example/fhir/Observation/1")
    ]);
    broken["author"] = json!([reference("Practitioner/gone")]);
    put(&server, "broken", broken).await;
    let answer =
        server.get("/Composition/broken/$document").await.is_error(422, "not-found").json();
    let found: Vec<_> = answer["issue"]
        .as_array()
        .unwrap()
        .iter()
        .map(|issue| (issue["code"].clone(), issue["expression"][0].clone()))
        .collect();
    assert_eq!(
        found,
        [
            (json!("not-found"), json!("Composition.author[0]")),
            (json!("not-found"), json!("Composition.section[0].entry[0]")),
            (json!("not-supported"), json!("Composition.section[0].entry[1]")),
        ]
    );
    for (path, status, code, place) in [
        ("/Composition/none/$document", 404, "not-found", None),
        ("/Composition/$document", 400, "invalid", Some("http.id")),
        ("/Composition/c1/$document?id=c1", 400, "invalid", Some("http.id")),
        ("/Composition/$document?id=Patient/1", 400, "invalid", Some("http.id")),
        (
            "/Composition/$document?id=http://other.example/fhir/Composition/1",
            400,
            "not-supported",
            Some("http.id"),
        ),
        ("/Composition/c1/$document?persist=perhaps", 400, "invalid", Some("http.persist")),
        ("/Composition/c1/$document?other=1", 400, "invalid", Some("http.other")),
        ("/Patient/p1/$document", 404, "not-found", None),
    ] {
        let answer = server.get(path).await.is_error(status, code).json();
        assert_eq!(answer["issue"][0]["expression"][0].as_str(), place, "{path}: {answer}");
    }
    server.delete("/Composition/c1").await.has_status(204);
    server.get("/Composition/c1/$document").await.is_error(410, "deleted");
}
