//! Operations and the capabilities, from requests to answers.
//!
//! Source: <http://hl7.org/fhir/R4/operations.html#executing>.

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpResponse, web};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::json;

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource, ResourceType, json};
use crate::http::extract::{self, Body, Expected};
use crate::http::format::{self, Format, Media};
use crate::http::reply::Policy;
use crate::http::route::{Answer, Call, Verb, only, place};
use crate::http::{Since, block, bulk, journal, now, openapi, reply};
use crate::interaction::batch::{Asked, Operations};
use crate::interaction::capabilities::{Mode, Offered, capabilities};
use crate::interaction::precondition::Preconditions;
use crate::interaction::query::pairs;
use crate::interaction::subset::Cut;
use crate::interaction::{amend, create};
use crate::operation::parameters::Parameters;
use crate::operation::{self, Form, Level, Output, Place, Writes};
use crate::repository::Stored;

/// `[base]/$[name]`, `[base]/[type]/$[name]`, `[base]/[type]/[id]/$[name]` and that of a version.
pub(super) async fn call(
    call: Call,
    verb: Verb,
    place: Place,
    name: &str,
    payload: web::Payload,
) -> Answer {
    let operation = operation::find(name.trim_start_matches('$'), &place)?;
    if bulk::is_export(&place, name) && matches!(verb, Verb::Get | Verb::Post) {
        return bulk::begin(call, verb, place, payload).await;
    }
    match verb {
        Verb::Post => {}
        Verb::Get if operation.by_get => {}
        _ if operation.by_get => return only("GET, HEAD, POST", verb),
        _ => return only("POST", verb),
    }
    let Call { app, request, .. } = call;
    let offer = if operation.document { Media::DOCUMENT } else { Media::RESOURCE };
    let table = if operation.is_table() { format::of_table(&request) } else { None };
    let format = if operation.is_table() { Format::PLAIN } else { Format::of(&request, offer)? };
    let base = extract::base(&app, &request);
    let mut pairs = extract::parameters(&request);
    let preconditions = match operation.by_get {
        true => Preconditions::default(),
        false => extract::preconditions(&request)?,
    };
    let body = if verb == Verb::Post {
        extract::body(&request, payload, Expected::Call, app.config.max_bundle).await?
    } else {
        Body::NONE
    };
    let form = match (table, format.media) {
        (Some(table), _) => Form::Table(table),
        (None, Media::Html) => Form::Html,
        (None, Media::Pdf) => Form::Pdf,
        (None, _) => Form::Resource,
    };
    let output = block(move || {
        extract::located(&body, || {
            let input = match body.form()? {
                Some(form) => {
                    pairs.extend(form);
                    None
                }
                None => input(&body)?,
            };
            let (now, text) = (now(), body.text());
            let call = operation::Call {
                app: &app,
                base: &base,
                now,
                place,
                parameters: Parameters::new(pairs, input),
                text,
                form,
                writes: &Interactions { app: &app, preconditions: &preconditions, now },
            };
            (operation.run)(&call).map(|output| (output, base))
        })
    });
    let (output, base) = output.await?;
    match &output {
        Output::Resource(value) => {
            journal::given_too(&request, journal::bundle::held_by(value));
        }
        Output::Text(bytes) => journal::given_too(&request, journal::bundle::held(bytes)),
        Output::Stored(_) | Output::Html(_) | Output::Table { .. } | Output::Pdf(_) => {}
    }
    Ok(told(output, &base, format))
}

/// The operations, for the entries of a batch.
pub(super) struct Entries<'a> {
    pub(super) app: &'a App,
    pub(super) base: &'a str,
    pub(super) now: Instant,
}

impl Operations for Entries<'_> {
    fn call(&self, asked: Asked, preconditions: &Preconditions) -> Result<Vec<u8>, Error> {
        let Self { app, base, now } = *self;
        let Asked { path, query, by_post, resource } = asked;
        let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty()).collect();
        let [before @ .., name] = parts.as_slice() else { return Err(Error::UnknownRoute) };
        let place = place(before)?;
        let operation = operation::find(name.trim_start_matches('$'), &place)?;
        if !by_post && !operation.by_get {
            return Err(Error::Method("POST"));
        }
        let call = operation::Call {
            app,
            base,
            now,
            place,
            parameters: Parameters::new(pairs(&query), resource),
            text: &[],
            form: Form::Resource,
            writes: &Interactions { app, preconditions, now },
        };
        match (operation.run)(&call)? {
            Output::Resource(value) => Ok(json::bytes(&value)),
            Output::Text(bytes) => Ok(bytes),
            Output::Stored(stored) => stored.body.ok_or(Error::NotFound),
            Output::Table { format, bytes } => {
                let binary = json!({
                    "resourceType": "Binary",
                    "contentType": format.media_type(),
                    "data": STANDARD.encode(bytes),
                });
                Ok(json::bytes(&binary))
            }
            Output::Html(_) | Output::Pdf(_) => {
                Err(Error::Internal("a form that was not asked for".into()))
            }
        }
    }
}

