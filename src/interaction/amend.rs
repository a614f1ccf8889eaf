//! amend: a new version that differs from the current one in what the server itself computes.
//!
//! The change is computed from the version that is current when it is committed, and the outcome is
//! held to the same rules as an update. What changes nothing makes no version.
//! Source: <http://hl7.org/fhir/R4/http.html#update>.

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource, ResourceType};
use crate::interaction::precondition::{Preconditions, Rules};
use crate::interaction::{Plan, Step, read, write};
use crate::repository::{Method, Stored};

/// Stores what the function makes of the current version as the next one; none: it stays as it is.
///
/// # Errors
/// [`Error::NotFound`], [`Error::Deleted`], those of the function and of an update.
pub fn amend(
    app: &App,
    (kind, id): (ResourceType, &Id),
    preconditions: &Preconditions,
    now: Instant,
    change: &dyn Fn(&Resource) -> Result<Option<Resource>, Error>,
) -> Result<Stored, Error> {
    let rules = Rules { preconditions, tags_required: app.config.require_if_match };
    let done = write(app, now, |_, view| {
        let current = read::read(view, kind, id)?;
        let content = current.content()?.ok_or(Error::Deleted(current.version))?;
        rules.check(Some(&current))?;
        let step = match change(&content)? {
            None => Step::Keep(Some(current), 200),
            Some(resource) => {
                let (id, method) = (id.clone(), Method::Patch);
                Step::Write { current: Some(current), method, id, resource }
            }
        };
        Ok(Plan::from(step))
    })?;
    done.stored.ok_or(Error::NotFound)
}
