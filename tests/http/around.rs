//! Rules that look beyond the resource: at what is stored, at what the same request writes, and at
//! the time: <http://hl7.org/fhir/R4/questionnaireresponse.html#link>,
//! <http://hl7.org/fhir/R4/references.html#canonical>,
//! <http://hl7.org/fhir/R4/profiling.html#reference>,
//! <http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.type.targetProfile>.

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient, with_id};

const BASE: &str = "https://a.example/fhir";

/// The base URL of a server that is set to nothing else.
const OWN: &str = "http://127.0.0.1:8080/fhir";

fn questionnaire(id: &str, version: &str, link: &str) -> Value {
    json!({
        "resourceType": "Questionnaire", "id": id, "url": format!("{BASE}/Questionnaire/back"),
        "version": version, "status": "active",
        "item": [{ "linkId": link, "type": "string", "text": "Where?" }],
    })
}

fn response(questionnaire: &str, link: &str) -> Value {
    json!({
        "resourceType": "QuestionnaireResponse", "status": "completed",
        "questionnaire": questionnaire,
        "item": [{ "linkId": link, "answer": [{ "valueString": "Low" }] }],
    })
}

fn has_place(outcome: &Value, place: &str) -> bool {
    let issues = outcome["issue"].as_array().into_iter().flatten();
    issues.filter(|i| i["severity"] == "error").any(|issue| issue["expression"][0] == place)
}

const LINK: &str = "QuestionnaireResponse.item[0].linkId";

#[actix_web::test]
async fn a_response_is_held_to_the_stored_questionnaire() {
    let server = Server::start();
    let canonical = format!("{BASE}/Questionnaire/back");
    let wrong = response(&canonical, "b");
    // Nothing can be said of answers to what is not there.
    let warned = server.post("/QuestionnaireResponse/$validate", &wrong).await.json();
    assert_eq!(warned["issue"][0]["details"]["coding"][0]["code"], "definition-unknown");
    server.put("/QuestionnaireResponse/old", &with_id(wrong.clone(), "old")).await.has_status(201);

    server.put("/Questionnaire/q1", &questionnaire("q1", "1.9", "a")).await.has_status(201);
    let refused = server.post("/QuestionnaireResponse", &wrong).await.has_status(422).json();
    assert!(has_place(&refused, LINK), "{refused}");
    let issue = &refused["issue"][0];
    assert_eq!(issue["details"]["coding"][0]["code"], "questionnaire-answers", "{refused}");
    server.post("/QuestionnaireResponse", &response(&canonical, "a")).await.has_status(201);
    // By every way in.
    let old = "/QuestionnaireResponse/old";
    let told = server.put(old, &with_id(wrong.clone(), "old")).await.has_status(422).json();
    assert!(has_place(&told, LINK), "{told}");
    let patch = json!([{ "op": "replace", "path": "/item/0/answer/0/valueString", "value": "Up" }]);
    let headers = [("Content-Type", "application/json-patch+json")];
    let told = server.send("PATCH", old, &headers, patch.to_string()).await.has_status(422).json();
    assert!(has_place(&told, LINK), "{told}");
    for path in [format!("{old}/$validate"), "/QuestionnaireResponse/$validate".to_owned()] {
        let told = server.send("POST", &path, &[JSON], wrong.to_string()).await.json();
        assert!(has_place(&told, LINK), "{path} {told}");
    }
    let told = server.get(&format!("{old}/$validate")).await.has_status(200).json();
    assert!(has_place(&told, LINK), "{told}");

    // Without a version the latest is meant; with one, that one.
    server.put("/Questionnaire/q2", &questionnaire("q2", "1.10", "b")).await.has_status(201);
    let url = |tail: &str| format!("{canonical}{tail}");
    for (canonical, link, status) in [
        (url(""), "b", 201),
        (url(""), "a", 422),
        (url("|1.9"), "a", 201),
        (url("|1.9"), "b", 422),
        (url("|1.8"), "c", 201),
        // Where it is on this server.
        (format!("{OWN}/Questionnaire/q1"), "a", 201),
        (format!("{OWN}/Questionnaire/q1"), "b", 422),
        (format!("{BASE}/Questionnaire/q1"), "b", 201),
    ] {
        let sent = response(&canonical, link);
        let answer = server.post("/QuestionnaireResponse", &sent).await;
        assert_eq!(answer.status, status, "{canonical} {link}: {}", answer.text);
    }
    server.delete("/Questionnaire/q1").await.has_status(204);
    server.delete("/Questionnaire/q2").await.has_status(204);
    server.post("/QuestionnaireResponse", &wrong).await.has_status(201);
}

