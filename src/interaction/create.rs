//! create: a new resource under an id that the server chooses.
//!
//! Source: <http://hl7.org/fhir/R4/http.html#create>.

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource};
use crate::interaction::{Done, Plan, Step, check, write};
use crate::repository::Method;

/// Stores the resource under a new id; an id in the body is ignored.
///
/// # Errors
/// [`Error::Invalid`] for content that breaks the rules, or a failure of the store.
pub fn create(app: &App, resource: &Resource, now: Instant) -> Result<Done, Error> {
    let issues = check(app, resource)?;
    let done = write(app, now, |_| Ok(plan(Id::random(), resource.clone())))?;
    Ok(done.with(issues))
}

/// The plan of a create under that id, which must be new.
pub(super) fn plan(id: Id, resource: Resource) -> Plan {
    Step::Write { current: None, method: Method::Post, id, resource }.into()
}
