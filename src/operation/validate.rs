//! `$validate`: what the rules say about a resource, without storing it.
//!
//! The answer is 200 with all issues whenever the rules could be asked, however bad they say it is.
//! Source: <http://hl7.org/fhir/R4/resource-operation-validate.html>.

use crate::error::Error;
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Issue, IssueType, Resource};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository;

pub(super) const OPERATION: Operation = Operation {
    name: "validate",
    definition: "http://hl7.org/fhir/OperationDefinition/Resource-validate",
    levels: &[Level::Type, Level::Instance],
    types: &[],
    by_get: false,
    document: false,
    run,
};

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let mode = call.parameters.text("mode")?;
    match mode.as_deref() {
        None | Some("create" | "profile") => {}
        Some("update" | "delete") if call.id.is_some() => {}
        Some("update" | "delete") => {
            let text = "This mode is about one resource: call [base]/[type]/[id]/$validate.";
            return Err(Error::request("http.mode", text));
        }
        Some(_) => {
            let text = "The mode is create, update, delete or profile.";
            return Err(Error::request("http.mode", text));
        }
    }
    if mode.as_deref() == Some("delete") {
        return Ok(Output::Resource(operation_outcome(&[])));
    }
    let resource = resource(call)?;
    if resource.kind() != call.kind {
        let text = format!("The resourceType must be that of the URL, {}.", call.kind);
        return Err(Error::request("resourceType", text));
    }
    let held = call.app.held();
    let mut issues = match call.parameters.text("profile")? {
        Some(profile) => {
            let found = held.standard.validator.check_profile(&resource, &profile);
            found.map_err(|_| Error::UnknownProfile)?
        }
        None => held.check(&resource),
    };
    issues.extend(other_id(call, mode.as_deref(), &resource));
    Ok(Output::Resource(operation_outcome(&issues)))
}

/// What is to be validated: the resource that was sent, or the one that the URL names.
fn resource(call: &Call<'_>) -> Result<Resource, Error> {
    if let Some(resource) = call.parameters.resource("resource")? {
        return Ok(resource);
    }
    // A Parameters that brings no resource may be what is to be validated itself.
    if let Some(body) = call.parameters.body().filter(|body| body.kind() == call.kind) {
        return Ok(body.clone());
    }
    let Some(id) = call.id else {
        return Err(Error::request("resource", "The resource to validate is missing."));
    };
    let view = call.app.store.view()?;
    let stored = repository::current(&*view, call.kind, id)?.ok_or(Error::NotFound)?;
    let body = stored.body.ok_or(Error::Deleted(stored.version))?;
    let value = serde_json::from_slice(&body).map_err(|error| Error::Internal(error.into()))?;
    Ok(Resource::from_value(value)?)
}

/// An update must say the id of the URL.
fn other_id(call: &Call<'_>, mode: Option<&str>, resource: &Resource) -> Option<Issue> {
    let id = call.id.filter(|_| mode == Some("update"))?;
    let text = "The id in the body must be the id in the URL.";
    let issue = Issue::error(IssueType::Invalid, text).at(format!("{}.id", resource.kind()));
    (resource.id_text() != Some(id.as_str())).then_some(issue)
}
