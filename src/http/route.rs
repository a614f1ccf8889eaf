//! Every route of the server, on one screen.
//!
//! Paths are matched part by part here rather than by the framework's patterns, which cost more
//! than a read from the store does. Types and ids are parsed once, and are never text again.
//! Source: <http://hl7.org/fhir/R4/http.html#summary>.

use std::borrow::Cow;

use actix_web::http::{Method, Uri};
use actix_web::{HttpRequest, HttpResponse, web};

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, ResourceType, VersionId};
use crate::http::{bundle, operation, page, resource, search};
use crate::interaction::Subject;
use crate::interaction::query::unescape;
use crate::interaction::search::Scope as Among;
use crate::page::SCRIPTS;
use crate::repository::Scope;

/// A request, with the application that answers it.
pub(super) struct Call {
    pub(super) app: web::Data<App>,
    pub(super) request: HttpRequest,
}

/// The answer to a request.
pub(super) type Answer = Result<HttpResponse, Error>;

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
    let call = Call { app, request };
    let [base, parts @ ..] = parts.as_slice() else {
        return match verb {
            Verb::Get => page::index(call).await,
            _ => only("GET, HEAD", verb),
        };
    };
    if let Some(page) = page_of(base, parts, verb) {
        return page.answer(call, verb).await;
    }
    if *base != super::BASE.trim_start_matches('/') {
        return Err(Error::UnknownRoute);
    }
    match (parts, verb) {
        ([], Verb::Post) => bundle::process_bundle(call, payload).await,
        ([], Verb::Get) => search::by_get(call, Among::System).await,
        ([], _) => only("GET, HEAD, POST", verb),
        (["_search"], Verb::Post) => search::by_post(call, Among::System, payload).await,
        (["_search"], _) => only("POST", verb),
        (["metadata"], Verb::Get) => operation::metadata(call).await,
        (["_history"], Verb::Get) => resource::history(call, Scope::System).await,
        (["metadata" | "_history"], _) => only("GET, HEAD", verb),
        ([name], Verb::Get) => search::by_get(call, Among::Type(kind(name)?)).await,
        ([name], Verb::Post) => resource::create(call, kind(name)?, payload).await,
        ([name], Verb::Put) => resource::update(call, kind(name)?, criteria(&uri)?, payload).await,
        ([name], Verb::Patch) => resource::patch(call, kind(name)?, criteria(&uri)?, payload).await,
        ([name], Verb::Delete) => resource::delete(call, kind(name)?, criteria(&uri)?).await,
        ([name], _) => kind(name).and_then(|_| only("GET, HEAD, POST, PUT, PATCH, DELETE", verb)),
        ([name, "_history"], Verb::Get) => resource::history(call, Scope::Type(kind(name)?)).await,
        ([name, "_history"], _) => kind(name).and_then(|_| only("GET, HEAD", verb)),
        ([name, "_search"], Verb::Post) => {
            search::by_post(call, Among::Type(kind(name)?), payload).await
        }
        ([name, "_search"], _) => kind(name).and_then(|_| only("POST", verb)),
        ([name, id], Verb::Get) if !is_operation(id) => {
            resource::read(call, kind(name)?, &some_id(id)?).await
        }
        ([name, id], Verb::Put) if !is_operation(id) => {
            resource::update(call, kind(name)?, Subject::Id(new_id(id)?), payload).await
        }
        ([name, id], Verb::Patch) if !is_operation(id) => {
            resource::patch(call, kind(name)?, Subject::Id(some_id(id)?), payload).await
        }
        ([name, id], Verb::Delete) if !is_operation(id) => {
            resource::delete(call, kind(name)?, Subject::Id(new_id(id)?)).await
        }
        ([name, id], _) if !is_operation(id) => {
            kind(name).and_then(|_| only("GET, HEAD, PUT, PATCH, DELETE", verb))
        }
        ([name, operation], _) => {
            operation::call(call, verb, (kind(name)?, None), operation, payload).await
        }
        ([name, id, "_history"], Verb::Get) => {
            resource::history(call, Scope::Instance(kind(name)?, some_id(id)?)).await
        }
        ([name, id, "_history", version], Verb::Get) => {
            let version = VersionId::parse(version).ok_or(Error::NotFound);
            resource::vread(call, kind(name)?, &some_id(id)?, version?).await
        }
        ([name, _, "_history"] | [name, _, "_history", _], _) => {
            kind(name).and_then(|_| only("GET, HEAD", verb))
        }
        ([name, id, operation], _) if is_operation(operation) => {
            let place = (kind(name)?, Some(some_id(id)?));
            operation::call(call, verb, place, operation, payload).await
        }
        _ => compartment(call, parts, verb, payload).await,
    }
}

/// The searches within what belongs to a resource.
async fn compartment(call: Call, parts: &[&str], verb: Verb, payload: web::Payload) -> Answer {
    match (parts, verb) {
        ([of, id, "_search"], Verb::Post) => {
            let scope = search::compartment(kind(of)?, some_id(id)?, "*")?;
            search::by_post(call, scope, payload).await
        }
        ([of, id, name, "_search"], Verb::Post) => {
            let scope = search::compartment(kind(of)?, some_id(id)?, name)?;
            search::by_post(call, scope, payload).await
        }
        ([of, _, "_search"] | [of, _, _, "_search"], _) => {
            kind(of).and_then(|_| only("POST", verb))
        }
        ([of, id, name], Verb::Get) => {
            let scope = search::compartment(kind(of)?, some_id(id)?, name)?;
            search::by_get(call, scope).await
        }
        ([of, _, name], _) if *name == "*" || ResourceType::parse(name).is_some() => {
            kind(of).and_then(|_| only("GET, HEAD", verb))
        }
        _ => Err(Error::UnknownRoute),
    }
}

