//! `$everything`: <http://hl7.org/fhir/R4/patient-operation-everything.html>,
//! <http://hl7.org/fhir/R4/encounter-operation-everything.html>,
//! <http://hl7.org/fhir/R4/group-operation-everything.html>, and our own of an episode of care.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use spondyl::config::Config;

use crate::client::{Server, link, patient, put, reference};
use crate::letter::{episode, load, operation, signing};

/// What is on a page, as type and id, with `+` before what is there as an include.
fn told(bundle: &Value) -> Vec<String> {
    assert_eq!(bundle["type"], "searchset");
    let entries = bundle["entry"].as_array().map_or(&[][..], Vec::as_slice);
    let one = |entry: &Value| {
        let text = |value: &Value| value.as_str().unwrap().to_owned();
        let resource = &entry["resource"];
        let name = format!("{}/{}", text(&resource["resourceType"]), text(&resource["id"]));
        assert!(text(&entry["fullUrl"]).ends_with(&name), "{entry}");
        let mark = if entry["search"]["mode"] == "include" { "+" } else { "" };
        format!("{mark}{name}")
    };
    entries.iter().map(one).collect()
}

async fn all(server: &Server, path: &str) -> Vec<String> {
    told(&server.get(path).await.has_status(200).json())
}

/// The pages from that one on.
async fn pages(server: &Server, path: &str) -> Vec<Vec<String>> {
    let mut pages = Vec::new();
    let mut next = Some(path.to_owned());
    while let Some(path) = next {
        let page = server.get(&path).await.has_status(200).json();
        pages.push(told(&page));
        next = link(&page, "next");
    }
    pages
}

fn bare(date: Option<&str>) -> Value {
    let mut value = observation("Patient/p1", date);
    value.as_object_mut().unwrap().remove("performer");
    value
}

fn observation(subject: &str, date: Option<&str>) -> Value {
    let mut value = json!({ "resourceType": "Observation", "status": "final",
        "code": { "text": "Invented" }, "subject": reference(subject),
        "performer": [reference("Practitioner/dr")] });
    if let Some(date) = date {
        value["effectiveDateTime"] = json!(date);
    }
    value
}

/// Two patients of one practice; the first has a mother whose record is told of once.
async fn clinic() -> Server {
    let server = Server::start();
    put(&server, "org", json!({ "resourceType": "Organization", "name": "Practice" })).await;
    put(&server, "other", json!({ "resourceType": "Organization", "name": "Nobody's" })).await;
    put(&server, "dr", json!({ "resourceType": "Practitioner", "name": [{ "family": "A" }] }))
        .await;
    put(&server, "role", json!({ "resourceType": "PractitionerRole",
        "practitioner": reference("Practitioner/dr"), "organization": reference("Organization/org"),
    })).await;
    put(
        &server,
        "file",
        json!({ "resourceType": "Binary", "contentType": "text/plain",
        "data": "aGVsbG8=" }),
    )
    .await;
    for id in ["p1", "p2", "p3"] {
        put(&server, id, patient(id)).await;
    }
    put(&server, "o1", observation("Patient/p1", Some("2026-03-02T08:00:00Z"))).await;
    put(&server, "o2", observation("Patient/p1", None)).await;
    put(&server, "o3", observation("Patient/p2", Some("2026-03-02"))).await;
    put(&server, "o4", observation("Patient/p3", Some("2026-03-02"))).await;
    let mut derived = observation("Patient/p1", Some("2026-05-05"));
    derived["derivedFrom"] = json!([reference("Observation/o3")]);
    derived["performer"] = json!([reference("PractitionerRole/role")]);
    put(&server, "o5", derived).await;
    put(
        &server,
        "letter",
        json!({ "resourceType": "DocumentReference", "status": "current",
            "subject": reference("Patient/p1"), "date": "2026-04-01T08:00:00Z",
            "content": [{ "attachment": { "contentType": "text/plain", "url": "Binary/file" } }],
        }),
    )
    .await;
    let recorded = |target: &str| {
        json!({ "resourceType": "Provenance",
        "target": [reference(target)], "recorded": "2026-03-02T08:00:00Z",
        "agent": [{ "who": reference("Practitioner/dr") }] })
    };
    put(&server, "own", recorded("Observation/o1")).await;
    put(&server, "foreign", recorded("Observation/o4")).await;
    server
}

