//! batch: each entry for itself, answered in the order of the request.
//!
//! Creates and updates that follow each other are checked on all cores and written in one commit,
//! as a commit takes most of the time of a write; what cannot go together goes one by one. Either
//! way an entry that is refused changes nothing for the others.
//!
//! Source: <http://hl7.org/fhir/R4/http.html#brules>,
//! <http://hl7.org/fhir/R4/http.html#transaction-response>.

use std::collections::HashSet;

use rayon::prelude::*;
use serde_json::Value;

use crate::app::{App, Held, is_effective};
use crate::error::Error;
use crate::fhir::bundle::{self, Bundle, BundleType, Response};
use crate::fhir::outcome::operation_outcome;
use crate::fhir::place::Places;
use crate::fhir::{Id, Instant, Issue, Resource, ResourceType};
use crate::interaction::attempt::retry;
pub use crate::interaction::entry::Asked;
use crate::interaction::entry::{self, Action, Entry, Read};
use crate::interaction::precondition::{Preconditions, Rules, etag};
use crate::interaction::search::{Question, Scope};
use crate::interaction::{
    Changing, Done, Return, Subject, change, create, delete, history, patch, query, read,
    reference, search, transaction, update,
};
use crate::repository;
use crate::smart::Action as Permitted;
use crate::store::View;

/// What the entries of a Bundle are carried out with.
#[derive(Clone, Copy)]
pub struct Setting<'a> {
    /// The application.
    pub app: &'a App,
    /// The server's base URL.
    pub base: &'a str,
    /// The time of the request.
    pub now: Instant,
    /// What writers want back, where they say.
    pub answer: Option<Return>,
    /// Whether unknown parameters are refused.
    pub strict: bool,
    /// The Bundle as it came, for the places of what is wrong; empty where it did not come as text.
    pub text: &'a [u8],
    /// How entries of a batch call operations, where they can.
    pub operations: Option<&'a dyn Operations>,
}

/// The operations, as the entries of a batch call them.
pub trait Operations {
    /// The resource that the operation answers with, as JSON.
    ///
    /// # Errors
    /// Those of the call by itself.
    fn call(&self, asked: Asked, preconditions: &Preconditions) -> Result<Vec<u8>, Error>;
}

/// Carries out a Bundle of type batch or transaction.
///
/// # Errors
/// [`Error::Request`] for another resource or type of Bundle; for a transaction whatever is wrong
/// with one of its entries, as nothing was written then.
pub fn process(setting: Setting<'_>, mut bundle: Resource) -> Result<Bundle, Error> {
    if bundle.kind().as_str() != "Bundle" {
        let text = "A Bundle of type batch or transaction is expected here.";
        return Err(Error::request("resourceType", text));
    }
    let kind = bundle.value().get("type").and_then(Value::as_str);
    let is_transaction = match kind {
        Some("batch") => false,
        Some("transaction") => true,
        _ => {
            let text = "Only a Bundle of type batch or transaction is carried out; others are \
                        stored with POST [base]/Bundle.";
            return Err(Error::request("Bundle.type", text));
        }
    };
    let entries = entry::take_all(&mut bundle, is_transaction)?;
    let issues = setting.app.held().check(&bundle);
    if issues.iter().any(Issue::is_error) {
        return Err(Error::Invalid(setting.app.limited(issues)));
    }
    let (kind, entries) = if is_transaction {
        (BundleType::TransactionResponse, transaction::transaction(setting, entries)?)
    } else {
        (BundleType::BatchResponse, batch(setting, entries))
    };
    Ok(Bundle { entries, ..Bundle::new(kind, setting.now) })
}

fn batch(setting: Setting<'_>, entries: Vec<Value>) -> Vec<bundle::Entry> {
    let urls = entries.iter().filter_map(|entry| entry.get("fullUrl")?.as_str());
    let urns = urls.filter(|url| url.starts_with("urn:")).map(str::to_owned).collect();
    let mut refusals = Refusals { text: setting.text, places: None };
    let mut answers = Vec::with_capacity(entries.len());
    let mut run: Vec<(usize, Entry)> = Vec::new();
    for (at, value) in entries.into_iter().enumerate() {
        let entry = entry::read(value, setting.base);
        if entry.as_ref().map_or(true, |entry| !joins(setting.app, &run, entry)) {
            answers.extend(several(setting, std::mem::take(&mut run), &urns, &mut refusals));
        }
        match entry {
            Ok(entry) if joins(setting.app, &run, &entry) => run.push((at, entry)),
            Ok(entry) => answers.push(alone(setting, (at, entry), &urns, &mut refusals)),
            Err(error) => answers.push(refusals.tell(&error, at)),
        }
    }
    answers.extend(several(setting, run, &urns, &mut refusals));
    answers
}

/// How many writes share a commit at most, so that nobody waits for long behind them.
const TOGETHER: usize = 200;

