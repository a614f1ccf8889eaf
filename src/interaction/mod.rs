//! The `RESTful` interactions, one file each, named as the standard names them.
//!
//! Each write is planned on a view by a function that changes nothing, then made a change (stamped
//! and indexed) with no view open, then committed; when others were faster it is planned anew.
//! Nothing after the commit can fail. This module knows nothing of HTTP but the numbers of its
//! statuses. Source: <http://hl7.org/fhir/R4/http.html>.

pub mod amend;
mod attempt;
pub mod batch;
pub mod capabilities;
mod criteria;
pub mod create;
pub mod delete;
mod existence;
mod fhirpath_patch;
mod json_patch;
pub mod history;
pub mod indexing;
mod origin;
pub mod patch;
pub mod precondition;
pub mod publish;
pub mod read;
mod reference;
mod entry;
mod rewrite;
mod sealed;
pub mod search;
pub mod subscription;
pub mod subset;
mod transaction;
pub mod update;

use std::sync::Arc;

pub use origin::Origin;

use crate::app::{App, Beside, Held};
use crate::error::Error;
pub use crate::fhir::query;
use crate::fhir::{Id, Instant, Issue, IssueType, Resource};
use crate::repository::{self, Change, Method, Stored};
use crate::store::{self, Expect, Store, View};
use crate::validation::policy;
use attempt::retry;

/// What is to be done to one resource, decided on a view.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The step.
    pub step: Step,
    /// What else must still hold when it is committed.
    pub expects: Vec<Expect>,
}

/// A step of a plan.
#[derive(Clone, Debug)]
pub enum Step {
    /// A new version with that content, over what stands there now.
    Write {
        /// What stands there now, a deletion included.
        current: Option<Stored>,
        /// The interaction.
        method: Method,
        /// The resource's id.
        id: Id,
        /// The content, not yet stamped.
        resource: Resource,
    },
    /// The deletion of a resource that exists.
    Delete(Stored),
    /// Nothing is written, for what is asked holds already; the status says how.
    Keep(Option<Stored>, u16),
}

/// Which resource a write is about.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Subject {
    /// The one with that id.
    Id(Id),
    /// The one that meets the criteria: what follows the `?` in a URL.
    Criteria(String),
}

/// What came of a write.
#[derive(Clone, Debug)]
pub struct Done {
    /// The HTTP status: 200, 201 or 204.
    pub status: u16,
    /// The version that was made, or that was there already.
    pub stored: Option<Stored>,
    /// Warnings and hints about the content.
    pub issues: Vec<Issue>,
    /// What was deleted, where criteria selected several.
    pub several: Vec<Stored>,
}

/// What a writer wants back (<http://hl7.org/fhir/R4/http.html#prefer>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Return {
    /// Headers only.
    Minimal,
    /// The resource.
    Representation,
    /// An OperationOutcome.
    OperationOutcome,
}

impl From<Step> for Plan {
    fn from(step: Step) -> Self {
        Self { step, expects: Vec::new() }
    }
}

impl Plan {
    /// The change that the plan comes to, or what is there already.
    #[expect(clippy::result_large_err, reason = "both are answers, and neither is rare")]
    fn change(self, held: &Held, now: Instant) -> Result<Change, Done> {
        match self.step {
            Step::Write { current, method, id, resource } => {
                // A clock that was set back must not make a version older than the one before.
                let at = current.as_ref().map_or(now, |current| now.max(current.last_updated));
                let entries = |resource: &Resource| held.entries(resource);
                Ok(Change::write(current.as_ref(), method, id, resource, at, entries))
            }
            Step::Delete(current) => Ok(Change::delete(&current, now.max(current.last_updated))),
            Step::Keep(stored, status) => Err(Done::new(status, stored)),
        }
    }
}

impl Done {
    fn new(status: u16, stored: Option<Stored>) -> Self {
        Self { status, stored, issues: Vec::new(), several: Vec::new() }
    }

    fn of(change: &Change, seq: store::Seq) -> Self {
        let status = match (change.method, change.created) {
            (Method::Delete, _) => 204,
            (_, true) => 201,
            (_, false) => 200,
        };
        Self::new(status, Some(change.stored(seq)))
    }

    /// The same, with those warnings and hints.
    #[must_use]
    pub fn with(self, issues: Vec<Issue>) -> Self {
        Self { issues, ..self }
    }
}

/// Plans one write, checks its content, if it has any, changes and commits it.
fn write(
    app: &App,
    now: Instant,
    plan: impl Fn(&Held, &dyn View) -> Result<Plan, Error>,
) -> Result<Done, Error> {
    write_by((app, &app.store), None, now, plan)
}

