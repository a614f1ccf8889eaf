//! `$meta`, `$meta-add`, `$meta-delete`: <http://hl7.org/fhir/R4/resource-operation-meta.html>,
//! <http://hl7.org/fhir/R4/resource-operation-meta-add.html>,
//! <http://hl7.org/fhir/R4/resource-operation-meta-delete.html>.

use serde_json::{Value, json};

use crate::client::{JSON, Server, patient, with_id};

fn tag(code: &str) -> Value {
    json!({ "system": "http://a.example/tags", "code": code })
}

fn body(meta: Value) -> Value {
    let parameter = json!([{ "name": "meta", "valueMeta": meta }]);
    json!({ "resourceType": "Parameters", "parameter": parameter })
}

/// The one result, `return`, is a Meta and no resource, so it comes in Parameters.
fn returned(answer: &Value) -> Value {
    assert_eq!(answer["resourceType"], "Parameters");
    assert_eq!(answer["parameter"].as_array().unwrap().len(), 1);
    assert_eq!(answer["parameter"][0]["name"], "return");
    answer["parameter"][0]["valueMeta"].clone()
}

async fn meta(server: &Server, path: &str) -> Value {
    returned(&server.get(path).await.has_status(200).json())
}

fn codes(meta: &Value, member: &str) -> Vec<String> {
    let list = meta[member].as_array().map_or(&[][..], Vec::as_slice);
    list.iter().map(|item| item["code"].as_str().unwrap().to_owned()).collect()
}

async fn ids(server: &Server, path: &str) -> Vec<String> {
    let found = server.get(path).await.has_status(200).json();
    let entries = found["entry"].as_array().map_or(&[][..], Vec::as_slice);
    entries.iter().map(|entry| entry["resource"]["id"].as_str().unwrap().to_owned()).collect()
}

/// "profiles, tags, and security labels are sets, and duplicates are not created. The identity of a
/// tag or security label is the system+code. When matching existing tags during adding, version and
/// display are ignored." A change makes a version, so that nothing is lost; no change makes none.
#[actix_web::test]
async fn added_and_deleted() {
    let server = Server::start();
    let mut value = with_id(patient("A"), "p1");
    value["meta"] = json!({ "tag": [tag("one")] });
    server.put("/Patient/p1", &value).await.has_status(201);
    let path = |name: &str| format!("/Patient/p1/${name}");
    let add = body(json!({
        "tag": [{ "system": "http://a.example/tags", "code": "one", "display": "Other words" },
            tag("two"), tag("two"), { "system": "http://other.example", "code": "one" }],
        "security": [{ "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
            "code": "R" }],
        "profile": ["http://hl7.org/fhir/StructureDefinition/Patient"],
    }));
    let answer = server.post(&path("meta-add"), &add).await.has_status(200).json();
    let added = returned(&answer);
    assert_eq!(codes(&added, "tag"), ["one", "two", "one"]);
    assert_eq!(added["tag"][0], tag("one"), "what is there stays as it is");
    assert_eq!((codes(&added, "security"), &added["versionId"]), (vec!["R".into()], &json!("2")));
    assert_eq!(meta(&server, &path("meta")).await, added);
    let stored = server.get("/Patient/p1").await.has_status(200);
    assert_eq!((stored.header("ETag"), &stored.json()["meta"]), ("W/\"2\"", &added));
    assert_eq!(stored.json()["name"], value["name"]);
    let again = server.post(&path("meta-add"), &add).await.has_status(200).json();
    assert_eq!(returned(&again), added, "the same again is no change, and no version");
    assert_eq!(server.get("/Patient/p1").await.header("ETag"), "W/\"2\"");
    for query in ["_tag=two", "_security=R", "_tag=http://other.example|one"] {
        assert_eq!(ids(&server, &format!("/Patient?{query}")).await, ["p1"], "{query}");
    }
    // "It is not an error if these tags, profiles, and labels do not exist."
    let delete = body(json!({
        "tag": [{ "system": "http://a.example/tags", "code": "one", "version": "9" }, tag("none")],
        "security": [{ "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
            "code": "R" }],
        "profile": ["http://hl7.org/fhir/StructureDefinition/Pat"],
    }));
    let answer = server.post(&path("meta-delete"), &delete).await.has_status(200).json();
    let left = returned(&answer);
    assert_eq!(codes(&left, "tag"), ["two", "one"]);
    assert_eq!(left["tag"][1]["system"], "http://other.example");
    assert_eq!((&left["security"], &left["versionId"]), (&Value::Null, &json!("3")));
    assert_eq!(left["profile"], added["profile"], "matching is based on the full URL");
    assert_eq!(ids(&server, "/Patient?_security=R").await, [""; 0]);
    // Every version is there, each with what it said.
    for (version, tags) in [("1", vec!["one"]), ("2", vec!["one", "two", "one"])] {
        let path = format!("/Patient/p1/_history/{version}");
        let stored = server.get(&path).await.has_status(200).json();
        assert_eq!(codes(&stored["meta"], "tag"), tags);
        assert_eq!(meta(&server, &format!("{path}/$meta")).await, stored["meta"]);
    }
}