/// Whether the entry may be written together with those: whatever comes of one of them, and in
/// whatever order, comes of it all the same.
fn joins(app: &App, run: &[(usize, Entry)], entry: &Entry) -> bool {
    let Some((kind, id)) = written_plainly(entry) else { return false };
    let repeats = |other: &Entry| id.is_some() && written_plainly(other) == Some((kind, id));
    let apart = !is_effective(kind) && !app.config.asks_for_targets();
    apart && run.len() < TOGETHER && !run.iter().any(|(_, other)| repeats(other))
}

/// What an entry without criteria writes: the type, and the id where the client chose it.
fn written_plainly(entry: &Entry) -> Option<(ResourceType, Option<&Id>)> {
    match &entry.action {
        Action::Create(resource, None) => Some((resource.kind(), None)),
        Action::Update(Subject::Id(id), resource) => Some((resource.kind(), Some(id))),
        _ => None,
    }
}

/// Entries that may be written together.
fn several(
    setting: Setting<'_>,
    run: Vec<(usize, Entry)>,
    urns: &HashSet<String>,
    refusals: &mut Refusals<'_>,
) -> Vec<bundle::Entry> {
    if run.len() > 1
        && let Ok(answers) = together(setting, &run, urns, refusals)
    {
        return answers;
    }
    run.into_iter().map(|entry| alone(setting, entry, urns, refusals)).collect()
}

/// The entries in one commit; none is written where there is an error.
fn together(
    setting: Setting<'_>,
    run: &[(usize, Entry)],
    urns: &HashSet<String>,
    refusals: &mut Refusals<'_>,
) -> Result<Vec<bundle::Entry>, Error> {
    let Setting { app, now, .. } = setting;
    retry(app, |attempt| {
        let held: &Held = attempt;
        let planned = run.par_iter().map(|(_, entry)| planned(app, held, entry, urns, now));
        let planned: Vec<Result<Changing, Error>> = planned.collect();
        let (mut changes, mut answers) = (Vec::new(), Vec::with_capacity(run.len()));
        for ((at, _), outcome) in run.iter().zip(planned) {
            answers.push(match outcome {
                Ok(Changing::Change(change, issues, _)) => {
                    changes.push(change);
                    Ok(issues)
                }
                Ok(Changing::Nothing(done)) => Err(written(done, setting.answer)),
                Err(error) => Err(refusals.tell(&error, *at)),
            });
        }
        let seq = match changes.as_slice() {
            [] => 0,
            changes => {
                let prepared = attempt.prepare(changes)?;
                let batch = repository::batch(&*app.standing.view()?, changes)?;
                attempt.commit(prepared, batch)?
            }
        };
        let mut changes = changes.iter();
        let answers = answers.into_iter().filter_map(|answer| match answer {
            Ok(issues) => {
                let done = Done::of(changes.next()?, seq).with(issues);
                Some(written(done, setting.answer))
            }
            Err(answer) => Some(answer),
        });
        Ok(answers.collect())
    })
}

/// What a create or update comes to.
fn planned(
    app: &App,
    held: &Held,
    entry: &Entry,
    urns: &HashSet<String>,
    now: Instant,
) -> Result<Changing, Error> {
    let rules =
        Rules { preconditions: &entry.preconditions, tags_required: app.config.require_if_match };
    if let Some(resource) = entry.content() {
        independent(resource, urns)?;
    }
    match &entry.action {
        Action::Create(resource, None) => {
            change((app, &app.store), held, now, |_, _| Ok(create::step(resource).into()))
        }
        Action::Update(Subject::Id(id), resource) => {
            update::same_id(id, resource)?;
            let by = (app, &app.standing);
            change(by, held, now, |_, view| update::plan(view, id, resource, rules))
        }
        _ => Err(Error::Internal("an entry that does not go together with others".into())),
    }
}

/// One entry of a batch by itself.
fn alone(
    setting: Setting<'_>,
    (at, entry): (usize, Entry),
    urns: &HashSet<String>,
    refusals: &mut Refusals<'_>,
) -> bundle::Entry {
    one(setting, entry, urns).unwrap_or_else(|error| refusals.tell(&error, at))
}

fn one(setting: Setting<'_>, entry: Entry, urns: &HashSet<String>) -> Result<bundle::Entry, Error> {
    let Setting { app, now, .. } = setting;
    let Entry { action, preconditions, .. } = entry;
    if let Action::Create(resource, _) | Action::Update(_, resource) = &action {
        independent(resource, urns)?;
    }
    let done = match action {
        Action::Create(resource, criteria) => {
            create::create(app, &resource, criteria.as_deref(), now)?
        }
        Action::Update(subject, resource) => {
            update::update(app, &subject, &resource, &preconditions, now)?
        }
        Action::Patch(kind, subject, change) => {
            patch::patch(app, kind, &subject, &change, &preconditions, now)?
        }
        Action::Delete(kind, subject) => delete::delete(app, kind, &subject, &preconditions, now)?,
        Action::Read { read, head } => {
            let held = app.held();
            let view = app.store.view()?;
            return reading(setting, &held, &*view, (&read, head), &preconditions);
        }
        Action::Call(asked) => {
            let none =
                || Error::not_supported("entry.request.url", "There are no operations here.");
            let resource = Some(setting.operations.ok_or_else(none)?.call(asked, &preconditions)?);
            let response = Some(Response { status: 200, ..Response::default() });
            return Ok(bundle::Entry { resource, response, ..bundle::Entry::default() });
        }
    };
    Ok(written(done, setting.answer))
}

