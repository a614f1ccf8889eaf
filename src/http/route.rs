//! Every route of the server, on one screen.
//!
//! Paths are matched part by part here rather than by the framework's patterns, which cost more
//! than a read from the store does. Types and ids are parsed once, and are never text again.
//! Source: <http://hl7.org/fhir/R4/http.html#summary>.

mod pages;

use std::borrow::Cow;
use std::sync::Arc;

use actix_web::http::{Method, Uri};
use actix_web::{HttpRequest, HttpResponse, web};

use crate::access::session::Session;
use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, ResourceType, VersionId};
use crate::http::admit::{Needed, admit};
use crate::http::{bulk, bundle, now, operation, resource, search, sign_in, smart};
use crate::interaction::Subject;
use crate::interaction::query::unescape;
use crate::interaction::search::Scope as Among;
use crate::operation::Place;
use crate::repository::Scope;

/// A request, with the application that answers it.
pub(super) struct Call {
    pub(super) app: web::Data<App>,
    pub(super) request: HttpRequest,
    /// The session of the person whose browser asks, where it is one.
    pub(super) session: Option<Arc<Session>>,
}

/// The answer to a request.
pub(super) type Answer = Result<HttpResponse, Error>;

/// Defines [`Route`] from a table: name, path, verbs.
macro_rules! routes {
    ($($(#[$doc:meta])* $name:ident $template:literal $allow:literal;)*) => {
        /// What a path names, as far as it says which verbs are known.
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        pub(super) enum Route {
            $($(#[$doc])* $name,)*
        }

        impl Route {
            /// Every route.
            pub(super) const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// The path, with what varies in braces; below the base unless it is a page's.
            pub(super) fn template(self) -> &'static str {
                match self { $(Self::$name => $template,)* }
            }

            /// The verbs, as `Allow` has them. Operations know less than these.
            pub(super) fn allow(self) -> &'static str {
                match self { $(Self::$name => $allow,)* }
            }
        }
    };
}

routes! {
    /// The first page.
    Index "/" "GET, HEAD";
    /// What browsers ask for beside any page; there is none.
    Icon "/favicon.ico" "GET, HEAD";
    /// A script of a form.
    Script "/{script}" "GET, HEAD";
    /// The page of an episode.
    Episode "/episodes/{id}" "GET, HEAD";
    /// The form of a visit.
    Visit "/episodes/{id}/visit" "GET, HEAD";
    /// The letters of an episode, with the form that signs.
    Letters "/episodes/{id}/letters" "GET, HEAD";
    /// A new link to a letter.
    Links "/episodes/{id}/letters/{letter}/links" "POST";
    /// The end of a link to a letter.
    LinkEnd "/episodes/{id}/letters/{letter}/links/{link}" "POST";
    /// A link to a letter, as its recipient has it.
    SharedLink "/shared/{token}" "GET, HEAD, POST";
    /// The letter of a link that was opened.
    SharedLetter "/shared" "GET, HEAD";
    /// A form of that letter.
    SharedForm "/shared/letter/{form}" "GET, HEAD";
    /// The way to sign in.
    SignIn "/sign-in" "GET, HEAD";
    /// The way back.
    SignInBack "/sign-in/back" "GET, HEAD";
    /// The end of a session.
    SignOut "/sign-out" "POST";
    /// The page of a patient.
    Patient "/patients/{id}" "GET, HEAD";
    /// The audit, also as a file.
    Audit "/audit" "GET, HEAD";
    /// The cases behind a figure of the audit.
    AuditCases "/audit/cases" "GET, HEAD";
    /// The description of the API.
    OpenApi "/openapi.json" "GET, HEAD";
    /// The base.
    System "/" "GET, HEAD, POST";
    /// A search by POST over the system.
    SystemSearch "/_search" "POST";
    /// The capabilities.
    Metadata "/metadata" "GET, HEAD";
    /// What happened to all.
    SystemHistory "/_history" "GET, HEAD";
    /// What SMART clients need to know.
    SmartConfiguration "/.well-known/smart-configuration" "GET, HEAD";
    /// Tokens for clients.
    Token "/auth/token" "POST";
    /// What a token is worth.
    Introspect "/auth/introspect" "POST";
    /// The end of a token.
    Revoke "/auth/revoke" "POST";
    /// How far an export is, and its end.
    Export "/exports/{export}" "GET, HEAD, DELETE";
    /// A file of an export.
    ExportFile "/exports/{export}/{file}" "GET, HEAD";
    /// A type.
    Type "/{type}" "GET, HEAD, POST, PUT, PATCH, DELETE";
    /// A search by POST over a type.
    TypeSearch "/{type}/_search" "POST";
    /// What happened to a type.
    TypeHistory "/{type}/_history" "GET, HEAD";
    /// A resource.
    Instance "/{type}/{id}" "GET, HEAD, PUT, PATCH, DELETE";
    /// What happened to a resource.
    InstanceHistory "/{type}/{id}/_history" "GET, HEAD";
    /// A version of a resource.
    Version "/{type}/{id}/_history/{version}" "GET, HEAD";
    /// An operation, on a type or a resource.
    Operation "/{type}/${operation}" "GET, HEAD, POST";
    /// A search within what belongs to a resource.
    Compartment "/{compartment}/{id}/{type}" "GET, HEAD";
    /// The same by POST.
    CompartmentSearch "/{compartment}/{id}/{type}/_search" "POST";
}

impl Route {
    /// The route of a path in parts.
    ///
    /// # Errors
    /// [`Error::UnknownRoute`] or [`Error::UnknownType`].
    fn of(parts: &[&str]) -> Result<Self, Error> {
        let [base, parts @ ..] = parts else { return Ok(Self::Index) };
        if *base != super::BASE.trim_start_matches('/') {
            return pages::of(base, parts).ok_or(Error::UnknownRoute);
        }
        Ok(match parts {
            [] => Self::System,
            ["_search"] => Self::SystemSearch,
            ["metadata"] => Self::Metadata,
            ["_history"] => Self::SystemHistory,
            ["openapi.json"] => Self::OpenApi,
            [".well-known", "smart-configuration"] => Self::SmartConfiguration,
            ["exports", _] => Self::Export,
            ["exports", _, _] => Self::ExportFile,
            ["auth", "token"] => Self::Token,
            ["auth", "introspect"] => Self::Introspect,
            ["auth", "revoke"] => Self::Revoke,
            [operation] if is_operation(operation) => Self::Operation,
            [name, rest @ ..] => {
                let route = Self::of_type(rest).ok_or(Error::UnknownRoute)?;
                if *name == VIEW && rest.last() == Some(&VIEW_RUN) {
                    return Ok(route);
                }
                kind(name).map(|_| route)?
            }
        })
    }

    fn of_type(parts: &[&str]) -> Option<Self> {
        Some(match parts {
            [] => Self::Type,
            ["_history"] => Self::TypeHistory,
            ["_search"] => Self::TypeSearch,
            [operation] | [_, operation] | [_, "_history", _, operation]
                if is_operation(operation) =>
            {
                Self::Operation
            }
            [_] => Self::Instance,
            [_, "_history"] => Self::InstanceHistory,
            [_, "_history", _] => Self::Version,
            [_, "_search"] | [_, _, "_search"] => Self::CompartmentSearch,
            [_, _] => Self::Compartment,
            _ => return None,
        })
    }

    /// The type of the resources in question, where the path names one.
    fn kind(self, parts: &[&str]) -> Option<ResourceType> {
        let at = match self {
            Self::Compartment | Self::CompartmentSearch => 3,
            _ if self.is_page() => return None,
            _ => 1,
        };
        parts.get(at).and_then(|name| ResourceType::parse(name))
    }

    fn knows(self, verb: Verb) -> bool {
        self.allow().split(", ").any(|name| name == verb.as_str())
    }
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
    let needed = Needed::of(route, verb);
    let admitted = match admit(app, &request, needed, route.kind(&parts), now()).await {
        Err(Error::Unauthenticated(_)) if sign_in::is_wanted(&request, verb) => {
            return Ok(sign_in::way(&request));
        }
        admitted => admitted?,
    };
    let call = Call { app: admitted.app, request, session: admitted.session };
    match parts.as_slice() {
        [base, parts @ ..] if *base == super::BASE.trim_start_matches('/') => {
            within_base(call, (route, parts, verb), &uri, payload).await
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

    fn as_str(self) -> &'static str {
        match self {
            Self::Get => "GET",
            Self::Post => "POST",
            Self::Put => "PUT",
            Self::Patch => "PATCH",
            Self::Delete => "DELETE",
            Self::Options => "OPTIONS",
            Self::Other => "",
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

/// What an operation is called on, by the parts of the path before its name.
pub(super) fn place(before: &[&str]) -> Result<Place, Error> {
    Ok(match before {
        [] | [VIEW] => Place::default(),
        // R4 has no such type: the operation is one of the system, with the view named in the URL.
        [VIEW, id] => Place { id: Some(some_id(id)?), ..Place::default() },
        [of] => Place { kind: Some(kind(of)?), ..Place::default() },
        [of, id] => Place { kind: Some(kind(of)?), id: Some(some_id(id)?), version: None },
        [of, id, "_history", version] => {
            let version = Some(VersionId::parse(version).ok_or(Error::NotFound)?);
            Place { kind: Some(kind(of)?), id: Some(some_id(id)?), version }
        }
        _ => return Err(Error::UnknownRoute),
    })
}

/// The type of SQL on FHIR that has an operation here, though no resource of R4 is of it.
const VIEW: &str = "ViewDefinition";

/// That operation.
const VIEW_RUN: &str = "$viewdefinition-run";

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
    use crate::page::SCRIPTS;

    /// Each route is found by its own path, and by the verbs that it names only.
    #[test]
    fn routes_are_found_by_their_paths() {
        for route in Route::ALL {
            let base = if route.is_page() { "" } else { super::super::BASE };
            let path = format!("{base}{}", route.template());
            let path = path.replace("{type}", "Basic").replace("{compartment}", "Patient");
            let path = path.replace("{script}", SCRIPTS[0].0.trim_start_matches('/'));
            let parts = parts(&path);
            let parts: Vec<&str> = parts.iter().map(AsRef::as_ref).collect();
            assert_eq!(Route::of(&parts).ok(), Some(*route), "{path}");
            assert!(!route.knows(Verb::Other) && !route.knows(Verb::Options));
        }
    }

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
