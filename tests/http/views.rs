//! `$viewdefinition-run`:
//! <https://sql-on-fhir.org/ig/OperationDefinition-ViewDefinitionRun.html>.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use crate::client::{Answer, JSON, Server, patient, put, reference, with_id};
use crate::summary::load_clinic;

const RUN: &str = "/$viewdefinition-run";

/// A view of patients with id and family name.
fn names() -> Value {
    json!({ "resourceType": "ViewDefinition", "status": "active", "resource": "Patient",
        "select": [{ "column": [
            { "name": "id", "path": "id", "type": "id" },
            { "name": "family", "path": "name.family.first()", "type": "string" },
        ] }] })
}

fn parameters(list: Vec<Value>) -> Value {
    json!({ "resourceType": "Parameters", "parameter": list })
}

fn given(view: Value, more: Vec<Value>) -> Value {
    let mut list = vec![json!({ "name": "viewResource", "resource": view })];
    list.extend(more);
    parameters(list)
}

fn format(code: &str) -> Value {
    json!({ "name": "_format", "valueCode": code })
}

async fn people(server: &Server) {
    for (id, family) in [("a", "Ash"), ("b", "Birch"), ("c", "Cedar")] {
        put(server, id, with_id(patient(family), id)).await;
    }
}

fn is_csv(answer: Answer, expected: &str) {
    let answer = answer.has_status(200);
    assert_eq!(answer.header("Content-Type"), "text/csv;charset=utf-8;header=present");
    assert_eq!(answer.text, expected);
}

#[actix_web::test]
async fn forms_of_the_answer() {
    let server = Server::start();
    people(&server).await;
    let body = |code: &str, more: Vec<Value>| given(names(), [vec![format(code)], more].concat());
    is_csv(server.post(RUN, &body("csv", vec![])).await, "id,family\na,Ash\nb,Birch\nc,Cedar\n");
    let bare = body("csv", vec![json!({ "name": "header", "valueBoolean": false })]);
    let bare = server.post(RUN, &bare).await.has_status(200);
    assert_eq!(bare.text, "a,Ash\nb,Birch\nc,Cedar\n");
    assert_eq!(bare.header("Content-Type"), "text/csv;charset=utf-8;header=absent");
    let rows = json!([{ "id": "a", "family": "Ash" }, { "id": "b", "family": "Birch" },
        { "id": "c", "family": "Cedar" }]);
    let answer = server.post(RUN, &body("json", vec![])).await.has_status(200);
    assert_eq!(answer.json(), rows);
    assert_eq!(answer.header("Content-Type"), "application/json;charset=utf-8");
    let answer = server.post(RUN, &body("ndjson", vec![])).await.has_status(200);
    let lines: Vec<Value> =
        answer.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(json!(lines), rows);
    let answer = server.post(RUN, &body("parquet", vec![])).await.has_status(200);
    assert!(answer.text.starts_with("PAR1") && answer.text.ends_with("PAR1"));
    // The header says it where the parameter does not; the parameter wins.
    for (accept, media) in [
        ("text/csv", "text/csv;charset=utf-8;header=present"),
        ("application/json", "application/json;charset=utf-8"),
        ("text/csv;q=0.5, application/x-ndjson", "application/x-ndjson;charset=utf-8"),
        ("application/octet-stream", "application/vnd.apache.parquet"),
    ] {
        let body = given(names(), vec![]).to_string();
        let answer = server.send("POST", RUN, &[JSON, ("Accept", accept)], body).await;
        assert_eq!(answer.has_status(200).header("Content-Type"), media, "{accept}");
    }
    let accept = ("Accept", "application/fhir+json");
    let text = body("csv", vec![]).to_string();
    is_csv(
        server.send("POST", RUN, &[JSON, accept], text).await,
        "id,family\na,Ash\nb,Birch\nc,Cedar\n",
    );
    let text = given(names(), vec![]).to_string();
    server.send("POST", RUN, &[JSON, accept], text).await.is_error(400, "required");
    server.post(RUN, &body("xml", vec![])).await.is_error(400, "not-supported");
}

