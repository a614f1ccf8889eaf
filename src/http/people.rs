//! The people who sign in, as the record has them: a Practitioner each.
//!
//! Whom the issuer names by `fhirUser` is that one; else the one whose identifier is the issuer's URL
//! with its name of the person (`sub`).
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html#scopes-for-requesting-identity-data>.

use serde_json::Value;

use crate::app::App;
use crate::clinical::people::Party;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Resource, ResourceType};
use crate::repository;
use crate::search::query::Limits;
use crate::search::value::escape;
use crate::search::{self, Query, Setting, Total};
use crate::smart::sign_in::Proven;
use crate::smart::user_here;

/// A person who may sign in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Person {
    /// Their resource.
    pub(super) resource: (ResourceType, Id),
    /// Their name.
    pub(super) name: String,
}

/// The person whom an issuer has proven; none where the record has no such Practitioner, or one that
/// is not active.
///
/// # Errors
/// A failure of the store.
pub(super) fn find(
    app: &App,
    issuer: &str,
    proven: &Proven,
    base: &str,
    now: Instant,
) -> Result<Option<Person>, Error> {
    let kind = ResourceType::parse("Practitioner").ok_or(Error::UnknownType)?;
    let named = match &proven.fhir_user {
        Some(text) => user_here(text, base).filter(|(named, _)| *named == kind).map(|(_, id)| id),
        None => identified(app, kind, (issuer, &proven.subject), now)?,
    };
    let Some(id) = named else { return Ok(None) };
    let Some(resource) = active(app, kind, &id)? else { return Ok(None) };
    let name = Party::of(&resource).map(|party| party.name).unwrap_or_default();
    Ok(Some(Person { resource: (kind, id), name }))
}

/// Whether the resource of a person is there and active.
///
/// # Errors
/// A failure of the store.
pub(super) fn is_active(app: &App, person: Option<&(ResourceType, Id)>) -> Result<bool, Error> {
    let Some((kind, id)) = person else { return Ok(false) };
    Ok(active(app, *kind, id)?.is_some())
}

fn active(app: &App, kind: ResourceType, id: &Id) -> Result<Option<Resource>, Error> {
    let stored = repository::current(&*app.store.view()?, kind, id)?;
    let resource = stored.map(|stored| stored.content()).transpose()?.flatten();
    Ok(resource.filter(|resource| resource.value().at("active") != &Value::Bool(false)))
}

/// The one with that identifier; none where there are several.
fn identified(
    app: &App,
    kind: ResourceType,
    (issuer, subject): (&str, &str),
    now: Instant,
) -> Result<Option<Id>, Error> {
    let (held, view) = (app.held(), app.store.view()?);
    let setting = Setting { rules: &held.rules, now, strict: true, limits: Limits::default() };
    let (issuer, subject) = (escape(issuer), escape(subject));
    // Some issuers end their URL with a slash.
    let value = format!("{issuer}|{subject},{issuer}/|{subject}");
    let mut query = Query::parse(&setting, kind, &[("identifier".to_owned(), value)])?;
    (query.count, query.total) = (2, Total::None);
    let found = search::run(&*view, &held.rules, &query, None)?.matches;
    Ok(if let [one] = found.as_slice() { Some(one.id.clone()) } else { None })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::Standard;
    use crate::config::Config;
    use crate::interaction::precondition::Preconditions;
    use crate::interaction::{Subject, update};
    use crate::store::MemoryStore;
    use serde_json::json;
    use std::sync::Arc;

    const ISSUER: &str = "https://login.example";

    fn clinic() -> App {
        let standard = Arc::new(Standard::embedded().unwrap());
        let app = App::on(Config::default(), Box::new(MemoryStore::new()), standard).unwrap();
        let by = |system: &str, value: &str| json!([{ "system": system, "value": value }]);
        for value in [
            json!({ "resourceType": "Practitioner", "id": "ilse", "name": [{ "text": "Ilse" }],
                "identifier": by(ISSUER, "a|1") }),
            json!({ "resourceType": "Practitioner", "id": "otto", "active": false,
                "identifier": by(ISSUER, "2") }),
            json!({ "resourceType": "Practitioner", "id": "one", "identifier": by(ISSUER, "3") }),
            json!({ "resourceType": "Practitioner", "id": "two",
                "identifier": by("https://login.example/", "3") }),
            json!({ "resourceType": "Patient", "id": "ilse" }),
        ] {
            let resource = Resource::from_value(value).unwrap();
            let id = Id::parse(resource.id_text().unwrap()).unwrap();
            let (none, now) = (Preconditions::default(), Instant::from_millis(1));
            update::update(&app, &Subject::Id(id), &resource, &none, now).unwrap();
        }
        app
    }

    #[test]
    fn a_person_is_the_one_practitioner_whom_the_issuer_names() {
        let app = clinic();
        let base = "https://clinic.example/fhir";
        let find = |subject: &str, user: Option<&str>| {
            let fhir_user = user.map(str::to_owned);
            let proven = Proven { subject: subject.to_owned(), fhir_user };
            let found = find(&app, ISSUER, &proven, base, Instant::from_millis(2)).unwrap();
            found.map(|person| (person.resource.1.to_string(), person.name))
        };
        let ilse = Some(("ilse".to_owned(), "Ilse".to_owned()));
        assert_eq!(find("9", Some("Practitioner/ilse")), ilse);
        assert_eq!(find("9", Some("https://clinic.example/fhir/Practitioner/ilse")), ilse);
        assert_eq!(find("a|1", None), ilse);
        for (subject, user) in [
            // Another server's, another type, nobody, one who has left: the identifier does not help.
            ("a|1", Some("https://other.example/fhir/Practitioner/ilse")),
            ("a|1", Some("Patient/ilse")),
            ("a|1", Some("Practitioner/nobody")),
            ("9", Some("Practitioner/otto")),
            ("2", None),
            ("3", None),
            ("a", None),
            ("4,a|1", None),
            ("", None),
        ] {
            assert_eq!(find(subject, user), None, "{subject} {user:?}");
        }
    }
}