/// "The server SHOULD return at least all resources that it has that are in the patient compartment
/// for the identified patient, and any resource referenced from those, including binaries and
/// attachments." Another patient's finding comes where it is named; what that one names does not.
#[actix_web::test]
async fn of_a_patient() {
    let server = clinic().await;
    let expected = [
        "DocumentReference/letter",
        "Observation/o1",
        "Observation/o2",
        "Observation/o5",
        "Patient/p1",
        "+Binary/file",
        "+Observation/o3",
        "+Organization/org",
        "+Practitioner/dr",
        "+PractitionerRole/role",
        "+Provenance/own",
    ];
    let bundle = server.get("/Patient/p1/$everything").await.has_status(200).json();
    assert_eq!(told(&bundle), expected);
    assert_eq!(bundle["total"], 5, "how many match, not how many are included");
    assert_eq!(link(&bundle, "self").unwrap(), server.base() + "/Patient/p1/$everything");
    assert_eq!(link(&bundle, "next"), None);
    let valid = server.post("/Bundle/$validate", &bundle).await.has_status(200).json();
    let errors = valid["issue"].as_array().unwrap().iter().filter(|i| i["severity"] == "error");
    assert_eq!(errors.count(), 0, "{valid:#}");
    let empty = json!({ "resourceType": "Parameters" });
    let posted = server.post("/Patient/p1/$everything", &empty).await.has_status(200).json();
    assert_eq!(told(&posted), expected);
    // The type level is all patients.
    let every = all(&server, "/Patient/$everything?_type=Patient,Observation,Organization").await;
    assert_eq!(
        every,
        [
            "Observation/o1",
            "Observation/o2",
            "Observation/o3",
            "Observation/o4",
            "Observation/o5",
            "Patient/p1",
            "Patient/p2",
            "Patient/p3",
            "+Organization/org",
        ]
    );
}

/// "The date range relates to care dates, not record currency dates"; `_since`: "Resources updated
/// after this period"; `_type`: "containing one or more comma-delimited FHIR resource types".
#[actix_web::test]
async fn what_is_asked_for() {
    let server = clinic().await;
    put(
        &server,
        "c1",
        json!({ "resourceType": "Condition", "subject": reference("Patient/p1"),
        "onsetDateTime": "2019" }),
    )
    .await;
    put(
        &server,
        "c2",
        json!({ "resourceType": "Condition", "subject": reference("Patient/p1"),
        "onsetDateTime": "2019", "abatementDateTime": "2020", "clinicalStatus": { "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "resolved" }] } }),
    )
    .await;
    let check = async |query: &str, expected: &[&str]| {
        let path = format!("/Patient/p1/$everything?_type=Condition,Observation&{query}");
        let found = all(&server, &path).await;
        let found: Vec<_> = found.iter().map(|name| name.rsplit_once('/').unwrap().1).collect();
        assert_eq!(found, expected, "{query}");
    };
    // o2 tells no time of care and stays; o3 comes with o5, which refers to it; c1 lasts.
    check("", &["c1", "c2", "o1", "o2", "o5", "o3"]).await;
    check("start=2026-03-02&end=2026-03-02", &["c1", "o1", "o2"]).await;
    check("start=2026-03", &["c1", "o1", "o2", "o5", "o3"]).await;
    check("start=2026-03-03", &["c1", "o2", "o5", "o3"]).await;
    check("end=2026-03-01", &["c1", "c2", "o2"]).await;
    check("end=2018", &["o2"]).await;
    let moment = server.get("/Condition/c2").await.json()["meta"]["lastUpdated"].clone();
    let since = format!("_since={}", moment.as_str().unwrap());
    check(&since, &["c2"]).await;
    check(&format!("{since}&start=2026"), &[]).await;
    let two = "/Patient/p1/$everything?_type=Condition&_type=Practitioner";
    assert_eq!(all(&server, two).await, ["Condition/c1", "Condition/c2", "+Practitioner/dr"]);
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "start", "valueDate": "2026-03-02" }, { "name": "end", "valueDate": "2026-03-02" },
        { "name": "_type", "valueCode": "Observation" }, { "name": "_count", "valueInteger": 1 },
    ] });
    let page = server.post("/Patient/p1/$everything", &body).await.has_status(200).json();
    assert_eq!(told(&page), ["Observation/o1"]);
    let next = link(&page, "next").unwrap();
    assert!(next.contains("start=2026-03-02&end=2026-03-02&_type=Observation&_count=1"), "{next}");
    assert_eq!(all(&server, &next).await, ["Observation/o2"], "pages go on by GET");
}