/// The interactions as operations use them.
struct Interactions<'a> {
    app: &'a App,
    preconditions: &'a Preconditions,
    now: Instant,
}

impl Writes for Interactions<'_> {
    fn amend(
        &self,
        target: (ResourceType, &Id),
        change: &dyn Fn(&Resource) -> Result<Option<Resource>, Error>,
    ) -> Result<Stored, Error> {
        amend::amend(self.app, target, self.preconditions, self.now, change)
    }

    fn create(&self, resource: &Resource, if_none_exist: &str) -> Result<Stored, Error> {
        let done = create::create(self.app, resource, Some(if_none_exist), self.now)?;
        done.stored.ok_or(Error::NotFound)
    }
}

/// The body of a call; an operation may need none.
fn input(body: &Body) -> Result<Option<Resource>, Error> {
    if body.bytes.is_empty() { Ok(None) } else { extract::any_resource(body).map(Some) }
}

fn told(output: Output, base: &str, format: Format) -> HttpResponse {
    let mut builder = reply::status(200);
    match output {
        Output::Resource(value) => reply::json(builder, &value, format),
        Output::Text(bytes) => reply::json_bytes(builder, bytes, format),
        Output::Stored(stored) => reply::stored(*stored, base, format),
        Output::Html(page) => reply::page(page, Policy::Reading),
        Output::Table { format, bytes } => {
            builder.insert_header((CONTENT_TYPE, format.media_type())).body(bytes)
        }
        Output::Pdf(bytes) => {
            builder.insert_header((CONTENT_TYPE, Media::Pdf.content_type())).body(bytes)
        }
    }
}

/// `GET /openapi.json`, also below the base; `_type` leaves only those types.
pub(super) async fn description(call: Call) -> Answer {
    let Call { app, request, .. } = call;
    let base = extract::base(&app, &request);
    let parameters = extract::parameters(&request);
    let named = parameters.iter().find(|(name, _)| name == "_type").map(|(_, value)| value);
    let types = match named {
        None => ResourceType::all().collect(),
        Some(names) => {
            let known = |name| ResourceType::parse(name).ok_or(Error::UnknownType);
            names.split(',').map(known).collect::<Result<Vec<_>, _>>()?
        }
    };
    let body = block(move || {
        let held = app.held();
        let source = openapi::Source { held: &held, base: &base, types };
        Ok(json::bytes(&openapi::document(&source)))
    });
    let format = Format { media: Media::Json, pretty: false };
    Ok(reply::tagged(&request, body.await?, format))
}

/// `GET [base]/metadata`.
pub(super) async fn metadata(call: Call) -> Answer {
    let Call { app, request, .. } = call;
    let since = request.app_data::<web::Data<Since>>().map_or_else(now, |since| since.0);
    let format = Format::of(&request, Media::RESOURCE)?;
    let parameters = extract::parameters(&request);
    let cut = Cut::of_parameters(&parameters)?;
    let base = extract::base(&app, &request);
    let mode = parameters.iter().find(|(name, _)| name == "mode").map(|(_, value)| value.as_str());
    let mode = match mode {
        None | Some("full") => Some(Mode::Full),
        Some("normative") => Some(Mode::Normative),
        Some("terminology") => None,
        Some(_) => {
            let text = "The mode is full, normative or terminology.";
            return Err(Error::request("http.mode", text));
        }
    };
    let body = block(move || {
        let held = app.held();
        let Some(mode) = mode else {
            let statement = operation::terminology::terminology_capabilities(&held, &base, since);
            return Ok(cut.apply(&held.standard.model, json::bytes(&statement)));
        };
        let offered = |operation: &&operation::Operation| Offered {
            name: operation.name,
            definition: operation.definition,
            types: operation.types,
            system: operation.levels.contains(&Level::System),
        };
        let offered: Vec<Offered> = operation::ALL.iter().map(offered).collect();
        let statement = capabilities((&app.config, &held), mode, &base, since, &offered);
        Ok(cut.apply(&held.standard.model, json::bytes(&statement)))
    });
    Ok(reply::tagged(&request, body.await?, format))
}
