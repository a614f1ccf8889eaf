//! The state and the files of exports, in the description of the API.

use serde_json::{Value, json};

fn parameters(names: &[&str]) -> Value {
    let each = names.iter().map(|name| {
        json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string" } })
    });
    each.collect()
}

fn described(id: &str, names: &[&str], found: &[(&str, Value)]) -> Value {
    let outcome = json!({ "$ref": "#/components/responses/Outcome" });
    let mut responses = json!({});
    if let Some(object) = responses.as_object_mut() {
        object.extend(found.iter().map(|(status, answer)| ((*status).to_owned(), answer.clone())));
        for status in ["400", "401", "403", "404", "406", "500"] {
            object.insert(status.to_owned(), outcome.clone());
        }
    }
    json!({
        "operationId": id,
        "tags": ["system"],
        "parameters": parameters(names),
        "responses": responses,
    })
}

/// `[base]/exports/{export}`.
pub(super) fn job() -> Value {
    let manifest = json!({ "description": "The manifest.",
        "content": { "application/json": { "schema": { "type": "object" } } } });
    let running = json!({ "description": "It is not done yet." });
    let gone = json!({ "$ref": "#/components/responses/Outcome" });
    json!({
        "get": described("export.state", &["export"], &[("200", manifest), ("202", running)]),
        "delete": described("export.end", &["export"], &[("202", gone)]),
    })
}

/// `[base]/exports/{export}/{file}`.
pub(super) fn file() -> Value {
    let lines = json!({ "description": "A resource a line.",
        "content": { "application/fhir+ndjson": {} } });
    json!({ "get": described("export.file", &["export", "file"], &[("200", lines)]) })
}
