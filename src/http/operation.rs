//! Operations and the capabilities, from requests to answers.
//!
//! Source: <http://hl7.org/fhir/R4/operations.html#executing>.

use actix_web::http::Method;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpRequest, HttpResponse, web};

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Resource};
use crate::http::extract::{self, Expected};
use crate::http::format::{Format, Media};
use crate::http::{Since, block, now, reply};
use crate::interaction::capabilities::{Offered, capabilities};
use crate::interaction::subset::Cut;
use crate::operation::parameters::Parameters;
use crate::operation::{self, Call, Form, Level, Operation, Output};

type Answer = Result<HttpResponse, Error>;

/// `[base]/[type]/$[name]`.
pub(super) async fn on_type(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
) -> Answer {
    let kind = extract::kind(&request)?;
    let operation = operation::find(extract::segment(&request, "operation"), kind, Level::Type)?;
    call(app, &request, payload, operation, None).await
}

/// `[base]/[type]/[id]/$[name]`.
pub(super) async fn on_instance(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
) -> Answer {
    let (kind, id) = (extract::kind(&request)?, extract::id(&request)?);
    let name = extract::segment(&request, "operation");
    let operation = operation::find(name, kind, Level::Instance)?;
    call(app, &request, payload, operation, Some(id)).await
}

async fn call(
    app: web::Data<App>,
    request: &HttpRequest,
    payload: web::Payload,
    operation: &'static Operation,
    id: Option<Id>,
) -> Answer {
    let is_post = request.method() == Method::POST;
    if !is_post && !operation.by_get {
        return Err(Error::Method("POST"));
    }
    let offer = if operation.document { Media::DOCUMENT } else { Media::RESOURCE };
    let format = Format::of(request, offer)?;
    let kind = extract::kind(request)?;
    let base = extract::base(&app, request);
    let pairs = extract::parameters(request);
    let body = if is_post {
        extract::body(request, payload, Expected::Resource, app.config.max_bundle).await?
    } else {
        web::Bytes::new()
    };
    let form = match format.media {
        Media::Html => Form::Html,
        Media::Pdf => Form::Pdf,
        Media::FhirJson | Media::Json | Media::TextJson => Form::Resource,
    };
    let output = block(move || {
        let parameters = Parameters::new(pairs, input(&body)?);
        let now = now();
        let id = id.as_ref();
        let call = Call { app: &app, base: &base, now, kind, id, parameters, form };
        (operation.run)(&call)
    });
    Ok(told(output.await?, format))
}

/// The body of a call; an operation may need none.
fn input(body: &[u8]) -> Result<Option<Resource>, Error> {
    if body.is_empty() { Ok(None) } else { extract::any_resource(body).map(Some) }
}

fn told(output: Output, format: Format) -> HttpResponse {
    let mut builder = reply::status(200);
    match output {
        Output::Resource(value) => reply::json(builder, &value, format),
        Output::Html(page) => {
            builder.insert_header(reply::PAGE_POLICY);
            builder.insert_header((CONTENT_TYPE, Media::Html.content_type())).body(page)
        }
        Output::Pdf(bytes) => {
            builder.insert_header((CONTENT_TYPE, Media::Pdf.content_type())).body(bytes)
        }
    }
}

/// `GET [base]/metadata`.
pub(super) async fn metadata(
    app: web::Data<App>,
    since: web::Data<Since>,
    request: HttpRequest,
) -> Answer {
    let format = Format::of(&request, Media::RESOURCE)?;
    let cut = Cut::of_parameters(&extract::parameters(&request))?;
    let base = extract::base(&app, &request);
    let body = block(move || {
        let offered = |operation: &&Operation| Offered {
            name: operation.name,
            definition: operation.definition,
            types: operation.types,
        };
        let offered: Vec<Offered> = operation::ALL.iter().map(offered).collect();
        let statement = capabilities(&app, &base, since.0, &offered);
        Ok(cut.apply(&app.standard.model, statement.to_string().into_bytes()))
    });
    Ok(reply::json_bytes(reply::status(200), body.await?, format))
}
