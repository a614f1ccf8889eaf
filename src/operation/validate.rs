//! `$validate`: what the rules say about a resource, without storing it.
//!
//! The answer is 200 with all issues whenever the rules could be asked, however bad they say it is;
//! 4xx says that the question itself was wrong. What is asked of: a resource that is sent, or the
//! one that is stored under the URL. The modes `create` and `profile` ask for the content; `update`
//! asks whether it could replace what is stored there; `delete` whether that could be deleted.
//! Source: <http://hl7.org/fhir/R4/resource-operation-validate.html>.

use std::collections::HashSet;
use std::sync::Arc;

use crate::app::Beside;
use crate::error::Error;
use crate::fhir::outcome::{self, operation_outcome};
use crate::fhir::{Id, Issue, IssueType, Message, Resource, VersionId};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, Stored};
use crate::validation::cause;

pub(super) const OPERATION: Operation = Operation {
    name: "validate",
    definition: "http://hl7.org/fhir/OperationDefinition/Resource-validate",
    levels: &[Level::Type, Level::Instance],
    types: &[],
    by_get: true,
    document: false,
    run,
};

/// The modes of <http://hl7.org/fhir/R4/valueset-resource-validation-mode.html>.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Mode {
    Create,
    Update,
    Delete,
    Profile,
}

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let mode = mode(call)?;
    let profile = call.parameters.text("profile")?;
    if mode == Some(Mode::Profile) && profile.is_none() {
        let text = "The mode profile needs the parameter profile: the canonical of the profile.";
        return Err(Error::request("http.profile", text));
    }
    let mut issues = match (mode, call.id()) {
        (Some(Mode::Delete), Some(id)) => vec![of_delete(current(call, id)?.as_ref())],
        _ => of_content(call, mode, profile.as_deref())?,
    };
    outcome::locate(&mut issues, call.text, &call.parameters.place("resource"));
    Ok(Output::Resource(operation_outcome(&call.app.limited(issues))))
}

fn mode(call: &Call<'_>) -> Result<Option<Mode>, Error> {
    let mode = match call.parameters.text("mode")?.as_deref() {
        None => return Ok(None),
        Some("create") => Mode::Create,
        Some("update") => Mode::Update,
        Some("delete") => Mode::Delete,
        Some("profile") => Mode::Profile,
        Some(_) => {
            let text = "The mode is create, update, delete or profile.";
            return Err(Error::request("http.mode", text));
        }
    };
    let needs_id = matches!(mode, Mode::Update | Mode::Delete);
    if needs_id && call.id().is_none() {
        let text = "This mode is about one resource: call [base]/[type]/[id]/$validate.";
        return Err(Error::request("http.mode", text));
    }
    Ok(Some(mode))
}

/// What is to be said of the content, and of storing it as the mode says.
fn of_content(
    call: &Call<'_>,
    mode: Option<Mode>,
    profile: Option<&str>,
) -> Result<Vec<Issue>, Error> {
    let resource = resource(call)?;
    let kind = call.kind()?;
    if resource.kind() != kind {
        let text = format!("The resourceType must be that of the URL, {kind}.");
        let issue = Issue::error(IssueType::Invalid, text).at("resourceType");
        return Err(Error::Request(issue.message(Message::TypeOfUrl)));
    }
    let held = call.app.held();
    let mut beside = Beside::at(call.now);
    // What an update would put there is what a reference to it would mean.
    if let Some(id) = call.id() {
        beside.write(id, &resource);
    }
    let beside = Arc::new(beside);
    let mut issues = call.app.check(&held, &resource, &beside)?;
    issues.extend(held.standard.validator.advice(&resource));
    if let Some(profile) = profile {
        let validator = &held.standard.validator;
        let found = call.app.looking(&held, &beside, |around| {
            validator.check_profile_around(&resource, profile, around.clone())
        })?;
        let found = found.map_err(|_| Error::UnknownProfile)?;
        let told: HashSet<_> = issues.iter().map(cause).collect();
        let new: Vec<Issue> =
            found.into_iter().filter(|issue| !told.contains(&cause(issue))).collect();
        issues.extend(new);
    }
    if let (Some(Mode::Update), Some(id)) = (mode, call.id()) {
        issues.extend(of_update(&resource, id, current(call, id)?.as_ref()));
    }
    Ok(issues)
}

/// What is to be validated: the resource that was sent, or the one that the URL names.
fn resource(call: &Call<'_>) -> Result<Resource, Error> {
    if let Some(resource) = call.parameters.resource("resource")? {
        return Ok(resource);
    }
    // A Parameters that brings no resource may be what is to be validated itself.
    let kind = call.kind()?;
    if let Some(body) = call.parameters.body().filter(|body| body.kind() == kind) {
        return Ok(body.clone());
    }
    let Some(id) = call.id() else {
        return Err(Error::request("resource", "The resource to validate is missing."));
    };
    let stored = current(call, id)?.ok_or(Error::NotFound)?;
    stored.content()?.ok_or(Error::Deleted(stored.version))
}

fn current(call: &Call<'_>, id: &Id) -> Result<Option<Stored>, Error> {
    let view = call.app.store.view()?;
    Ok(repository::current(&*view, call.kind()?, id)?)
}

/// Whether the content could replace what is stored under that id.
fn of_update(resource: &Resource, id: &Id, stored: Option<&Stored>) -> Vec<Issue> {
    let kind = resource.kind();
    let mut issues = Vec::new();
    if resource.id_text() != Some(id.as_str()) {
        let text = "The id in the body must be the id in the URL.";
        let issue = Issue::error(IssueType::Invalid, text).at(format!("{kind}.id"));
        issues.push(issue.message(Message::IdOfUrl));
    }
    let Some(stored) = stored.filter(|stored| stored.body.is_some()) else {
        let text = "There is no such resource now; the update would create it.";
        issues.push(Issue::information(text).message(Message::WouldCreate));
        return issues;
    };
    let version = resource.value().pointer("/meta/versionId").and_then(|value| value.as_str());
    if version.is_some_and(|version| VersionId::parse(version) != Some(stored.version)) {
        let text = "The content was made from another version than the one that is stored.";
        let issue = Issue::warning(IssueType::Conflict, text).message(Message::OtherVersion);
        issues.push(issue.at(format!("{kind}.meta.versionId")));
    }
    issues
}

/// Whether what is stored there could be deleted. References to it do not keep it from being so.
fn of_delete(stored: Option<&Stored>) -> Issue {
    if stored.is_some_and(|stored| stored.body.is_some()) {
        let text = "The resource is there and can be deleted; its history stays.";
        return Issue::information(text).message(Message::WouldDelete);
    }
    let text = "There is no such resource now; a delete would change nothing.";
    let issue = Issue::warning(IssueType::NotFound, text);
    issue.message(Message::NothingToDelete)
}
