//! update: a new version of a resource, or the first under an id that the client chose.
//!
//! Content that equals the current version still makes a new one: who wrote when is part of the
//! record. Source: <http://hl7.org/fhir/R4/http.html#update>,
//! <http://hl7.org/fhir/R4/http.html#upsert>, <http://hl7.org/fhir/R4/http.html#concurrency>.

use crate::app::{App, Held};
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource};
use crate::interaction::precondition::{Preconditions, Rules};
use crate::interaction::{Done, Origin, Plan, Step, Subject, criteria, write_by};
use crate::repository::{self, Method};
use crate::store::{Expect, View};

/// Stores the resource as the next version of the subject. Where criteria select nothing it is
/// created, under the id in the body if there is one.
///
/// # Errors
/// [`Error::Request`] when the body names no id or another one, [`Error::Invalid`] for content that
/// breaks the rules, [`Error::MultipleMatches`], [`Error::IdInUse`], [`Error::Precondition`],
/// [`Error::PreconditionRequired`], [`Error::Conflict`], or a failure of the store.
pub fn update(
    app: &App,
    subject: &Subject,
    resource: &Resource,
    preconditions: &Preconditions,
    now: Instant,
) -> Result<Done, Error> {
    update_from(app, subject, resource, (preconditions, None), now)
}

/// The same with where it comes from.
///
/// # Errors
/// As [`update`], and for an origin that breaks the rules.
pub fn update_from(
    app: &App,
    subject: &Subject,
    resource: &Resource,
    (preconditions, origin): (&Preconditions, Option<&Origin>),
    now: Instant,
) -> Result<Done, Error> {
    let rules = Rules { preconditions, tags_required: app.config.require_if_match };
    match subject {
        Subject::Id(id) => {
            same_id(id, resource)?;
            let standing = (app, &app.standing);
            write_by(standing, origin, now, |_, view| plan(view, id, resource, rules))
        }
        Subject::Criteria(criteria) => write_by((app, &app.store), origin, now, |held, view| {
            let (target, expects) = target(held, view, resource, criteria, now)?;
            let mut plan = plan(view, target.id(), resource, rules)?;
            if let (Target::New(_), Step::Write { method, .. }) = (&target, &mut plan.step) {
                *method = Method::Post;
            }
            plan.expects.extend(expects);
            Ok(plan)
        }),
    }
}

/// What a conditional update comes to.
pub(super) enum Target {
    /// The one resource that was found, or the id that the client chose for a new one.
    Named(Id),
    /// A new resource under an id of the server's.
    New(Id),
}

impl Target {
    /// The id.
    pub(super) fn id(&self) -> &Id {
        match self {
            Self::Named(id) | Self::New(id) => id,
        }
    }
}

/// The resource that a conditional update is about
/// (<http://hl7.org/fhir/R4/http.html#cond-update>), and what makes that hold until the commit.
pub(super) fn target(
    held: &Held,
    view: &dyn View,
    resource: &Resource,
    criteria: &str,
    now: Instant,
) -> Result<(Target, Vec<Expect>), Error> {
    let kind = resource.kind();
    let selected = criteria::select(held, view, kind, criteria, now)?;
    let found = selected.one()?.cloned();
    let place = || format!("{kind}.id");
    let named = resource.id_text().map(|text| {
        let text_of = "An id is 1 to 64 of the letters A-Z a-z, digits, '-' and '.'.";
        Id::parse(text).ok_or_else(|| Error::request(place(), text_of))
    });
    let target = match (found, named.transpose()?) {
        (Some(found), Some(named)) if found != named => {
            let text = "The criteria select a resource with another id than the body's.";
            return Err(Error::request(place(), text));
        }
        (Some(found), _) => Target::Named(found),
        (None, None) => Target::New(Id::random()),
        (None, Some(named)) => {
            let current = repository::current(view, kind, &named)?;
            if current.is_some_and(|current| current.body.is_some()) {
                return Err(Error::IdInUse);
            }
            Target::Named(named)
        }
    };
    Ok((target, selected.expects))
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
    rules: Rules<'_>,
) -> Result<Plan, Error> {
    let current = repository::current(view, resource.kind(), id)?;
    rules.check(current.as_ref())?;
    let (id, resource) = (id.clone(), resource.clone());
    Ok(Step::Write { current, method: Method::Put, id, resource }.into())
}
