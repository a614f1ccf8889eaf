//! update: a new version of a resource, or the first under an id that the client chose.
//!
//! Content that equals the current version still makes a new one: who wrote when is part of the
//! record. Source: <http://hl7.org/fhir/R4/http.html#update>,
//! <http://hl7.org/fhir/R4/http.html#upsert>, <http://hl7.org/fhir/R4/http.html#concurrency>.

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource};
use crate::interaction::precondition::Preconditions;
use crate::interaction::{Done, Plan, Step, sealed, write};
use crate::repository::{self, Method};
use crate::store::View;

/// Stores the resource as the next version under that id.
///
/// # Errors
/// [`Error::Request`] when the body names no id or another one, [`Error::Invalid`] for content that
/// breaks the rules, [`Error::Precondition`], [`Error::Conflict`], or a failure of the store.
pub fn update(
    app: &App,
    id: &Id,
    resource: &Resource,
    preconditions: &Preconditions,
    now: Instant,
) -> Result<Done, Error> {
    same_id(id, resource)?;
    write(app, now, Some(resource), |_, view| plan(view, id, resource, preconditions))
}

/// The body must say the id of the URL.
pub(super) fn same_id(id: &Id, resource: &Resource) -> Result<(), Error> {
    let place = format!("{}.id", resource.kind());
    match resource.id_text() {
        Some(text) if text == id.as_str() => Ok(()),
        Some(_) => Err(Error::request(place, "The id in the body must be the id in the URL.")),
        None => Err(Error::request(place, "The body of an update must have the id of the URL.")),
    }
}

/// The plan of an update; the content has been checked.
pub(super) fn plan(
    view: &dyn View,
    id: &Id,
    resource: &Resource,
    preconditions: &Preconditions,
) -> Result<Plan, Error> {
    let current = repository::current(view, resource.kind(), id)?;
    preconditions.check(current.as_ref())?;
    sealed::refuse(current.as_ref())?;
    let (id, resource) = (id.clone(), resource.clone());
    Ok(Step::Write { current, method: Method::Put, id, resource }.into())
}
