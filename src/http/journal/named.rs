//! What a request does and what it is about, as its path and its parameters say.

use actix_web::HttpRequest;

use crate::fhir::{Id, Reference, ResourceType, VersionId, query};
use crate::http::route::{Route, Verb};
use crate::trail::{Interaction, Target};

/// What a request does; none for what gives nothing away and changes nothing.
pub(super) fn interaction(route: Route, verb: Verb, parts: &[&str]) -> Option<Interaction> {
    use Interaction as I;
    let operation = |name: &str| I::Operation(name.to_owned());
    Some(match (route, verb) {
        (_, Verb::Options)
        | (
            Route::Metadata
            | Route::OpenApi
            | Route::Icon
            | Route::Script
            | Route::SmartConfiguration
            | Route::Live
            | Route::Ready
            | Route::Metrics
            | Route::SignIn,
            _,
        ) => return None,
        (Route::Token | Route::SignInBack, _) => I::Login,
        (Route::Introspect, _) => I::Introspection,
        (Route::Revoke | Route::SignOut, _) => I::Logout,
        (Route::Links, _) => operation("make-link"),
        (Route::LinkEnd, _) => operation("end-link"),
        (Route::SharedLink, _) => operation("open-link"),
        (Route::Audit | Route::AuditCases, _) => operation("evaluate-measure"),
        (Route::Export | Route::ExportFile, _) => operation("export"),
        (Route::System, Verb::Post) => I::Batch,
        (Route::Index | Route::System | Route::SystemSearch, _) => I::SearchSystem,
        (Route::SystemHistory, _) => I::HistorySystem,
        (Route::TypeHistory, _) => I::HistoryType,
        (Route::InstanceHistory, _) => I::HistoryInstance,
        (Route::Version, _) => I::Vread,
        (Route::Type, Verb::Post) => I::Create,
        (Route::Type | Route::Instance, Verb::Put) => I::Update,
        (Route::Type | Route::Instance, Verb::Patch) => I::Patch,
        (Route::Type | Route::Instance, Verb::Delete) => I::Delete,
        (
            Route::Instance
            | Route::Episode
            | Route::Visit
            | Route::Letters
            | Route::Patient
            | Route::SharedLetter
            | Route::SharedForm,
            _,
        ) => I::Read,
        (Route::Type | Route::TypeSearch | Route::Compartment | Route::CompartmentSearch, _) => {
            I::SearchType
        }
        (Route::Operation, _) => {
            operation(parts.last().map_or("", |name| name.trim_start_matches('$')))
        }
    })
}

/// The resource that a path names.
pub(super) fn about(route: Route, parts: &[&str]) -> Option<Target> {
    let page = |kind| Some((ResourceType::parse(kind)?, *parts.get(1)?, None));
    let part = |at: usize| parts.get(at).copied();
    let (kind, id, version) = match route {
        Route::Links | Route::LinkEnd => (ResourceType::parse("Composition")?, part(3)?, None),
        Route::Episode | Route::Visit | Route::Letters => page("EpisodeOfCare")?,
        Route::Patient => page("Patient")?,
        Route::Instance | Route::InstanceHistory | Route::Version | Route::Operation => {
            let id = parts.get(2).filter(|part| !part.starts_with('$'))?;
            let version = parts.get(4).and_then(|text| VersionId::parse(text));
            (ResourceType::parse(parts.get(1)?)?, *id, version)
        }
        _ => return None,
    };
    Some(Target { kind, id: Id::parse(id)?, version })
}

/// The patient whose compartment is searched.
pub(super) fn compartment(route: Route, parts: &[&str]) -> Option<Id> {
    let is_of = matches!(route, Route::Compartment | Route::CompartmentSearch);
    let id = parts.get(2).filter(|_| is_of && parts.get(1) == Some(&"Patient"))?;
    Id::parse(id)
}

/// The one patient whom the parameters of a request name.
pub(super) fn patient(request: &HttpRequest, form: Option<&[u8]>, route: Route) -> Option<Id> {
    let mut pairs = query::pairs(request.query_string());
    pairs.extend(
        form.and_then(|form| std::str::from_utf8(form).ok())
            .map(query::pairs)
            .into_iter()
            .flatten(),
    );
    let is_of_patients = matches!(route, Route::Type | Route::TypeSearch)
        && request.path().split('/').any(|part| part == "Patient");
    in_pairs(&pairs, is_of_patients)
}

/// The same of parameters that are at hand.
pub(super) fn in_pairs(pairs: &[(String, String)], is_of_patients: bool) -> Option<Id> {
    pairs.iter().find_map(|(name, value)| {
        let (bare, modifier) = name.split_once(':').unwrap_or((name, ""));
        match (bare, modifier) {
            ("_id", "") if is_of_patients => Id::parse(value),
            ("patient" | "subject", "Patient") | ("patient", "") => {
                Id::parse(value).or_else(|| of_reference(value))
            }
            ("subject", "") => of_reference(value),
            _ => None,
        }
    })
}

fn of_reference(text: &str) -> Option<Id> {
    let reference = Reference::parse(text);
    let (kind, id) = reference.target()?;
    (kind.as_str() == "Patient").then(|| id.clone())
}

/// The resource of a URL, which may be a whole one or begin with the type.
pub(in crate::http) fn of_url(url: &str) -> Option<Target> {
    let url = url.split(['?', '#']).next()?;
    let parts: Vec<&str> = url.split('/').collect();
    let (rest, version) = match parts.as_slice() {
        [rest @ .., "_history", version] => (rest, VersionId::parse(version)),
        rest => (rest, None),
    };
    let [.., kind, id] = rest else { return None };
    Some(Target { kind: ResourceType::parse(kind)?, id: Id::parse(id)?, version })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patients_that_parameters_name() {
        for (text, is_of_patients, expected) in [
            ("patient=p-1", false, Some("p-1")),
            ("patient=Patient/p-1&code=x", false, Some("p-1")),
            ("subject=Patient/p-1", false, Some("p-1")),
            ("subject:Patient=p-1", false, Some("p-1")),
            ("subject=Group/p-1", false, None),
            ("subject=p-1", false, None),
            ("patient=p-1,p-2", false, None),
            ("patient.name=x", false, None),
            ("_id=p-1", true, Some("p-1")),
            ("_id=p-1", false, None),
        ] {
            let found = in_pairs(&query::pairs(text), is_of_patients);
            assert_eq!(found.as_ref().map(Id::as_str), expected, "{text}");
        }
    }

    #[test]
    fn resources_that_urls_name() {
        for (url, expected) in [
            ("http://a.example/fhir/Patient/p-1", Some("Patient/p-1")),
            ("Patient/p-1/_history/3", Some("Patient/p-1/_history/3")),
            ("Patient/p-1?x=y", Some("Patient/p-1")),
            ("Patient?x=y", None),
            ("urn:uuid:1", None),
        ] {
            assert_eq!(of_url(url).map(|target| target.reference()).as_deref(), expected, "{url}");
        }
    }
}
