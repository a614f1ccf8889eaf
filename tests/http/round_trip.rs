//! What is put comes back: <http://hl7.org/fhir/R4/http.html#update> ("servers SHOULD accept the
//! resource as submitted"), over the official examples where they are at hand.

use std::path::PathBuf;

use serde_json::Value;

use crate::client::{JSON, Server};
use crate::shared;

/// The official examples of R4, if they are here.
fn examples() -> Vec<PathBuf> {
    let Some(directory) = shared::find("standard/examples") else { return Vec::new() };
    let files = std::fs::read_dir(directory).unwrap();
    let files = files.map(|file| file.unwrap().path());
    let mut files: Vec<_> =
        files.filter(|path| path.extension().is_some_and(|e| e == "json")).collect();
    files.sort();
    files
}

/// The content without what the server owns.
fn own(text: &str) -> Value {
    let mut value: Value = serde_json::from_str(text).unwrap();
    let object = value.as_object_mut().unwrap();
    if let Some(meta) = object.get_mut("meta").and_then(Value::as_object_mut) {
        meta.remove("versionId");
        meta.remove("lastUpdated");
    }
    if object.get("meta").is_some_and(|meta| meta.as_object().is_some_and(|m| m.is_empty())) {
        object.remove("meta");
    }
    value
}

#[actix_web::test]
async fn official_examples() {
    let server = Server::start();
    let (mut stored, mut refused) = (0, Vec::new());
    for path in examples() {
        let text = std::fs::read_to_string(&path).unwrap();
        let Ok(value) = serde_json::from_str::<Value>(&text) else { continue };
        let (Some(kind), Some(id)) = (value["resourceType"].as_str(), value["id"].as_str()) else {
            continue;
        };
        let place = format!("/{kind}/{id}");
        let answer = server.send("PUT", &place, &[JSON], text.clone()).await;
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if answer.status != 201 {
            assert!([400, 422].contains(&answer.status), "{name}: {}", answer.text);
            refused.push(name);
            continue;
        }
        // Who does not ask for the resource gets the content of a Binary.
        let accept = [("Accept", "application/fhir+json")];
        let back = server.send("GET", &place, &accept, "").await.has_status(200);
        // Texts are compared, not numbers, so that 1.0 is not 1.00.
        assert_eq!(own(&back.text).to_string(), reordered(&own(&text), &own(&back.text)), "{name}");
        server.delete(&place).await.has_status(204);
        stored += 1;
    }
    println!("{stored} stored, {} refused: {refused:?}", refused.len());
    assert!(refused.len() * 10 <= stored, "{refused:?}");
}

/// The text of the value with the members of its top level in the order of the other.
fn reordered(value: &Value, other: &Value) -> String {
    let (Some(object), Some(order)) = (value.as_object(), other.as_object()) else {
        return value.to_string();
    };
    assert_eq!(object.len(), order.len());
    let members = order.keys().map(|name| (name.clone(), object[name].clone()));
    Value::Object(members.collect()).to_string()
}
