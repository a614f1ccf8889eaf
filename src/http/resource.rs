//! The interactions on instances and types, from requests to answers.

use actix_web::{HttpRequest, HttpResponse, web};

use crate::app::App;
use crate::error::Error;
use crate::http::extract::{self, Expected};
use crate::http::format::{Format, Media, Prefer};
use crate::http::{block, now, reply};
use crate::interaction;
use crate::interaction::subset::Cut;
use crate::repository::{Scope, Stored};

type Answer = Result<HttpResponse, Error>;

/// `GET [base]/[type]/[id]`.
pub(super) async fn read(app: web::Data<App>, request: HttpRequest) -> Answer {
    let format = Format::of(&request, Media::RESOURCE)?;
    let (kind, id) = (extract::kind(&request)?, extract::id(&request)?);
    let known = extract::preconditions(&request)?;
    let stored = {
        let view = app.store.view()?;
        interaction::read::read(&*view, kind, &id)?
    };
    Ok(reply::read(cut(&app, &request, stored)?, format, &known))
}

/// `GET [base]/[type]/[id]/_history/[version]`.
pub(super) async fn vread(app: web::Data<App>, request: HttpRequest) -> Answer {
    let format = Format::of(&request, Media::RESOURCE)?;
    let (kind, id) = (extract::kind(&request)?, extract::id(&request)?);
    let version = extract::version(&request)?;
    let known = extract::preconditions(&request)?;
    let stored = {
        let view = app.store.view()?;
        interaction::read::vread(&*view, kind, &id, version)?
    };
    Ok(reply::read(cut(&app, &request, stored)?, format, &known))
}

/// The version as `_summary` and `_elements` ask for it.
fn cut(app: &App, request: &HttpRequest, mut stored: Stored) -> Result<Stored, Error> {
    if request.query_string().is_empty() {
        return Ok(stored);
    }
    let cut = Cut::of_parameters(&extract::parameters(request))?;
    stored.body = stored.body.map(|body| cut.apply(&app.standard.model, body));
    Ok(stored)
}

/// `POST [base]/[type]`.
pub(super) async fn create(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
) -> Answer {
    let write = Write::of(&app, &request)?;
    let kind = extract::kind(&request)?;
    let criteria = extract::if_none_exist(&request)?;
    let limit = write.limit;
    let body = extract::body(&request, payload, Expected::Resource, limit).await?;
    let done = block(move || {
        let resource = extract::resource(&body, kind)?;
        interaction::create::create(&app, &resource, criteria.as_deref(), now())
    });
    Ok(reply::done(done.await?, &write.base, write.format, write.prefer))
}

/// `PUT [base]/[type]/[id]`.
pub(super) async fn update(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
) -> Answer {
    let write = Write::of(&app, &request)?;
    let (kind, id) = (extract::kind(&request)?, extract::new_id(&request)?);
    let preconditions = extract::preconditions(&request)?;
    let limit = write.limit;
    let body = extract::body(&request, payload, Expected::Resource, limit).await?;
    let done = block(move || {
        let resource = extract::resource(&body, kind)?;
        interaction::update::update(&app, &id, &resource, &preconditions, now())
    });
    Ok(reply::done(done.await?, &write.base, write.format, write.prefer))
}

/// `DELETE [base]/[type]/[id]`.
pub(super) async fn delete(app: web::Data<App>, request: HttpRequest) -> Answer {
    let write = Write::of(&app, &request)?;
    let (kind, id) = (extract::kind(&request)?, extract::new_id(&request)?);
    let preconditions = extract::preconditions(&request)?;
    let done = block(move || interaction::delete::delete(&app, kind, &id, &preconditions, now()));
    Ok(reply::done(done.await?, &write.base, write.format, write.prefer))
}

/// What the answers to all writes need.
struct Write {
    format: Format,
    prefer: Prefer,
    base: String,
    limit: usize,
}

impl Write {
    fn of(app: &App, request: &HttpRequest) -> Result<Self, Error> {
        let is_bundle = extract::segment(request, "type") == "Bundle";
        Ok(Self {
            format: Format::of(request, Media::RESOURCE)?,
            prefer: Prefer::of(request.headers()),
            base: extract::base(app, request),
            limit: if is_bundle { app.config.max_bundle } else { app.config.max_body },
        })
    }
}

/// `GET [base]/[type]/[id]/_history`.
pub(super) async fn history(app: web::Data<App>, request: HttpRequest) -> Answer {
    let scope = Scope::Instance(extract::kind(&request)?, extract::id(&request)?);
    history_of(app, &request, scope).await
}

/// `GET [base]/[type]/_history`.
pub(super) async fn type_history(app: web::Data<App>, request: HttpRequest) -> Answer {
    let scope = Scope::Type(extract::kind(&request)?);
    history_of(app, &request, scope).await
}

/// `GET [base]/_history`.
pub(super) async fn system_history(app: web::Data<App>, request: HttpRequest) -> Answer {
    history_of(app, &request, Scope::System).await
}

async fn history_of(app: web::Data<App>, request: &HttpRequest, scope: Scope) -> Answer {
    let format = Format::of(request, Media::RESOURCE)?;
    let strict = Prefer::of(request.headers()).strict.unwrap_or(false);
    let query = interaction::history::Query::parse(&extract::parameters(request), strict)?;
    let base = extract::base(&app, request);
    let bundle = block(move || {
        let page = {
            let view = app.store.view()?;
            interaction::history::history(&*view, &scope, &query)?
        };
        Ok(interaction::history::bundle(page, &scope, &query, &base, now()))
    });
    Ok(reply::bundle(&bundle.await?, format))
}
