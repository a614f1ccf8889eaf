//! Whether the server runs, and whether it can do its work; for who runs it.
//!
//! Open to all, so it says no more than that.

use actix_web::HttpResponse;
use serde_json::{Value, json};

use crate::error::Error;
use crate::http::admit::given;
use crate::http::block;
use crate::http::route::{Answer, Call};
use crate::trail::Trail;

/// `GET /health/live`: the process answers.
pub(super) fn live() -> HttpResponse {
    HttpResponse::Ok().json(json!({ "status": "pass" }))
}

/// `GET /health/ready`: the store answers, and the audit trail can be written where one is kept. New
/// search parameters that are still being indexed are told, and keep nobody from working.
pub(super) async fn ready(call: Call) -> Answer {
    let is_told = given::<Option<Trail>>(&call.request)?.as_ref().as_ref();
    let trail = is_told.map(|trail| !trail.is_failing());
    let app = call.app;
    let read = block(move || {
        let is_indexed = app.held().rules.pending().is_empty();
        let store = app.store.view().map(|view| view.seq()).map_err(Error::from);
        Ok((store.inspect_err(|error| tracing::error!(cause = ?error, "not ready")), is_indexed))
    });
    let (store, is_indexed) = read.await?;
    let said = |is_well: bool| if is_well { "pass" } else { "fail" };
    let is_ready = store.is_ok() && trail != Some(false);
    let mut checks = json!({
        "store": said(store.is_ok()),
        "indexing": if is_indexed { "done" } else { "at work" },
    });
    if let (Some(object), Some(is_well)) = (checks.as_object_mut(), trail) {
        object.insert("trail".to_owned(), Value::from(said(is_well)));
    }
    let status = if is_ready { HttpResponse::Ok() } else { HttpResponse::ServiceUnavailable() };
    let mut status = status;
    Ok(status.json(json!({ "status": said(is_ready), "checks": checks })))
}