#[actix_web::test]
async fn what_the_table_is_made_of() {
    let server = Server::start();
    people(&server).await;
    let observation = |subject: &str| {
        json!({ "resourceType": "Observation", "status": "final", "code": { "text": "x" },
            "subject": reference(subject) })
    };
    for (id, subject) in [("1", "Patient/a"), ("2", "Patient/b"), ("3", "Patient/c")] {
        put(&server, id, observation(subject)).await;
    }
    let group = json!({ "resourceType": "Group", "type": "person", "actual": true,
        "member": [{ "entity": reference("Patient/a") }, { "entity": reference("Patient/c") },
            { "entity": reference("Patient/b"), "inactive": true }] });
    put(&server, "g", group).await;
    let view = json!({ "resourceType": "ViewDefinition", "status": "active",
        "resource": "Observation", "select": [{ "column": [
            { "name": "id", "path": "getResourceKey()", "type": "string" },
            { "name": "of", "path": "subject.getReferenceKey(Patient)", "type": "string" },
        ] }] });
    let ask = async |more: Vec<Value>| {
        server.post(RUN, &given(view.clone(), [vec![format("csv")], more].concat())).await
    };
    let of = |name: &str, text: &str| json!({ "name": name, "valueReference": reference(text) });
    let all = "id,of\nObservation/1,Patient/a\nObservation/2,Patient/b\nObservation/3,Patient/c\n";
    is_csv(ask(vec![]).await, all);
    is_csv(ask(vec![of("patient", "Patient/b")]).await, "id,of\nObservation/2,Patient/b\n");
    let members = "id,of\nObservation/1,Patient/a\nObservation/3,Patient/c\n";
    is_csv(ask(vec![of("group", "Group/g")]).await, members);
    let both = vec![of("group", "Group/g"), of("patient", "Patient/b")];
    is_csv(ask(both).await, "id,of\n");
    is_csv(
        ask(vec![json!({ "name": "_limit", "valueInteger": 1 })]).await,
        "id,of\nObservation/1,Patient/a\n",
    );
    let written = server.get("/Observation/2").await.json();
    let since = json!({ "name": "_since", "valueInstant": written["meta"]["lastUpdated"] });
    put(&server, "3", observation("Patient/a")).await;
    is_csv(ask(vec![since.clone()]).await, "id,of\nObservation/3,Patient/a\n");
    server.delete("/Observation/3").await;
    is_csv(ask(vec![]).await, "id,of\nObservation/1,Patient/a\nObservation/2,Patient/b\n");
    let sent =
        |id: &str| json!({ "name": "resource", "resource": with_id(observation("Patient/z"), id) });
    let other = json!({ "name": "resource", "resource": patient("X") });
    is_csv(
        ask(vec![sent("8"), other, sent("9")]).await,
        "id,of\nObservation/8,Patient/z\nObservation/9,Patient/z\n",
    );
    ask(vec![sent("8"), since]).await.is_error(400, "invalid");
    ask(vec![of("patient", "Patient/none")]).await.is_error(400, "not-found");
    ask(vec![of("patient", "Group/g")]).await.is_error(400, "invalid");
    ask(vec![of("group", "Group/none")]).await.is_error(400, "not-found");
    ask(vec![json!({ "name": "source", "valueString": "s3://x" })])
        .await
        .is_error(400, "not-supported");
    ask(vec![json!({ "name": "_limit", "valueInteger": 0 })]).await.is_error(400, "invalid");
    ask(vec![json!({ "name": "limit", "valueInteger": 1 })]).await.is_error(400, "invalid");
}

