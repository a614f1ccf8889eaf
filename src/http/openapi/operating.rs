//! What those who run the server ask, in the description of the API.

use serde_json::{Value, json};

use crate::http::route::Route;

/// The item of one of its routes.
pub(super) fn item(route: Route) -> Value {
    let json = |text: &str| json!({ "description": text, "content": { "application/json": { "schema": { "type": "object" } } } });
    let outcome = json!({ "$ref": "#/components/responses/Outcome" });
    let (id, responses) = match route {
        Route::Live => ("live", json!({ "200": json("The server runs."), "500": outcome })),
        Route::Ready => (
            "ready",
            json!({
                "200": json("The server can do its work."),
                "500": outcome,
                "503": json("It cannot, and what keeps it from it."),
            }),
        ),
        _ => (
            "metrics",
            json!({
                "200": {
                    "description": "The numbers of the server, as OpenMetrics.",
                    "content": { "application/openmetrics-text": {} },
                },
                "401": outcome,
                "403": outcome,
                "500": outcome,
            }),
        ),
    };
    json!({ "get": {
        "operationId": format!("operating.{id}"),
        "tags": ["operating"],
        "parameters": [],
        "responses": responses,
    } })
}
