//! Patches as data: each file of `conformance/patch` has resources, patches, and what comes of them,
//! with the published rule.
//!
//! A case patches `given` (its own, or the file's) and `gives` a resource, or `changes` members of
//! it (null: the member goes), or is `refused` with a status, an issue code and, where given, an
//! expression; then nothing was written. `patch` is a JSON Patch, `text` one that is no JSON value;
//! `operations` are those of a FHIRPath Patch, their parts written as members. `{id}` in a patch is
//! the resource's id.

use std::path::Path;

use serde_json::{Value, json};

use crate::client::{JSON, Server};

/// Media type and body of the patch.
fn body(case: &Value, id: &str) -> (&'static str, String) {
    if let Some(text) = case["text"].as_str() {
        return ("application/json-patch+json", text.to_owned());
    }
    if let Some(patch) = case.get("patch") {
        return ("application/json-patch+json", patch.to_string().replace("{id}", id));
    }
    let operations = case["operations"].as_array().unwrap();
    let parameter: Vec<Value> = operations.iter().map(operation).collect();
    let parameters = json!({ "resourceType": "Parameters", "parameter": parameter });
    (JSON.1, parameters.to_string())
}

fn operation(told: &Value) -> Value {
    let part = |(name, value): (&String, &Value)| match name.as_str() {
        "type" => json!({ "name": name, "valueCode": value }),
        "path" | "name" => json!({ "name": name, "valueString": value }),
        "index" | "source" | "destination" => json!({ "name": name, "valueInteger": value }),
        "parts" => json!({ "name": "value", "part": value }),
        _ => json!({ "name": "value", name: value }),
    };
    let parts: Vec<Value> = told.as_object().unwrap().iter().map(part).collect();
    json!({ "name": "operation", "part": parts })
}

/// The content without what the server adds.
fn content(mut resource: Value) -> Value {
    let object = resource.as_object_mut().unwrap();
    object.remove("id");
    object.remove("meta");
    resource
}

fn expected(case: &Value, given: &Value) -> Value {
    let mut expected = case.get("gives").unwrap_or(given).clone();
    for (name, value) in case["changes"].as_object().into_iter().flatten() {
        let object = expected.as_object_mut().unwrap();
        match value {
            Value::Null => drop(object.remove(name)),
            value => drop(object.insert(name.clone(), value.clone())),
        }
    }
    expected
}

/// What is wrong with the outcome of a case; none if it is well.
async fn fault(server: &Server, case: &Value, given: &Value, id: &str) -> Option<String> {
    let given = case.get("given").unwrap_or(given);
    let place = format!("/{}/{id}", given["resourceType"].as_str().unwrap());
    let mut stored = given.clone();
    stored["id"] = json!(id);
    server.put(&place, &stored).await.has_status(201);
    let (kind, body) = body(case, id);
    let answer = server.send("PATCH", &place, &[("Content-Type", kind)], body).await;
    let now = server.get(&place).await.has_status(200);
    let found = content(now.json());
    if let Some(refused) = case.get("refused") {
        let issue = &answer.json()["issue"][0];
        let told = (json!(answer.status), &issue["code"], &issue["expression"][0]);
        let asked = refused.get("expression").unwrap_or(told.2);
        let wanted = (refused["status"].clone(), &refused["code"], asked);
        return if told != wanted {
            Some(format!("{told:?}, expected {wanted:?}"))
        } else if found != *given || now.header("ETag") != "W/\"1\"" {
            Some(format!("something was written: {found}"))
        } else {
            None
        };
    }
    let expected = expected(case, given);
    if answer.status != 200 {
        Some(format!("status {}: {}", answer.status, answer.text))
    } else if found != expected || content(answer.json()) != expected {
        Some(format!("{found}, expected {expected}"))
    } else {
        (now.header("ETag") != "W/\"2\"").then(|| format!("ETag {}", now.header("ETag")))
    }
}

#[actix_web::test]
async fn all_cases() {
    let server = Server::start();
    let (mut count, mut faults) = (0, Vec::new());
    for file in ["json-patch", "fhirpath-patch"] {
        let path = Path::new("conformance/patch").join(file).with_extension("json");
        let text = std::fs::read_to_string(path).unwrap();
        let told: Value = serde_json::from_str(&text).unwrap();
        for case in told["cases"].as_array().unwrap() {
            count += 1;
            if let Some(fault) = fault(&server, case, &told["given"], &format!("c{count}")).await {
                faults.push(format!("{file}: {}: {fault}", case["rule"]));
            }
        }
    }
    assert!(faults.is_empty(), "{} of {count}:\n{}", faults.len(), faults.join("\n"));
    assert!(count > 90, "{count}");
}
