//! create: a new resource under an id that the server chooses.
//!
//! Source: <http://hl7.org/fhir/R4/http.html#create>,
//! <http://hl7.org/fhir/R4/http.html#ccreate>.

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource};
use crate::interaction::{Done, Origin, Plan, Step, criteria, write_by};
use crate::repository::{self, Method};

/// Stores the resource under a new id; an id in the body is ignored. With the criteria of
/// `If-None-Exist` only if no resource meets them; if one does, nothing is written and that one
/// is the answer.
///
/// # Errors
/// [`Error::Invalid`] for content that breaks the rules, [`Error::MultipleMatches`],
/// [`Error::Request`] or [`Error::Search`] for bad criteria, or a failure of the store.
pub fn create(
    app: &App,
    resource: &Resource,
    if_none_exist: Option<&str>,
    now: Instant,
) -> Result<Done, Error> {
    create_from(app, resource, if_none_exist, None, now)
}

/// The same with where it comes from.
///
/// # Errors
/// As [`create`], and for an origin that breaks the rules.
pub fn create_from(
    app: &App,
    resource: &Resource,
    if_none_exist: Option<&str>,
    origin: Option<&Origin>,
    now: Instant,
) -> Result<Done, Error> {
    write_by((app, &app.store), origin, now, |held, view| {
        let Some(criteria) = if_none_exist else { return Ok(step(resource).into()) };
        let selected = criteria::select(held, view, resource.kind(), criteria, now)?;
        match selected.one()? {
            Some(id) => {
                let found = repository::current(view, resource.kind(), id)?;
                Ok(Step::Keep(found, 200).into())
            }
            None => Ok(Plan { step: step(resource), expects: selected.expects }),
        }
    })
}

/// The step of a create without criteria.
pub(super) fn step(resource: &Resource) -> Step {
    let (id, resource) = (Id::random(), resource.clone());
    Step::Write { current: None, method: Method::Post, id, resource }
}