/// <http://hl7.org/fhir/R4/http.html#paging>; pages are of the moment of the first, whatever others
/// write in between: nothing twice, nothing left out, nothing of later.
#[actix_web::test]
async fn pages_while_others_write() {
    let server = clinic().await;
    let whole = all(&server, "/Patient/p1/$everything").await;
    for count in 1..=whole.len() + 1 {
        let pages = pages(&server, &format!("/Patient/p1/$everything?_count={count}")).await;
        assert_eq!(pages.concat(), whole, "{count}");
        let (last, full) = pages.split_last().unwrap();
        assert!(full.iter().all(|page| page.len() == count) && !last.is_empty(), "{pages:?}");
    }
    let first = server.get("/Patient/p1/$everything?_count=2").await.json();
    let before = server.get("/Observation/o5").await.text;
    put(&server, "new", observation("Patient/p1", None)).await;
    put(&server, "o2", observation("Patient/p2", None)).await;
    put(&server, "o5", observation("Patient/p1", Some("2027"))).await;
    put(&server, "o3", observation("Patient/p1", Some("2027"))).await;
    server.delete("/Binary/file").await.has_status(204);
    server.delete("/Patient/p1").await.has_status(204);
    let second = server.get(&link(&first, "next").unwrap()).await.has_status(200).json();
    let rest = pages(&server, &link(&second, "next").unwrap()).await;
    assert_eq!([told(&first), told(&second), rest.concat()].concat(), whole);
    let entry = &second["entry"][1]["resource"];
    assert_eq!(*entry, serde_json::from_str::<Value>(&before).unwrap(), "the version of then");
    server.get("/Patient/p1/$everything").await.is_error(410, "deleted");
}

/// A page for which too much would have to be looked at ends early, with a link to go on.
#[actix_web::test]
async fn pages_end_where_they_would_cost_too_much() {
    let config = Config { max_search_rows: 300, ..Config::default() };
    let server = Server::with(config);
    put(&server, "p1", patient("A")).await;
    for at in 1..=7 {
        let date = format!("2026-03-0{at}");
        put(&server, &format!("o{at}"), bare(Some(&date))).await;
    }
    let path = "/Patient/p1/$everything?start=2026-03-07&_type=Observation";
    let pages = pages(&server, path).await;
    assert_eq!(pages, [vec![""; 0], vec![], vec!["Observation/o7"]]);
}

#[actix_web::test]
async fn of_a_visit_and_of_a_group() {
    let server = clinic().await;
    put(
        &server,
        "v1",
        json!({ "resourceType": "Encounter", "status": "finished",
        "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" },
        "subject": reference("Patient/p1") }),
    )
    .await;
    let mut seen = observation("Patient/p1", None);
    seen["encounter"] = reference("Encounter/v1");
    put(&server, "o6", seen).await;
    let expected = ["Encounter/v1", "Observation/o6", "+Patient/p1", "+Practitioner/dr"];
    assert_eq!(all(&server, "/Encounter/v1/$everything").await, expected);
    assert_eq!(pages(&server, "/Encounter/v1/$everything?_count=3").await.concat(), expected);
    let group = |members: Value| {
        json!({ "resourceType": "Group", "type": "person",
        "actual": true, "member": members })
    };
    let entity = |target: &str| json!({ "entity": reference(target) });
    // Groups of groups, in a circle; a member who has left is not asked about.
    put(
        &server,
        "g1",
        group(json!([entity("Patient/p2"), entity("Group/g2"),
        { "entity": reference("Patient/p1"), "inactive": true }])),
    )
    .await;
    put(
        &server,
        "g2",
        group(json!([entity("Patient/p3"), entity("Group/g1"), entity("Practitioner/dr")])),
    )
    .await;
    let expected = [
        "Group/g1",
        "Group/g2",
        "Observation/o3",
        "Observation/o4",
        "Patient/p2",
        "Patient/p3",
        "+Patient/p1",
        "+Practitioner/dr",
        "+Provenance/foreign",
    ];
    assert_eq!(all(&server, "/Group/g1/$everything").await, expected);
    assert_eq!(pages(&server, "/Group/g1/$everything?_count=4").await.concat(), expected);
    let dated = all(&server, "/Group/g1/$everything?start=2027&_type=Observation,Patient").await;
    assert_eq!(dated, ["Patient/p2", "Patient/p3", "+Patient/p1"]);
}

