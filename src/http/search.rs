//! Search by GET and POST, from requests to answers.
//!
//! The parameters of the URL and of the form add up.
//! Source: <http://hl7.org/fhir/R4/http.html#search>.

use actix_web::{HttpRequest, HttpResponse, web};

use crate::app::App;
use crate::error::Error;
use crate::fhir::bundle::Bundle;
use crate::fhir::{Id, ResourceType};
use crate::http::extract::{self, Expected};
use crate::http::format::{Format, Media};
use crate::http::pool::compute;
use crate::http::prefer::Prefer;
use crate::http::route::{Answer, Call};
use crate::http::{journal, now, reply};
use crate::interaction;
use crate::interaction::search::{Question, Scope};
use crate::search;

/// `GET [base]`, `GET [base]/[type]`, and those of compartments.
pub(super) async fn by_get(call: Call, scope: Scope) -> Answer {
    let pairs = extract::parameters(&call.request);
    answer(call, scope, pairs).await
}

/// The same by POST, with `_search` at the end of the path.
pub(super) async fn by_post(call: Call, scope: Scope, payload: web::Payload) -> Answer {
    let limit = call.app.config.max_body;
    let body = extract::body(&call.request, payload, Expected::Form, limit).await?;
    journal::form(&call.request, &body.bytes);
    let mut all = extract::parameters(&call.request);
    all.extend(body.form()?.unwrap_or_default());
    answer(call, scope, all).await
}

/// A search within a compartment, as the path names it: `*` is for all types.
pub(super) fn compartment(of: ResourceType, id: Id, name: &str) -> Result<Scope, Error> {
    let kind = match name {
        "*" => None,
        name => Some(ResourceType::parse(name).ok_or(Error::UnknownType)?),
    };
    Ok(Scope::Compartment(of, id, kind))
}

async fn answer(call: Call, scope: Scope, pairs: Vec<(String, String)>) -> Answer {
    let Call { app, request, .. } = call;
    let format = Format::asked(&request, &pairs, Media::RESOURCE)?;
    let strict = Prefer::of(request.headers()).strict.unwrap_or(false);
    let base = extract::base(&app, &request);
    let most = app.config.max_search_rows;
    let question = Question { scope, pairs, strict, most_rows: Some(most.min(SOON_ROWS)) };
    // What is hidden from a token is passed over uncounted.
    if question.is_plain() && app.access.is_none() {
        match found(&app, &question, &base) {
            // It takes longer, and is begun anew where it keeps nobody waiting.
            Err(Error::Search(search::Error::TooCostly { .. })) => {}
            bundle => return Ok(told(&request, &bundle?, format)),
        }
    }
    let question = Question { most_rows: Some(most), ..question };
    let bundle = compute(move || found(&app, &question, &base));
    Ok(told(&request, &bundle.await?, format))
}

fn told(request: &HttpRequest, bundle: &Bundle, format: Format) -> HttpResponse {
    journal::found(request, bundle);
    reply::bundle(bundle, format)
}

/// What a search may touch, in rows, that is answered where it arrives: some hundred microseconds,
/// of which the way to another thread and back would be a good part.
const SOON_ROWS: u64 = 500;

fn found(app: &App, question: &Question, base: &str) -> Result<Bundle, Error> {
    let held = app.held();
    let view = app.store.view()?;
    interaction::search::search(&held, &*view, question, base, now())
}
