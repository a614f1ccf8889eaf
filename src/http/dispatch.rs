//! From a request to what answers it: found, told to the trail, admitted, carried out.

use actix_web::http::{Method, Uri};
use actix_web::{HttpRequest, web};

use crate::app::App;
use crate::error::Error;
use crate::fhir::{ResourceType, VersionId};
use crate::http::admit::{Needed, admit, is_of_trail, is_somebody};
use crate::http::journal::{self, Entry};
use crate::http::once::{self, Keyed};
use crate::http::route::{
    Answer, Call, Route, Verb, criteria, kind, new_id, only, pages, parts, place, some_id,
};
use crate::http::{bulk, bundle, now, operation, resource, search, sign_in, smart};
use crate::interaction::Subject;
use crate::interaction::search::Scope as Among;
use crate::repository::Scope;

/// What a request asks for, found once.
#[derive(Clone, Copy)]
pub(super) struct Asked<'a> {
    uri: &'a Uri,
    parts: &'a [&'a str],
    route: Route,
    verb: Verb,
}

/// Answers any request.
pub(super) async fn answer(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
) -> Answer {
    let uri = request.uri().clone();
    let parts = parts(uri.path());
    let parts: Vec<&str> = parts.iter().map(AsRef::as_ref).collect();
    let verb = Verb::of(request.method());
    let route = Route::of(&parts)?;
    if route != Route::Operation && !route.knows(verb) {
        return only(route.allow(), verb);
    }
    journal::note(&request, |notes| notes.route = Some(route));
    let entry = Entry::begin(&request, (route, verb), &parts).await?;
    let asked = Asked { uri: &uri, parts: &parts, route, verb };
    let answer = once_or_more(app, request, payload, asked).await;
    if let Some(entry) = entry {
        entry.end(&answer);
    }
    answer
}

/// Carries it out, once where it has a key that says so.
async fn once_or_more(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
    asked: Asked<'_>,
) -> Answer {
    let may_have_key =
        asked.route.may_write() && matches!(*request.method(), Method::POST | Method::PATCH);
    match if may_have_key { once::key(&request)? } else { None } {
        // What nobody sent who is known is refused before its body is read.
        Some(key) if is_somebody(&app, &request, now()).await => {
            once::once(app, request, payload, key, asked).await
        }
        _ => carry_out(app, request, payload, asked, None).await,
    }
}

/// Carries out a request, which may be one that is carried out once.
pub(super) async fn carry_out(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
    Asked { uri, parts, route, verb }: Asked<'_>,
    keyed: Option<&Keyed>,
) -> Answer {
    let kind = route.kind(parts);
    let is_of_trail = is_of_trail(&app, kind);
    let (needed, is_own) = (Needed::of(route, verb), keyed.is_some());
    let admitted = match admit(app, &request, needed, kind, now(), is_own).await {
        Err(Error::Unauthenticated(_)) if sign_in::is_wanted(&request, verb) => {
            journal::turned_away(&request);
            return Ok(sign_in::way(&request));
        }
        admitted => admitted?,
    };
    if is_of_trail && verb != Verb::Get && matches!(route, Route::Type | Route::Instance) {
        return only("GET, HEAD", verb);
    }
    if let Some(keyed) = keyed
        && let Some(answer) = keyed.begin(&admitted.app).await?
    {
        return Ok(answer);
    }
    let call = Call { app: admitted.app, request, session: admitted.session };
    match parts {
        [base, parts @ ..] if *base == super::BASE.trim_start_matches('/') => {
            within_base(call, (route, parts, verb), uri, payload).await
        }
        parts => pages::answer(call, (route, parts, verb), payload).await,
    }
}

async fn within_base(
    call: Call,
    asked: (Route, &[&str], Verb),
    uri: &Uri,
    payload: web::Payload,
) -> Answer {
    match asked {
        (Route::System, _, Verb::Post) => bundle::process_bundle(call, payload).await,
        (Route::System, ..) => search::by_get(call, Among::System).await,
        (Route::SystemSearch, ..) => search::by_post(call, Among::System, payload).await,
        (Route::Metadata, ..) => operation::metadata(call).await,
        (Route::OpenApi, ..) => operation::description(call).await,
        (Route::SmartConfiguration, ..) => Ok(smart::configuration(&call)),
        (Route::Export, [_, id], Verb::Delete) => bulk::remove(call, id).await,
        (Route::Export, [_, id], _) => bulk::status(call, id).await,
        (Route::ExportFile, [_, id, name], _) => bulk::file(call, id, name).await,
        (Route::Token, ..) => smart::token(call, payload).await,
        (Route::Introspect, ..) => smart::introspect(call, payload).await,
        (Route::Revoke, ..) => smart::revoke(call, payload).await,
        (Route::SystemHistory, ..) => resource::history(call, Scope::System).await,
        (Route::TypeHistory, [name, _], _) => {
            resource::history(call, Scope::Type(kind(name)?)).await
        }
        (Route::TypeSearch, [name, _], _) => {
            search::by_post(call, Among::Type(kind(name)?), payload).await
        }
        (Route::InstanceHistory, [name, id, _], _) => {
            resource::history(call, Scope::Instance(kind(name)?, some_id(id)?)).await
        }
        (Route::Version, [name, id, _, version], _) => {
            let version = VersionId::parse(version).ok_or(Error::NotFound)?;
            resource::vread(call, kind(name)?, &some_id(id)?, version).await
        }
        (Route::Operation, [before @ .., name], verb) => {
            operation::call(call, verb, place(before)?, name, payload).await
        }
        (Route::Compartment, [of, id, name], _) => {
            let scope = search::compartment(kind(of)?, some_id(id)?, name)?;
            search::by_get(call, scope).await
        }
        (Route::CompartmentSearch, [of, id, rest @ ..], _) => {
            let name = if let [name, _] = rest { name } else { "*" };
            let scope = search::compartment(kind(of)?, some_id(id)?, name)?;
            search::by_post(call, scope, payload).await
        }
        (Route::Type, [name], verb) => of_type(call, kind(name)?, verb, uri, payload).await,
        (Route::Instance, [name, id], verb) => {
            instance(call, (kind(name)?, id), verb, payload).await
        }
        _ => Err(Error::UnknownRoute),
    }
}

async fn of_type(
    call: Call,
    kind: ResourceType,
    verb: Verb,
    uri: &Uri,
    payload: web::Payload,
) -> Answer {
    match verb {
        Verb::Post => resource::create(call, kind, payload).await,
        Verb::Put => resource::update(call, kind, criteria(uri)?, payload).await,
        Verb::Patch => resource::patch(call, kind, criteria(uri)?, payload).await,
        Verb::Delete => resource::delete(call, kind, criteria(uri)?).await,
        _ => search::by_get(call, Among::Type(kind)).await,
    }
}

async fn instance(
    call: Call,
    (kind, id): (ResourceType, &str),
    verb: Verb,
    payload: web::Payload,
) -> Answer {
    match verb {
        Verb::Put => resource::update(call, kind, Subject::Id(new_id(id)?), payload).await,
        Verb::Patch => resource::patch(call, kind, Subject::Id(some_id(id)?), payload).await,
        Verb::Delete => resource::delete(call, kind, Subject::Id(new_id(id)?)).await,
        _ => resource::read(call, kind, &some_id(id)?).await,
    }
}
