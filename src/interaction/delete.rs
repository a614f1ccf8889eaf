//! delete: the resource is gone from reads and searches; its history stays.
//!
//! What is gone already, or never was, counts as deleted.
//! Source: <http://hl7.org/fhir/R4/http.html#delete>.

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use crate::interaction::precondition::Preconditions;
use crate::interaction::{Done, Plan, Step, sealed, write};
use crate::repository;
use crate::store::View;

/// Deletes the resource.
///
/// # Errors
/// [`Error::Precondition`], [`Error::Conflict`], or a failure of the store.
pub fn delete(
    app: &App,
    kind: ResourceType,
    id: &Id,
    preconditions: &Preconditions,
    now: Instant,
) -> Result<Done, Error> {
    write(app, now, None, |_, view| plan(view, kind, id, preconditions))
}

/// The plan of a delete.
pub(super) fn plan(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    preconditions: &Preconditions,
) -> Result<Plan, Error> {
    let current = repository::current(view, kind, id)?;
    preconditions.check(current.as_ref())?;
    sealed::refuse(current.as_ref())?;
    Ok(match current {
        Some(current) if current.body.is_some() => Step::Delete(current).into(),
        gone => Step::Keep(gone, 204).into(),
    })
}
