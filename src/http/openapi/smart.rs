//! What SMART clients need, in the description of the API.

use serde_json::{Value, json};

use crate::http::route::Route;
use crate::smart::assertion::TYPE;

/// The item of one of its routes.
pub(super) fn item(route: Route) -> Value {
    let json = |text: &str, schema: Value| json!({ "description": text, "content": { "application/json": { "schema": schema } } });
    let outcome = json!({ "$ref": "#/components/responses/Outcome" });
    if route == Route::SmartConfiguration {
        return json!({ "get": {
            "operationId": "smart-configuration",
            "tags": ["smart"],
            "parameters": [],
            "responses": {
                "200": json("What SMART clients need to know.", json!({ "type": "object" })),
                "500": outcome,
            },
        } });
    }
    let (id, fields) = match route {
        Route::Token => ("token", vec!["grant_type", "scope"]),
        Route::Introspect => ("introspect", vec!["token"]),
        _ => ("revoke", vec!["token"]),
    };
    let mut properties = json!({
        "client_assertion_type": { "const": TYPE },
        "client_assertion": { "type": "string" },
    });
    let mut required = vec!["client_assertion_type", "client_assertion"];
    if let Some(object) = properties.as_object_mut() {
        object.extend(fields.iter().map(|name| ((*name).to_owned(), json!({ "type": "string" }))));
    }
    required.extend(fields);
    let form = json!({ "type": "object", "properties": properties, "required": required });
    let fault = json!({
        "type": "object",
        "properties": { "error": { "type": "string" }, "error_description": { "type": "string" } },
        "required": ["error"],
    });
    // What is wrong with the body before it is a form is told as everywhere.
    let mut refused = json("Why not.", fault.clone());
    if let Some(content) = refused.get_mut("content").and_then(Value::as_object_mut) {
        let schema = json!({ "$ref": "#/components/schemas/OperationOutcome" });
        content.insert("application/fhir+json".to_owned(), json!({ "schema": schema }));
    }
    json!({ "post": {
        "operationId": id,
        "tags": ["smart"],
        "parameters": [],
        "requestBody": {
            "required": true,
            "content": { "application/x-www-form-urlencoded": { "schema": form } },
        },
        "responses": {
            "200": json("The answer.", json!({ "type": "object" })),
            "400": refused,
            "401": json("The client is not known.", fault),
            "408": outcome,
            "413": outcome,
            "415": outcome,
            "500": outcome,
        },
    } })
}
