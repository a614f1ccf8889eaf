//! The interactions on instances and types, from requests to answers.

use actix_web::{HttpRequest, HttpResponse, web};

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Resource, ResourceType, VersionId, outcome};
use crate::http::binary;
use crate::http::extract::{self, Expected};
use crate::http::format::{Format, Media};
use crate::http::prefer::Prefer;
use crate::http::route::{Answer, Call};
use crate::http::{block, journal, now, reply};
use crate::interaction::subset::Cut;
use crate::interaction::{self, Done, Return, Subject};
use crate::repository::{Scope, Stored};

/// `GET [base]/[type]/[id]`.
#[expect(clippy::unused_async, reason = "answers like the others, which wait")]
pub(super) async fn read(call: Call, kind: ResourceType, id: &Id) -> Answer {
    let stored = {
        let view = call.app.store.view()?;
        interaction::read::read(&*view, kind, id)
    };
    found(&call, stored)
}

/// `GET [base]/[type]/[id]/_history/[version]`.
#[expect(clippy::unused_async, reason = "answers like the others, which wait")]
pub(super) async fn vread(call: Call, kind: ResourceType, id: &Id, version: VersionId) -> Answer {
    let stored = {
        let view = call.app.store.view()?;
        interaction::read::vread(&*view, kind, id, version)
    };
    found(&call, stored)
}

fn found(call: &Call, stored: Result<Stored, Error>) -> Answer {
    let whole = |stored, format| {
        let known = extract::preconditions(&call.request)?;
        Ok(reply::read(cut(&call.app, &call.request, stored)?, format, &known))
    };
    match stored {
        Ok(stored) if binary::is(stored.kind) => binary::read(call, stored, whole),
        stored => {
            let format = Format::of(&call.request, Media::RESOURCE)?;
            whole(stored?, format)
        }
    }
}

/// The version as `_summary` and `_elements` ask for it.
fn cut(app: &App, request: &HttpRequest, mut stored: Stored) -> Result<Stored, Error> {
    if request.query_string().is_empty() {
        return Ok(stored);
    }
    let cut = Cut::of_parameters(&extract::parameters(request))?;
    stored.body = stored.body.map(|body| cut.apply(&app.held().standard.model, body));
    Ok(stored)
}

/// `POST [base]/[type]`.
pub(super) async fn create(call: Call, kind: ResourceType, payload: web::Payload) -> Answer {
    let write = Write::of(&call, kind)?;
    let criteria = extract::if_none_exist(&call.request)?;
    let origin = extract::origin(&call.request)?;
    let Call { app, request, .. } = call;
    let body = extract::body(&request, payload, expected(kind), write.limit).await?;
    let sent = binary::Sent::of(request.headers())?;
    let done = block(move || {
        placed(write.prefer, &body, || {
            let resource = received(&body, kind, sent, None)?;
            let criteria = criteria.as_deref();
            interaction::create::create_from(&app, &resource, criteria, origin.as_ref(), now())
        })
    });
    Ok(write.told(&request, done.await?))
}

/// `PUT [base]/[type]/[id]` and `PUT [base]/[type]?…`.
pub(super) async fn update(
    call: Call,
    kind: ResourceType,
    subject: Subject,
    payload: web::Payload,
) -> Answer {
    let write = Write::of(&call, kind)?;
    let Call { app, request, .. } = call;
    let preconditions = extract::preconditions(&request)?;
    let origin = extract::origin(&request)?;
    let body = extract::body(&request, payload, expected(kind), write.limit).await?;
    let sent = binary::Sent::of(request.headers())?;
    let done = block(move || {
        placed(write.prefer, &body, || {
            let id = match &subject {
                Subject::Id(id) => Some(id),
                Subject::Criteria(_) => None,
            };
            let resource = received(&body, kind, sent, id)?;
            let along = (&preconditions, origin.as_ref());
            interaction::update::update_from(&app, &subject, &resource, along, now())
        })
    });
    Ok(write.told(&request, done.await?))
}

