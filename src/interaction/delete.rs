//! delete: resources are gone from reads and searches; their history stays.
//!
//! What is gone already, or never was, counts as deleted.
//! Source: <http://hl7.org/fhir/R4/http.html#delete>, <http://hl7.org/fhir/R4/http.html#cdelete>.

use crate::app::{App, Held};
use crate::config::ConditionalDelete;
use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use crate::interaction::precondition::{Preconditions, Rules};
use crate::interaction::{
    Done, Plan, Step, Subject, attempt::retry, criteria, write, write_standing,
};
use crate::repository::{self, Change};
use crate::store::View;

/// Deletes the resource; with criteria, the one that meets them, or where the configuration lets it
/// all of them at once.
///
/// # Errors
/// [`Error::Precondition`], [`Error::PreconditionRequired`], [`Error::MultipleMatches`],
/// [`Error::Conflict`], bad criteria, or a failure of the store.
pub fn delete(
    app: &App,
    kind: ResourceType,
    subject: &Subject,
    preconditions: &Preconditions,
    now: Instant,
) -> Result<Done, Error> {
    let rules = Rules { preconditions, tags_required: app.config.require_if_match };
    match subject {
        Subject::Id(id) => write_standing(app, now, |_, view| plan(view, kind, id, rules)),
        Subject::Criteria(criteria) => match app.config.conditional_delete {
            ConditionalDelete::Single => {
                write(app, now, |held, view| plan_one(held, view, (kind, criteria), rules, now))
            }
            ConditionalDelete::Multiple => delete_all(app, (kind, criteria), rules, now),
        },
    }
}

/// The plan of a delete.
pub(super) fn plan(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    rules: Rules<'_>,
) -> Result<Plan, Error> {
    let current = repository::current(view, kind, id)?;
    rules.check(current.as_ref())?;
    Ok(match current {
        Some(current) if current.body.is_some() => Step::Delete(current).into(),
        gone => Step::Keep(gone, 204).into(),
    })
}

/// The plan of the delete of what criteria select.
fn plan_one(
    held: &Held,
    view: &dyn View,
    (kind, criteria): (ResourceType, &str),
    rules: Rules<'_>,
    now: Instant,
) -> Result<Plan, Error> {
    let selected = criteria::select(held, view, kind, criteria, now)?;
    let mut plan = match selected.one()? {
        Some(id) => plan(view, kind, id, rules)?,
        None => Step::Keep(None, 204).into(),
    };
    plan.expects = selected.expects;
    Ok(plan)
}

/// How many resources one conditional delete may take away.
const MOST: usize = 1000;

fn delete_all(
    app: &App,
    (kind, criteria): (ResourceType, &str),
    rules: Rules<'_>,
    now: Instant,
) -> Result<Done, Error> {
    retry(app, |attempt| {
        let held: &Held = attempt;
        let view = app.store.view()?;
        let selected = criteria::select_up_to(held, &*view, kind, (criteria, MOST + 1), now)?;
        if selected.ids.len() > MOST {
            return Err(Error::MultipleMatches);
        }
        let mut changes = Vec::with_capacity(selected.ids.len());
        for id in &selected.ids {
            let current = repository::current(&*view, kind, id)?;
            let Some(live) = current.filter(|current| current.body.is_some()) else { continue };
            rules.check(Some(&live))?;
            changes.push(Change::delete(&live, now.max(live.last_updated)));
        }
        if !changes.is_empty() {
            let mut batch = repository::batch(&*view, &changes)?;
            batch.expects.extend(selected.expects);
            drop(view);
            let prepared = attempt.prepare(&changes)?;
            let seq = attempt.commit(prepared, batch)?;
            let several = changes.iter().map(|change| change.stored(seq)).collect();
            return Ok(Done { several, ..Done::new(204, None) });
        }
        Ok(Done::new(204, None))
    })
}