/// A transaction whose entries are put under their ids, or posted.
fn transaction(resources: &[(&str, Value)]) -> Value {
    let entries = resources.iter().map(|(full_url, resource)| {
        let kind = resource["resourceType"].as_str().unwrap();
        let request = match resource["id"].as_str() {
            Some(id) => json!({ "method": "PUT", "url": format!("{kind}/{id}") }),
            None => json!({ "method": "POST", "url": kind }),
        };
        let mut entry = json!({ "resource": resource, "request": request });
        if !full_url.is_empty() {
            entry["fullUrl"] = json!(full_url);
        }
        entry
    });
    let entries: Vec<Value> = entries.collect();
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

#[actix_web::test]
async fn a_transaction_sees_what_it_writes_and_not_what_it_deletes() {
    let server = Server::start();
    let canonical = format!("{BASE}/Questionnaire/back");
    let both = |link: &str| {
        let questionnaire = questionnaire("q", "1", "a");
        transaction(&[("", response(&canonical, link)), ("", questionnaire)])
    };
    let told = server.post("", &both("b")).await.has_status(422).json();
    assert!(has_place(&told, "Bundle.entry[0].resource.item[0].linkId"), "{told}");
    assert_eq!(server.versions().await, 0);
    server.post("", &both("a")).await.has_status(200);
    // The new content counts, not the stored one.
    let mut change = both("b");
    change["entry"][1]["resource"]["item"][0]["linkId"] = json!("b");
    server.post("", &change).await.has_status(200);
    let mut gone = both("c");
    gone["entry"][1] = json!({ "request": { "method": "DELETE", "url": "Questionnaire/q" } });
    server.post("", &gone).await.has_status(200);
}

/// A profile of Observation whose subject meets a profile of Patient that asks for a birth date.
async fn profiles(server: &Server) {
    let profile = |name: &str, kind: &str, element: Value| {
        json!({
            "resourceType": "StructureDefinition", "id": name, "name": "P", "status": "active",
            "url": format!("{BASE}/StructureDefinition/{name}"), "fhirVersion": "4.0.1",
            "kind": "resource", "abstract": false, "type": kind, "derivation": "constraint",
            "baseDefinition": format!("http://hl7.org/fhir/StructureDefinition/{kind}"),
            "differential": { "element": [element] },
        })
    };
    let dated = json!({ "id": "Patient.birthDate", "path": "Patient.birthDate", "min": 1 });
    let of_dated = json!({
        "id": "Observation.subject", "path": "Observation.subject",
        "type": [{ "code": "Reference",
            "targetProfile": [format!("{BASE}/StructureDefinition/dated")] }],
    });
    let past = json!({
        "id": "Patient", "path": "Patient", "constraint": [{
            "key": "past-1", "severity": "error", "human": "Nobody is born tomorrow.",
            "expression": "birthDate.empty() or birthDate <= today()" }],
    });
    for made in [
        profile("dated", "Patient", dated),
        profile("of-dated", "Observation", of_dated),
        profile("past", "Patient", past),
    ] {
        let path = format!("/StructureDefinition/{}", made["id"].as_str().unwrap());
        server.put(&path, &made).await.has_status(201);
    }
}

fn claims(mut resource: Value, name: &str) -> Value {
    resource["meta"] = json!({ "profile": [format!("{BASE}/StructureDefinition/{name}")] });
    resource
}

fn observation(subject: &str) -> Value {
    let observation = json!({
        "resourceType": "Observation", "status": "final", "code": { "text": "Flexion" },
        "subject": { "reference": subject },
    });
    claims(observation, "of-dated")
}

fn born(date: &str) -> Value {
    let mut born = patient("A");
    born["birthDate"] = json!(date);
    born
}

const SUBJECT: &str = "Observation.subject";

const URN: &str = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0";

#[actix_web::test]
async fn the_stored_target_of_a_reference_meets_the_target_profile() {
    let server = Server::start();
    profiles(&server).await;
    server.put("/Patient/bare", &with_id(patient("A"), "bare")).await.has_status(201);
    server.put("/Patient/born", &with_id(born("1970-01-01"), "born")).await.has_status(201);
    for (subject, status) in [
        ("Patient/bare".to_owned(), 422),
        ("Patient/born".to_owned(), 201),
        ("Patient/bare/_history/1".to_owned(), 422),
        (format!("{OWN}/Patient/bare"), 422),
        (format!("{OWN}/Patient/born"), 201),
        // What is elsewhere or nowhere is not judged.
        (format!("{BASE}/Patient/bare"), 201),
        ("Patient/nobody".to_owned(), 201),
        (URN.to_owned(), 201),
    ] {
        let answer = server.post("/Observation", &observation(&subject)).await;
        assert_eq!(answer.status, status, "{subject}: {}", answer.text);
        if status == 422 {
            assert!(has_place(&answer.json(), SUBJECT), "{}", answer.text);
        }
    }
    // The profile that only the question names looks there as well.
    let mut plain = observation("Patient/bare");
    plain.as_object_mut().unwrap().remove("meta");
    let path = format!("/Observation/$validate?profile={BASE}/StructureDefinition/of-dated");
    let told = server.post(&path, &plain).await.has_status(200).json();
    assert!(has_place(&told, SUBJECT), "{told}");
    // What is stored later counts from then on; the older version stays what it was.
    server.put("/Patient/bare", &with_id(born("1980"), "bare")).await.has_status(200);
    server.post("/Observation", &observation("Patient/bare")).await.has_status(201);
    server.post("/Observation", &observation("Patient/bare/_history/1")).await.has_status(422);
    server.delete("/Patient/bare").await.has_status(204);
    server.post("/Observation", &observation("Patient/bare")).await.has_status(201);
}

#[actix_web::test]
async fn targets_within_a_transaction() {
    let server = Server::start();
    profiles(&server).await;
    server.put("/Patient/p", &with_id(patient("A"), "p")).await.has_status(201);
    for (full_url, target, subject, status) in [
        (URN, patient("A"), URN, 422),
        (URN, born("1970"), URN, 200),
        ("", with_id(patient("A"), "p"), "Patient/p", 422),
        ("", with_id(born("1970"), "p"), "Patient/p", 200),
    ] {
        let bundle = transaction(&[("", observation(subject)), (full_url, target)]);
        let answer = server.post("", &bundle).await;
        assert_eq!(answer.status, status, "{subject}: {}", answer.text);
        if status == 422 {
            let place = "Bundle.entry[0].resource.subject";
            assert!(has_place(&answer.json(), place), "{}", answer.text);
        }
    }
}

/// `today()` is the day of the request.
#[actix_web::test]
async fn invariants_know_the_time() {
    let server = Server::start();
    profiles(&server).await;
    server.post("/Patient", &claims(born("2001-02-03"), "past")).await.has_status(201);
    let told = server.post("/Patient", &claims(born("9998-01-01"), "past")).await;
    told.has_status(422).is_error(422, "invariant");
}