/// <http://hl7.org/fhir/R4/resource-operation-meta.html>: "a summary of the profiles, tags, and
/// security labels for the given scope": the system, a type, a resource.
#[actix_web::test]
async fn of_a_type_and_of_the_system() {
    let server = Server::start();
    for (kind, id, meta) in [
        ("Patient", "a", json!({ "tag": [tag("x"), tag("y")] })),
        (
            "Patient",
            "b",
            json!({ "tag": [tag("y"), tag("Y")],
            "profile": ["http://hl7.org/fhir/StructureDefinition/Patient"] }),
        ),
        ("Basic", "c", json!({ "tag": [tag("z")], "security": [tag("s")] })),
        ("Basic", "d", json!({ "tag": [tag("gone")] })),
    ] {
        let mut value = json!({ "resourceType": kind, "id": id, "meta": meta });
        if kind == "Basic" {
            value["code"] = json!({ "text": "Invented" });
        }
        server.put(&format!("/{kind}/{id}"), &value).await.has_status(201);
    }
    server.delete("/Basic/d").await.has_status(204);
    let patients = meta(&server, "/Patient/$meta").await;
    assert_eq!(codes(&patients, "tag"), ["Y", "x", "y"], "codes differ by case too");
    assert_eq!(patients["profile"], json!(["http://hl7.org/fhir/StructureDefinition/Patient"]));
    assert_eq!(patients["security"], Value::Null);
    let basic = meta(&server, "/Basic/$meta").await;
    assert_eq!(
        (codes(&basic, "tag"), codes(&basic, "security")),
        (vec!["z".into()], vec!["s".into()])
    );
    let all = meta(&server, "/$meta").await;
    let own: Vec<String> = codes(&all, "tag").into_iter().filter(|c| c.len() == 1).collect();
    assert_eq!(own, ["Y", "x", "y", "z"]);
    assert_eq!(meta(&server, "/Observation/$meta").await, json!({}));
    let statement = server.get("/metadata").await.json();
    let offered = statement["rest"][0]["operation"].as_array().unwrap();
    let own = json!({ "name": "meta",
        "definition": "http://hl7.org/fhir/OperationDefinition/Resource-meta" });
    assert!(offered.contains(&own), "{offered:?}");
    let others = offered.iter().filter(|operation| **operation != own);
    let names: Vec<&str> = others.map(|operation| operation["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["export", "viewdefinition-run"]);
}

/// In XML as in JSON, both ways (<http://hl7.org/fhir/R4/xml.html>).
#[actix_web::test]
async fn in_xml() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let body = r#"<Parameters xmlns="http://hl7.org/fhir"><parameter><name value="meta"/><valueMeta><tag><system value="http://a.example/tags"/><code value="x"/></tag></valueMeta></parameter></Parameters>"#;
    let xml = ("Content-Type", "application/fhir+xml");
    let headers = [xml, ("Accept", "application/fhir+xml")];
    let answer = server.send("POST", "/Patient/p1/$meta-add", &headers, body).await.has_status(200);
    let told = r#"<valueMeta><versionId value="2"/>"#;
    assert!(answer.text.contains(told), "{}", answer.text);
    assert_eq!(codes(&meta(&server, "/Patient/p1/$meta").await, "tag"), ["x"]);
    let all = server.send("GET", "/Patient/p1/$everything", &headers, "").await.has_status(200);
    assert!(all.text.starts_with("<?xml") || all.text.starts_with("<Bundle"), "{}", all.text);
}

/// Tags outlive the server.
#[actix_web::test]
async fn kept_on_disk() {
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let add = body(json!({ "tag": [tag("kept")] }));
    server.post("/Patient/p1/$meta-add", &add).await.has_status(200);
    server.stop().await;
    let server = Server::in_directory(data.path());
    assert_eq!(codes(&meta(&server, "/Patient/p1/$meta").await, "tag"), ["kept"]);
    assert_eq!(ids(&server, "/Patient?_tag=kept").await, ["p1"]);
    let history = server.get("/Patient/p1/_history").await.json();
    assert_eq!(history["total"], 2);
    server.stop().await;
}

#[actix_web::test]
async fn what_is_refused() {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    let add = body(json!({ "tag": [tag("x")] }));
    server.post("/Patient/none/$meta-add", &add).await.is_error(404, "not-found");
    server.get("/Patient/none/$meta").await.is_error(404, "not-found");
    server.get("/Patient/p1/_history/7/$meta").await.is_error(404, "not-found");
    server.get("/Patient/p1/$meta-add").await.is_error(405, "not-supported");
    server.post("/Patient/$meta-add", &add).await.is_error(404, "not-found");
    server.get("/$everything").await.is_error(404, "not-found");
    server.get("/Patient/p1/$meta?x=y").await.is_error(400, "invalid");
    let version = server.post("/Patient/p1/_history/1/$meta-add", &add).await;
    version.is_error(400, "not-supported");
    for wrong in [
        json!({ "resourceType": "Parameters" }),
        patient("A"),
        json!({ "resourceType": "Parameters", "parameter": [{ "name": "meta", "valueString": "x" }] }),
        json!({ "resourceType": "Parameters", "parameter": [{ "name": "tag", "valueCoding": tag("x") }] }),
        body(json!({ "tag": tag("x") })),
        body(json!({ "tag": [] })),
        body(json!({ "tag": [{ "system": "http://a.example" }] })),
        body(json!({ "profile": [tag("x")] })),
    ] {
        server.post("/Patient/p1/$meta-add", &wrong).await.is_error(400, "invalid");
    }
    // What would not be valid is refused like any write, with its place.
    let wrong = body(json!({ "tag": [{ "code": "x", "userSelected": "perhaps" }] }));
    let answer = server.post("/Patient/p1/$meta-add", &wrong).await;
    assert!([400, 422].contains(&answer.status), "{}", answer.text);
    let place = answer.json()["issue"][0]["expression"][0].as_str().unwrap().to_owned();
    assert!(place.starts_with("Patient.meta.tag[0]"), "{place}");
    // Whose version is another is told, as for any write.
    let stale = [JSON, ("If-Match", "W/\"9\"")];
    let answer = server.send("POST", "/Patient/p1/$meta-add", &stale, add.to_string()).await;
    answer.is_error(412, "conflict");
    assert_eq!(server.get("/Patient/p1").await.header("ETag"), "W/\"1\"", "nothing was written");
    server.delete("/Patient/p1").await.has_status(204);
    server.post("/Patient/p1/$meta-add", &add).await.is_error(410, "deleted");
    server.get("/Patient/p1/$meta").await.is_error(410, "deleted");
}