/// A page for people beside the first one.
enum Page<'a> {
    Script(&'static str),
    /// What browsers ask for beside any page; there is none.
    Icon,
    Episode(&'a str),
    Visit(&'a str),
    Letters(&'a str),
    Patient(&'a str),
    /// A page that is asked for by another verb.
    Other,
}

impl Page<'_> {
    async fn answer(self, call: Call, verb: Verb) -> Answer {
        match self {
            Page::Script(text) => Ok(page::script(text)),
            Page::Icon => Ok(HttpResponse::NoContent().finish()),
            Page::Episode(id) => page::episode(call, some_id(id)?).await,
            Page::Visit(id) => page::visit(call, some_id(id)?).await,
            Page::Letters(id) => page::letters(call, some_id(id)?).await,
            Page::Patient(id) => page::patient(call, some_id(id)?).await,
            Page::Other => only("GET, HEAD", verb),
        }
    }
}

fn page_of<'a>(base: &str, parts: &[&'a str], verb: Verb) -> Option<Page<'a>> {
    let page = match (base, parts) {
        ("favicon.ico", []) => Page::Icon,
        ("episodes", [id]) => Page::Episode(id),
        ("episodes", [id, "visit"]) => Page::Visit(id),
        ("episodes", [id, "letters"]) => Page::Letters(id),
        ("patients", [id]) => Page::Patient(id),
        (name, []) => {
            let script = SCRIPTS.iter().find(|(path, _)| path.trim_start_matches('/') == name)?;
            Page::Script(script.1)
        }
        _ => return None,
    };
    Some(if verb == Verb::Get { page } else { Page::Other })
}

/// What a request wants to do, as far as routes tell it apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Verb {
    /// GET or HEAD; the body of the latter is left out on the way.
    Get,
    Post,
    Put,
    Patch,
    Delete,
    Options,
    Other,
}

impl Verb {
    fn of(method: &Method) -> Self {
        match *method {
            Method::GET | Method::HEAD => Self::Get,
            Method::POST => Self::Post,
            Method::PUT => Self::Put,
            Method::PATCH => Self::Patch,
            Method::DELETE => Self::Delete,
            Method::OPTIONS => Self::Options,
            _ => Self::Other,
        }
    }
}

/// The verbs that a path knows, told to one who asks or who tried another.
pub(super) fn only(allow: &'static str, verb: Verb) -> Answer {
    match verb {
        Verb::Options => Ok(HttpResponse::NoContent().insert_header(("Allow", allow)).finish()),
        _ => Err(Error::Method(allow)),
    }
}

/// The parts of a path, decoded; a slash at its end means nothing.
fn parts(path: &str) -> Vec<Cow<'_, str>> {
    let path = path.strip_prefix('/').unwrap_or(path);
    let path = path.strip_suffix('/').unwrap_or(path);
    if path.is_empty() {
        return Vec::new();
    }
    path.split('/')
        .map(|part| if part.contains('%') { unescape(part).into() } else { part.into() })
        .collect()
}

fn is_operation(part: &str) -> bool {
    part.starts_with('$')
}

fn kind(name: &str) -> Result<ResourceType, Error> {
    ResourceType::parse(name).ok_or(Error::UnknownType)
}

/// An id to look for; text that cannot be one names nothing.
fn some_id(text: &str) -> Result<Id, Error> {
    Id::parse(text).ok_or(Error::NotFound)
}

/// The criteria of a conditional interaction.
fn criteria(uri: &Uri) -> Result<Subject, Error> {
    let text = "The URL names no resource: it has neither an id nor criteria.";
    // These two are about the answer.
    let about_form = |part: &&str| part.starts_with("_format=") || part.starts_with("_pretty=");
    let parts = uri.query().unwrap_or_default().split('&').filter(|part| !part.is_empty());
    let criteria: Vec<&str> = parts.filter(|part| !about_form(part)).collect();
    if criteria.is_empty() {
        return Err(Error::request("http.criteria", text));
    }
    Ok(Subject::Criteria(criteria.join("&")))
}

/// An id under which a resource is to be put.
fn new_id(text: &str) -> Result<Id, Error> {
    Id::parse(text).ok_or_else(|| {
        Error::request("http.id", "An id is 1 to 64 of the letters A-Z a-z, digits, '-' and '.'.")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_paths() {
        for (path, expected) in [
            ("/", vec![]),
            ("/fhir", vec!["fhir"]),
            ("/fhir/", vec!["fhir"]),
            ("/fhir/Patient/1/", vec!["fhir", "Patient", "1"]),
            ("/fhir/Patient/%24validate", vec!["fhir", "Patient", "$validate"]),
            ("/fhir/Patient/a%2Fb", vec!["fhir", "Patient", "a/b"]),
            ("/fhir//Patient", vec!["fhir", "", "Patient"]),
        ] {
            assert_eq!(parts(path), expected, "{path}");
        }
    }
}