/// The same for one who names what is replaced or deleted, and tells nothing of its content.
fn write_standing(
    app: &App,
    now: Instant,
    plan: impl Fn(&Held, &dyn View) -> Result<Plan, Error>,
) -> Result<Done, Error> {
    write_by((app, &app.standing), None, now, plan)
}

/// The same by that store, with where it comes from, which is stored in the same commit; where nothing
/// is written, that is not either.
fn write_by(
    (app, store): (&App, &Arc<dyn Store>),
    origin: Option<&Origin>,
    now: Instant,
    plan: impl Fn(&Held, &dyn View) -> Result<Plan, Error>,
) -> Result<Done, Error> {
    retry(app, |attempt| {
        let (mut change, mut issues, expects) = match change((app, store), attempt, now, &plan)? {
            Changing::Change(change, issues, expects) => (vec![change], issues, expects),
            Changing::Nothing(done) => return Ok(done),
        };
        if let (Some(origin), Some(written)) = (origin, change.first()) {
            let provenance = origin.of(app, attempt, written, now)?;
            change.push(provenance);
        }
        let prepared = attempt.prepare(&change)?;
        issues.extend(prepared.notes.iter().map(|(_, note)| note.clone()));
        let mut batch = {
            let view = store.view()?;
            let mut batch = repository::batch(&*view, &change)?;
            existence::expect(app, &*view, &mut batch, &change)?;
            subscription::own(app, &*view, &mut batch, &change)?;
            batch
        };
        batch.expects.extend(expects);
        let seq = attempt.commit(prepared, batch)?;
        let written = change.first().map(|change| Done::of(change, seq).with(issues));
        // There is one: what is written came first.
        written.ok_or(Error::NotFound)
    })
}

/// What a plan comes to.
enum Changing {
    /// A change, with warnings about its content and what must still hold at its commit.
    Change(Change, Vec<Issue>, Vec<Expect>),
    /// What is there already.
    Nothing(Done),
}

/// Plans one write by that store and checks its content, if it has any.
fn change(
    (app, store): (&App, &Arc<dyn Store>),
    held: &Held,
    now: Instant,
    plan: impl Fn(&Held, &dyn View) -> Result<Plan, Error>,
) -> Result<Changing, Error> {
    let mut plan = {
        let view = store.view()?;
        plan(held, &*view)?
    };
    let mut issues = Vec::new();
    if let Step::Write { id, resource, .. } = &mut plan.step {
        subscription::settle(resource);
        let mut beside = Beside::at(now);
        beside.write(id, resource);
        let accepted = check(app, held, resource, beside)?;
        policy::mark(resource, accepted.not_valid);
        issues = accepted.issues;
    }
    let expects = std::mem::take(&mut plan.expects);
    Ok(match plan.change(held, now) {
        Ok(change) => Changing::Change(change, issues, expects),
        Err(done) => Changing::Nothing(done.with(issues)),
    })
}

/// Content that may be stored.
struct Accepted {
    /// Warnings and hints about it.
    issues: Vec<Issue>,
    /// Whether it breaks rules all the same, and is tagged.
    not_valid: bool,
}

/// Holds the content against all rules, under what the server is set to.
///
/// # Errors
/// [`Error::Invalid`] with all issues when it is refused for one of them; or a failure of the store.
fn check(app: &App, held: &Held, resource: &Resource, beside: Beside) -> Result<Accepted, Error> {
    let mut found = app.check(held, resource, &Arc::new(beside))?;
    found.extend(subscription::faults(app, held, resource));
    let (mut issues, not_valid) = app.policy.lenient(resource.kind(), found);
    issues.extend(subsetted(resource));
    issues.extend(reference::conditional(resource));
    let issues = app.limited(issues);
    if issues.iter().any(Issue::is_error) {
        return Err(Error::Invalid(issues));
    }
    Ok(Accepted { issues, not_valid })
}

/// A resource of which elements were left out must not replace the whole one
/// (<http://hl7.org/fhir/R4/search.html#summary>).
fn subsetted(resource: &Resource) -> Option<Issue> {
    let tags = resource.value().pointer("/meta/tag").and_then(serde_json::Value::as_array)?;
    let place = tags.iter().position(|tag| {
        let is = |name: &str, text: &str| tag.get(name).is_some_and(|value| value == text);
        is("code", "SUBSETTED")
            && is("system", "http://terminology.hl7.org/CodeSystem/v3-ObservationValue")
    })?;
    let text = "The content is marked as incomplete (SUBSETTED); send the whole resource.";
    let place = format!("{}.meta.tag[{place}]", resource.kind());
    Some(Issue::error(IssueType::BusinessRule, text).at(place))
}