/// Entries of a batch must not refer to each other.
fn independent(resource: &Resource, urns: &HashSet<String>) -> Result<(), Error> {
    let message = "Entries of a batch must not refer to each other; use a transaction.";
    let issues = reference::refuse(resource, message, |text| urns.contains(text));
    if issues.is_empty() { Ok(()) } else { Err(Error::Invalid(issues)) }
}

/// The answers to entries that were not carried out, with their places in the Bundle.
struct Refusals<'a> {
    text: &'a [u8],
    /// Made for the first of them.
    places: Option<Places<'a>>,
}

impl Refusals<'_> {
    fn tell(&mut self, error: &Error, at: usize) -> bundle::Entry {
        let status = error.status();
        if status >= 500 {
            tracing::error!(cause = ?error, "an entry of a batch failed");
        }
        let mut issues = error.issues();
        if self.places.is_none() {
            self.places = Places::of(self.text);
        }
        if let Some(places) = &mut self.places {
            let of_entry = |issue: &&mut Issue| {
                issue.expression.as_deref().is_some_and(|place| place.starts_with("entry"))
            };
            places.locate(issues.iter_mut().filter(of_entry), &format!("entry[{at}]"));
            places.locate(issues.iter_mut(), &format!("entry[{at}].resource"));
        }
        let outcome = Some(operation_outcome(&issues));
        let response = Response { status, outcome, ..Response::default() };
        bundle::Entry { response: Some(response), ..bundle::Entry::default() }
    }
}

/// The answer to an entry that wrote.
pub(super) fn written(done: Done, answer: Option<Return>) -> bundle::Entry {
    let Done { status, stored, issues, .. } = done;
    let version = stored.as_ref().filter(|_| status != 204);
    let wants_outcome = match answer {
        Some(Return::OperationOutcome) => true,
        Some(Return::Minimal) => false,
        Some(Return::Representation) | None => !issues.is_empty(),
    };
    let response = Response {
        status,
        location: version.map(|v| format!("{}/{}/_history/{}", v.kind, v.id, v.version)),
        etag: stored.as_ref().map(|stored| etag(stored.version)),
        last_modified: stored.as_ref().map(|stored| stored.last_updated),
        outcome: wants_outcome.then(|| operation_outcome(&issues)),
    };
    let body = stored.filter(|_| answer == Some(Return::Representation)).and_then(|s| s.body);
    bundle::Entry { resource: body, response: Some(response), ..bundle::Entry::default() }
}

/// The answer to an entry that reads.
pub(super) fn reading(
    setting: Setting<'_>,
    held: &Held,
    view: &dyn View,
    (what, head): (&Read, bool),
    preconditions: &Preconditions,
) -> Result<bundle::Entry, Error> {
    let Setting { app, base, now, strict, .. } = setting;
    let stored = match what {
        Read::Current(kind, id) => {
            app.permit(*kind, Permitted::Read)?;
            read::read(view, *kind, id)?
        }
        Read::Version(kind, id, version) => {
            app.permit(*kind, Permitted::Read)?;
            read::vread(view, *kind, id, *version)?
        }
        Read::History(scope, text) => {
            let query = history::Query::parse(&query::pairs(text), strict)?;
            let page = history::history(view, scope, &query, base)?;
            let model = &held.standard.model;
            return Ok(found(&history::bundle(page, (scope, &query), model, base, now), head));
        }
        Read::Search(scope, text) => {
            let (scope, pairs) = (scope.clone(), query::pairs(text));
            if let Scope::Type(kind) = &scope {
                app.permit(*kind, Permitted::Search)?;
            }
            let most_rows = Some(app.config.max_search_rows);
            let question = Question { scope, pairs, strict, most_rows };
            return Ok(found(&search::search(held, view, &question, base, now)?, head));
        }
    };
    let is_known = preconditions.is_known(&stored);
    let response = Response {
        status: if is_known { 304 } else { 200 },
        etag: Some(etag(stored.version)),
        last_modified: Some(stored.last_updated),
        ..Response::default()
    };
    let body = stored.body.filter(|_| !is_known && !head);
    Ok(bundle::Entry { resource: body, response: Some(response), ..bundle::Entry::default() })
}

fn found(bundle: &Bundle, head: bool) -> bundle::Entry {
    let resource = (!head).then(|| bundle.to_bytes());
    let response = Some(Response { status: 200, ..Response::default() });
    bundle::Entry { resource, response, ..bundle::Entry::default() }
}