/// Membership as `schemas/operation/episode-everything.json` tells it, over the demo clinic: all
/// that the file of the episode brings but the patient's other business, and nobody else's.
#[actix_web::test]
async fn of_an_episode() {
    let server = Server::start();
    for file in ["00-clinic.json", "01-aldis-improved.json", "02-bero-referred-on.json"] {
        load(&server, file).await;
    }
    let path = "/EpisodeOfCare/demo-aldis-episode/$everything";
    let found = all(&server, path).await;
    let plain = |name: &String| name.trim_start_matches('+').to_owned();
    let names: BTreeSet<String> = found.iter().map(plain).collect();
    assert_eq!(names.len(), found.len(), "each once");
    assert!(!names.iter().any(|name| name.contains("bero")), "{names:?}");
    let file = std::fs::read_to_string("src/demo/clinic/01-aldis-improved.json").unwrap();
    let file: Value = serde_json::from_str(&file).unwrap();
    let mut missing = Vec::new();
    for entry in file["entry"].as_array().unwrap() {
        let url = entry["request"]["url"].as_str().unwrap().to_owned();
        if !names.contains(&url) {
            missing.push(url);
        }
    }
    assert_eq!(missing, [""; 0], "the whole file is about this episode");
    for name in ["EpisodeOfCare/demo-aldis-episode", "Encounter/demo-aldis-v1"] {
        assert!(found.iter().any(|own| own == name), "{name} is a match");
    }
    assert!(found.contains(&"+Patient/demo-aldis".to_owned()));
    assert_eq!(pages(&server, &format!("{path}?_count=7")).await.concat(), found);
    // What names another episode is that one's, even where it names a visit of this one; what
    // another patient has never is.
    let linked = |patient: &str, episode: &str| {
        json!({ "resourceType": "Observation",
        "status": "final", "code": { "text": "Invented" }, "subject": reference(patient),
        "encounter": reference("Encounter/demo-aldis-v1"), "extension": [{
            "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
            "valueReference": reference(episode) }] })
    };
    put(&server, "own", linked("Patient/demo-aldis", "EpisodeOfCare/demo-aldis-episode")).await;
    put(&server, "x1", linked("Patient/demo-aldis", "EpisodeOfCare/demo-bero-episode")).await;
    put(&server, "x2", linked("Patient/demo-bero", "EpisodeOfCare/demo-aldis-episode")).await;
    let new: Vec<String> =
        all(&server, path).await.into_iter().filter(|name| !found.contains(name)).collect();
    assert_eq!(new, ["Observation/own"]);
}

/// A signed letter belongs to its episode, with all its forms.
#[actix_web::test]
async fn of_an_episode_with_its_letter() {
    let server = episode().await;
    let told = server.post(&operation("finalize-letter"), &signing(&[])).await;
    let told = told.has_status(200).json();
    let found = all(&server, "/EpisodeOfCare/demo-aldis-episode/$everything").await;
    for part in told["parameter"].as_array().unwrap() {
        let target = part["valueReference"]["reference"].as_str().unwrap();
        let is_there = found.iter().any(|name| name.trim_start_matches('+') == target);
        assert!(is_there, "{target} is not in {found:#?}");
    }
}

#[actix_web::test]
async fn what_is_refused() {
    let server = clinic().await;
    for (path, status, code, place) in [
        ("/Patient/p9/$everything", 404, "not-found", None),
        ("/Patient/p1/$everything?start=soon", 400, "invalid", Some("http.start")),
        ("/Patient/p1/$everything?start=2026-13", 400, "invalid", Some("http.start")),
        ("/Patient/p1/$everything?end=2026-01-01T10:00:00Z", 400, "invalid", Some("http.end")),
        ("/Patient/p1/$everything?start=2026-02&end=2026-01", 400, "invalid", Some("http.end")),
        ("/Patient/p1/$everything?start=2026&start=2027", 400, "invalid", Some("http.start")),
        ("/Patient/p1/$everything?_since=2026-01-01", 400, "invalid", Some("http._since")),
        ("/Patient/p1/$everything?_type=Patient,Pet", 400, "invalid", Some("http._type")),
        ("/Patient/p1/$everything?_count=0", 400, "invalid", Some("http._count")),
        ("/Patient/p1/$everything?_count=-1", 400, "invalid", Some("http._count")),
        ("/Patient/p1/$everything?name=x", 400, "invalid", Some("http.name")),
        ("/Patient/p1/$everything?_cursor=x", 400, "invalid", None),
        ("/Patient/p1/$everything?_cursor=1.x.Patient.a", 400, "invalid", None),
        ("/Patient/p1/$everything?_cursor=fffffff.m.Patient.a", 400, "invalid", None),
        ("/Encounter/v1/$everything?start=2026", 400, "invalid", Some("http.start")),
        ("/Encounter/$everything", 404, "not-found", None),
        ("/Device/d1/$everything", 404, "not-found", None),
    ] {
        let answer = server.get(path).await.is_error(status, code).json();
        let found = answer["issue"][0]["expression"][0].as_str();
        assert_eq!(found, place, "{path}: {answer}");
    }
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "_count", "valueReference": reference("Patient/1") } ] });
    server.post("/Patient/p1/$everything", &body).await.is_error(400, "invalid");
    server.post("/Patient/p1/$everything", &patient("A")).await.is_error(400, "invalid");
    server.put("/Patient/p1/$everything", &json!({})).await.is_error(405, "not-supported");
}
