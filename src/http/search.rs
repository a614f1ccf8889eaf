//! Search by GET and POST, from requests to answers.
//!
//! The parameters of the URL and of the form add up.
//! Source: <http://hl7.org/fhir/R4/http.html#search>.

use actix_web::{HttpRequest, HttpResponse, web};

use crate::app::App;
use crate::error::Error;
use crate::http::extract::{self, Expected};
use crate::http::format::{Format, Media, Prefer};
use crate::http::{block, now, reply};
use crate::interaction::query::pairs;
use crate::interaction::search::{Question, search};

/// `GET [base]/[type]`.
pub(super) async fn by_get(
    app: web::Data<App>,
    request: HttpRequest,
) -> Result<HttpResponse, Error> {
    let parameters = extract::parameters(&request);
    answer(app, &request, parameters).await
}

/// `POST [base]/[type]/_search`.
pub(super) async fn by_post(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, Error> {
    let body = extract::body(&request, payload, Expected::Form, app.config.max_body).await?;
    let text = std::str::from_utf8(&body);
    let text = text.map_err(|_| Error::request("http", "The form is not valid UTF-8."))?;
    let mut parameters = extract::parameters(&request);
    parameters.extend(pairs(text.trim_end()));
    answer(app, &request, parameters).await
}

async fn answer(
    app: web::Data<App>,
    request: &HttpRequest,
    pairs: Vec<(String, String)>,
) -> Result<HttpResponse, Error> {
    let format = Format::asked(request, &pairs, Media::RESOURCE)?;
    let kind = extract::kind(request)?;
    let strict = Prefer::of(request.headers()).strict.unwrap_or(false);
    let base = extract::base(&app, request);
    let bundle = block(move || {
        let question = Question { kind, pairs, strict };
        let view = app.store.view()?;
        search(&app, &*view, &question, &base, now())
    });
    Ok(reply::bundle(&bundle.await?, format))
}
