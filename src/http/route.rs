//! Every route of the server, on one screen.
//!
//! Paths are matched part by part here rather than by the framework's patterns, which cost more
//! than a read from the store does. Types and ids are parsed once, and are never text again.
//! Source: <http://hl7.org/fhir/R4/http.html#summary>.

pub(super) mod pages;

use std::borrow::Cow;
use std::sync::Arc;

use actix_web::http::Uri;
use actix_web::{HttpRequest, HttpResponse, web};

use crate::access::session::Session;
use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, ResourceType, VersionId};
use crate::interaction::Subject;
use crate::interaction::query::unescape;
use crate::operation::Place;

pub(super) use crate::http::verb::{Verb, only};

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
    /// Whether the server runs.
    Live "/health/live" "GET, HEAD";
    /// Whether it can do its work.
    Ready "/health/ready" "GET, HEAD";
    /// Its numbers.
    Metrics "/metrics" "GET, HEAD";
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
    pub(super) fn of(parts: &[&str]) -> Result<Self, Error> {
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
    pub(super) fn kind(self, parts: &[&str]) -> Option<ResourceType> {
        let at = match self {
            Self::Compartment | Self::CompartmentSearch => 3,
            _ if self.is_page() => return None,
            _ => 1,
        };
        parts.get(at).and_then(|name| ResourceType::parse(name))
    }

    /// Whether a request to it may write resources.
    pub(super) fn may_write(self) -> bool {
        matches!(self, Self::System | Self::Type | Self::Instance | Self::Operation)
    }

    pub(super) fn knows(self, verb: Verb) -> bool {
        self.allow().split(", ").any(|name| name == verb.as_str())
    }
}

/// The parts of a path, decoded; a slash at its end means nothing.
pub(super) fn parts(path: &str) -> Vec<Cow<'_, str>> {
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

pub(super) fn kind(name: &str) -> Result<ResourceType, Error> {
    ResourceType::parse(name).ok_or(Error::UnknownType)
}

/// An id to look for; text that cannot be one names nothing.
pub(super) fn some_id(text: &str) -> Result<Id, Error> {
    Id::parse(text).ok_or(Error::NotFound)
}

/// The criteria of a conditional interaction.
pub(super) fn criteria(uri: &Uri) -> Result<Subject, Error> {
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
pub(super) fn new_id(text: &str) -> Result<Id, Error> {
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