/// `PATCH [base]/[type]/[id]` and `PATCH [base]/[type]?…`.
pub(super) async fn patch(
    call: Call,
    kind: ResourceType,
    subject: Subject,
    payload: web::Payload,
) -> Answer {
    let write = Write::of(&call, kind)?;
    let Call { app, request, .. } = call;
    let preconditions = extract::preconditions(&request)?;
    let body = extract::body(&request, payload, Expected::Patch, write.limit).await?;
    let done = block(move || {
        let patch = extract::located(&body, || extract::patch(&body))?;
        let done = interaction::patch::patch(&app, kind, &subject, &patch, &preconditions, now());
        // What is said of the content has no place in the patch.
        done.map_err(|error| match error {
            Error::Patch(_) | Error::PatchTest(_) => error.located(body.text()),
            error => error,
        })
    });
    Ok(write.told(&request, done.await?))
}

/// `DELETE [base]/[type]/[id]` and `DELETE [base]/[type]?…`.
pub(super) async fn delete(call: Call, kind: ResourceType, subject: Subject) -> Answer {
    let write = Write::of(&call, kind)?;
    let Call { app, request, .. } = call;
    let preconditions = extract::preconditions(&request)?;
    let done =
        block(move || interaction::delete::delete(&app, kind, &subject, &preconditions, now()));
    Ok(write.told(&request, done.await?))
}

/// What the body of a create or update of that type may be.
fn expected(kind: ResourceType) -> Expected {
    if binary::is(kind) { Expected::Content } else { Expected::Resource }
}

/// The resource of that type that a body is or, for a Binary, holds the content of.
fn received(
    body: &extract::Body,
    kind: ResourceType,
    sent: binary::Sent,
    id: Option<&Id>,
) -> Result<Resource, Error> {
    if binary::is(kind) { sent.resource(body, id) } else { extract::resource(body, kind) }
}

/// What came of a body, with line and column of what is said about it.
fn placed(
    prefer: Prefer,
    body: &extract::Body,
    work: impl FnOnce() -> Result<Done, Error>,
) -> Result<Done, Error> {
    let mut done = extract::located(body, work)?;
    if prefer.answer == Some(Return::OperationOutcome) {
        outcome::locate(&mut done.issues, body.text(), "");
    }
    Ok(done)
}

/// What the answers to all writes need.
struct Write {
    format: Format,
    prefer: Prefer,
    base: String,
    limit: usize,
}

impl Write {
    fn of(call: &Call, kind: ResourceType) -> Result<Self, Error> {
        let Call { app, request, .. } = call;
        let is_bundle = kind.as_str() == "Bundle";
        Ok(Self {
            format: Format::of(request, Media::RESOURCE)?,
            prefer: Prefer::of(request.headers()),
            base: extract::base(app, request),
            limit: if is_bundle { app.config.max_bundle } else { app.config.max_body },
        })
    }

    /// The answer to what was done.
    fn told(&self, request: &HttpRequest, done: Done) -> HttpResponse {
        journal::written(request, &done);
        reply::done(done, &self.base, self.format, self.prefer)
    }
}

/// `GET` of `[base]/_history`, `[base]/[type]/_history`, `[base]/[type]/[id]/_history`.
pub(super) async fn history(call: Call, scope: Scope) -> Answer {
    let Call { app, request, .. } = call;
    let format = Format::of(&request, Media::RESOURCE)?;
    let strict = Prefer::of(request.headers()).strict.unwrap_or(false);
    let query = interaction::history::Query::parse(&extract::parameters(&request), strict)?;
    let base = extract::base(&app, &request);
    let bundle = block(move || {
        let page = {
            let view = app.store.view()?;
            interaction::history::history(&*view, &scope, &query, &base)?
        };
        let model = &app.held().standard.model;
        Ok(interaction::history::bundle(page, (&scope, &query), model, &base, now()))
    });
    let bundle = bundle.await?;
    journal::found(&request, &bundle);
    Ok(reply::bundle(&bundle, format))
}
