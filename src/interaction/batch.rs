//! batch: each entry for itself, answered in the order of the request.
//!
//! Source: <http://hl7.org/fhir/R4/http.html#brules>,
//! <http://hl7.org/fhir/R4/http.html#transaction-response>.

use std::collections::HashSet;

use serde_json::Value;

use crate::app::{App, Held};
use crate::error::Error;
use crate::fhir::bundle::{self, Bundle, BundleType, Response};
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Instant, Issue, Resource};
use crate::interaction::entry::{self, Action, Entry, Read};
use crate::interaction::precondition::{Preconditions, etag};
use crate::interaction::search::Question;
use crate::interaction::{
    Done, Return, create, delete, history, patch, query, read, reference, search, transaction,
    update,
};
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
    let each = entries.into_iter().map(|value| {
        let done = entry::read(value, setting.base).and_then(|entry| one(setting, entry, &urns));
        done.unwrap_or_else(|error| refused(&error))
    });
    each.collect()
}

/// One entry of a batch.
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
    };
    Ok(written(done, setting.answer))
}

/// Entries of a batch must not refer to each other.
fn independent(resource: &Resource, urns: &HashSet<String>) -> Result<(), Error> {
    let message = "Entries of a batch must not refer to each other; use a transaction.";
    let issues = reference::refuse(resource, message, |text| urns.contains(text));
    if issues.is_empty() { Ok(()) } else { Err(Error::Invalid(issues)) }
}

/// The answer to an entry that was not carried out.
fn refused(error: &Error) -> bundle::Entry {
    let status = error.status();
    if status >= 500 {
        tracing::error!(cause = ?error, "an entry of a batch failed");
    }
    let outcome = Some(operation_outcome(&error.issues()));
    let response = Response { status, outcome, ..Response::default() };
    bundle::Entry { response: Some(response), ..bundle::Entry::default() }
}

/// The answer to an entry that wrote.
pub(super) fn written(done: Done, answer: Option<Return>) -> bundle::Entry {
    let Done { status, stored, issues } = done;
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
    let Setting { base, now, strict, .. } = setting;
    let stored = match what {
        Read::Current(kind, id) => read::read(view, *kind, id)?,
        Read::Version(kind, id, version) => read::vread(view, *kind, id, *version)?,
        Read::History(scope, text) => {
            let query = history::Query::parse(&query::pairs(text), strict)?;
            let page = history::history(view, scope, &query, base)?;
            let model = &held.standard.model;
            return Ok(found(&history::bundle(page, (scope, &query), model, base, now), head));
        }
        Read::Search(scope, text) => {
            let (scope, pairs) = (scope.clone(), query::pairs(text));
            let most_rows = Some(setting.app.config.max_search_rows);
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