#[actix_web::test]
async fn how_a_view_is_named() {
    let server = Server::start();
    load_clinic(&server).await;
    let expected = server
        .get("/ViewDefinition/episodes/$viewdefinition-run?_format=csv")
        .await
        .has_status(200)
        .text;
    assert_eq!(expected.lines().count(), 8, "{expected}");
    let golden = std::fs::read_to_string("conformance/view/demo/episodes.csv").unwrap();
    assert_eq!(expected, golden);
    let canonical = "https://spondyl.example/fhir/ViewDefinition/episodes";
    for name in [
        "ViewDefinition/episodes",
        canonical,
        &format!("{canonical}|0.1.0"),
        &format!("{}/ViewDefinition/episodes", server.base()),
    ] {
        let path = format!("{RUN}?_format=csv&viewReference={}", name.replace('|', "%7C"));
        assert_eq!(server.get(&path).await.has_status(200).text, expected, "{name}");
        let body = parameters(vec![
            format("csv"),
            json!({ "name": "viewReference", "valueReference": reference(name) }),
        ]);
        let path = "/ViewDefinition/$viewdefinition-run";
        assert_eq!(server.post(path, &body).await.has_status(200).text, expected, "{name}");
    }
    // A view of one's own lies in a Binary.
    let binary = |media: &str, text: String| json!({ "resourceType": "Binary", "contentType": media, "data": STANDARD.encode(text) });
    put(&server, "v", binary("application/json", names().to_string())).await;
    put(&server, "w", binary("text/plain", names().to_string())).await;
    put(&server, "x", binary("application/json", "{".to_owned())).await;
    let path = format!("{RUN}?_format=csv&_limit=2&viewReference=Binary/");
    is_csv(
        server.get(&format!("{path}v")).await,
        "id,family\ndemo-aldis,Wrenfield\ndemo-bero,Tallisand\n",
    );
    server.get(&format!("{path}w")).await.is_error(400, "invalid");
    server.get(&format!("{path}x")).await.is_error(400, "invalid");
    server.get(&format!("{path}none")).await.is_error(404, "not-found");
    for (path, status, code) in [
        ("/ViewDefinition/none/$viewdefinition-run?_format=csv", 404, "not-found"),
        (
            "/ViewDefinition/episodes/$viewdefinition-run?_format=csv&viewReference=Binary/v",
            400,
            "invalid",
        ),
        ("/$viewdefinition-run?_format=csv", 400, "required"),
        ("/$viewdefinition-run?_format=csv&viewReference=Patient/1", 400, "invalid"),
        ("/ViewDefinition/$expand", 404, "not-supported"),
        ("/Patient/$viewdefinition-run?_format=csv", 404, "not-found"),
    ] {
        server.get(path).await.is_error(status, code);
    }
}

/// Each fault is told at its place in what was sent.
#[actix_web::test]
async fn a_view_that_is_wrong() {
    let server = Server::start();
    people(&server).await;
    let mut view = names();
    view["select"][0]["column"][0]["path"] = json!("id.");
    view["select"][0]["column"][1]["name"] = json!("id");
    let answer = server.post(RUN, &given(view, vec![format("csv")])).await.is_error(422, "invalid");
    let issues = answer.json()["issue"].as_array().unwrap().clone();
    let places: Vec<&str> =
        issues.iter().map(|issue| issue["expression"][0].as_str().unwrap()).collect();
    assert_eq!(places, ["Parameters.parameter[0].resource.select[0].column[0].path",]);
    let mut view = names();
    view["select"][0]["column"][1]["path"] = json!("1 | 2");
    let answer = server.post(RUN, &given(view, vec![format("csv")])).await.is_error(422, "invalid");
    let issue = &answer.json()["issue"][0];
    let place = "Parameters.parameter[0].resource.select[0].column[1].path";
    assert_eq!(issue["expression"][0], place);
    // Elements without end take too much.
    let endless = json!({ "resourceType": "ViewDefinition", "resource": "Patient", "select": [
        { "repeat": ["$this"], "column": [{ "name": "a", "path": "1", "type": "integer" }] }] });
    server.post(RUN, &given(endless, vec![format("csv")])).await.is_error(403, "too-costly");
    let twice = parameters(vec![
        json!({ "name": "viewResource", "resource": names() }),
        json!({ "name": "viewResource", "resource": names() }),
        format("csv"),
    ]);
    server.post(RUN, &twice).await.is_error(400, "invalid");
    let other = given(json!({ "resourceType": "Patient" }), vec![format("csv")]);
    server.post(RUN, &other).await.is_error(400, "invalid");
}

/// In a batch the table is a Binary, which holds it.
#[actix_web::test]
async fn in_a_batch() {
    let server = Server::start();
    people(&server).await;
    let batch = json!({ "resourceType": "Bundle", "type": "batch", "entry": [{
        "request": { "method": "POST", "url": "$viewdefinition-run" },
        "resource": given(names(), vec![format("csv")]) }] });
    let answer = server.post("", &batch).await.has_status(200).json();
    let binary = &answer["entry"][0]["resource"];
    assert_eq!(binary["resourceType"], "Binary", "{answer}");
    let bytes = STANDARD.decode(binary["data"].as_str().unwrap()).unwrap();
    assert_eq!(bytes, b"id,family\na,Ash\nb,Birch\nc,Cedar\n");
}
