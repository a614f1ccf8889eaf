//! patch: a new version that differs from the current one in what the client names.
//!
//! The patch is applied to the version that is current when it is committed; the outcome is held to
//! the same rules as an update, and is stored whole or not at all. No narrative is left that may
//! contradict what was patched.
//! Source: <http://hl7.org/fhir/R4/http.html#patch>, <https://www.rfc-editor.org/rfc/rfc6902>,
//! <http://hl7.org/fhir/R4/fhirpatch.html>.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use json_patch::{PatchError, PatchErrorKind};
use serde_json::Value;

use crate::app::App;
use crate::definitions::model::Model;
use crate::error::Error;
use crate::fhir::json::{self, At, MAX_DEPTH};
use crate::fhir::{Id, Instant, Issue, IssueType, Resource, ResourceType};
use crate::interaction::precondition::{Preconditions, Rules};
use crate::interaction::{Done, Plan, Step, Subject, criteria, fhirpath_patch, write};
use crate::repository::{self, Method};
use crate::store::View;

/// What is to be changed.
#[derive(Clone, PartialEq, Debug)]
pub enum Patch {
    /// JSON Patch (RFC 6902).
    Json(json_patch::Patch),
    /// FHIRPath Patch.
    FhirPath(Vec<fhirpath_patch::Operation>),
}

impl Patch {
    /// Reads a JSON Patch document.
    ///
    /// # Errors
    /// [`Error::Malformed`] for what is not JSON, [`Error::Request`] for what is no patch.
    pub fn json(bytes: &[u8]) -> Result<Self, Error> {
        let value = json::parse(bytes, MAX_DEPTH)?;
        let Value::Array(operations) = &value else {
            return Err(Error::request("patch", "A JSON Patch is an array of operations."));
        };
        for (at, operation) in operations.iter().enumerate() {
            if let Err(error) =
                serde_json::from_value::<json_patch::PatchOperation>(operation.clone())
            {
                let text = format!("This is no operation of RFC 6902: {error}.");
                return Err(Error::request(format!("patch[{at}]"), text));
            }
        }
        let patch = serde_json::from_value(value);
        let patch = patch.map_err(|error| Error::request("patch", format!("{error}.")))?;
        Ok(Self::Json(patch))
    }

    /// Reads a FHIRPath Patch.
    ///
    /// # Errors
    /// [`Error::Request`] for what is no patch.
    pub fn parameters(resource: &Resource) -> Result<Self, Error> {
        fhirpath_patch::read(resource).map(Self::FhirPath)
    }

    /// Reads the patch that a resource in an entry of a Bundle brings: a JSON Patch as the data of a
    /// Binary, or a FHIRPath Patch (<http://hl7.org/fhir/R4/http.html#patch>).
    ///
    /// # Errors
    /// [`Error::Request`] for what is no patch.
    pub fn resource(resource: &Resource) -> Result<Self, Error> {
        if resource.kind().as_str() == "Parameters" {
            return Self::parameters(resource);
        }
        let value = resource.value();
        let is_json = value.at("contentType") == "application/json-patch+json";
        let data = value.at("data").as_str().filter(|_| is_json);
        let bytes = data.and_then(|data| BASE64_STANDARD.decode(data).ok());
        match bytes {
            Some(bytes) if resource.kind().as_str() == "Binary" => Self::json(&bytes),
            _ => {
                let text = "A patch in a Bundle is a Parameters resource, or a Binary with data of \
                            type application/json-patch+json.";
                Err(Error::request("entry.resource", text))
            }
        }
    }

    /// The content as the patch leaves it; what the server owns in it does not count.
    ///
    /// # Errors
    /// [`Error::Patch`] where the content has no such place, [`Error::PatchTest`] where it is not as
    /// the patch expects, [`Error::Invalid`] where another type or id would come of it, or where a
    /// narrative that says more than the data would stand beside others.
    pub fn apply(&self, resource: &Resource) -> Result<Resource, Error> {
        let mut value = resource.value().clone();
        match self {
            Self::Json(patch) => json_patch::patch(&mut value, patch).map_err(|e| unfit(&e))?,
            Self::FhirPath(operations) => {
                let model = Model::shared().map_err(|error| Error::Internal(Box::new(error)))?;
                value = fhirpath_patch::apply(operations, model, value)?;
            }
        }
        let patched = Resource::from_value(value)?;
        let kind = resource.kind();
        for (is_same, place) in [
            (patched.kind() == kind, format!("{kind}")),
            (patched.id_text() == resource.id_text(), format!("{kind}.id")),
        ] {
            if !is_same {
                let text = "A patch must not change the type or the id of a resource.";
                return Err(Error::Invalid(vec![
                    Issue::error(IssueType::Invariant, text).at(place),
                ]));
            }
        }
        narrated(resource, patched)
    }
}

/// The patched content without a narrative that may contradict it now: one that was generated from
/// the data, and that the patch left alone while it changed the data. A narrative that says more
/// than the data is not ours to leave out.
///
/// # Errors
/// [`Error::Invalid`] for such a narrative.
fn narrated(before: &Resource, mut after: Resource) -> Result<Resource, Error> {
    let text = after.value().at("text");
    if text.is_null() || text != before.value().at("text") {
        return Ok(after);
    }
    let data = |resource: &Resource| {
        let mut value = resource.value().clone();
        if let Some(object) = value.as_object_mut() {
            object.retain(|name, _| !["id", "meta", "text"].contains(&name.as_str()));
        }
        value
    };
    if data(before) == data(&after) || text.at("status") == "empty" {
        return Ok(after);
    }
    if text.at("status") == "additional" {
        let said = "The narrative says more than the data, and the data change: the patch must say \
                    what becomes of the narrative too.";
        let issue = Issue::error(IssueType::BusinessRule, said);
        return Err(Error::Invalid(vec![issue.at(format!("{}.text", after.kind()))]));
    }
    if let Some(object) = after.value_mut().as_object_mut() {
        object.shift_remove("text");
    }
    Ok(after)
}

/// Why the patch does not fit the content; values are not told.
fn unfit(error: &PatchError) -> Error {
    let PatchError { operation, path, kind, .. } = error;
    let place = format!("patch[{operation}]");
    let text = format!("At {path}: {kind}.");
    match kind {
        PatchErrorKind::TestFailed => {
            Error::PatchTest(Issue::error(IssueType::Conflict, text).at(place))
        }
        _ => Error::Patch(Issue::error(IssueType::Processing, text).at(place)),
    }
}

/// Stores the patched subject as its next version.
///
/// # Errors
/// [`Error::NotFound`], [`Error::Deleted`], those of [`Patch::apply`] and of an update.
pub fn patch(
    app: &App,
    kind: ResourceType,
    subject: &Subject,
    patch: &Patch,
    preconditions: &Preconditions,
    now: Instant,
) -> Result<Done, Error> {
    let rules = Rules { preconditions, tags_required: app.config.require_if_match };
    write(app, now, |held, view| match subject {
        Subject::Id(id) => plan(view, kind, id, patch, rules),
        Subject::Criteria(criteria) => {
            let selected = criteria::select(held, view, kind, criteria, now)?;
            let id = selected.one()?.ok_or(Error::NotFound)?;
            let mut plan = plan(view, kind, id, patch, rules)?;
            plan.expects = selected.expects;
            Ok(plan)
        }
    })
}

/// The plan of a patch.
fn plan(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    patch: &Patch,
    rules: Rules<'_>,
) -> Result<Plan, Error> {
    let current = repository::current(view, kind, id)?.ok_or(Error::NotFound)?;
    rules.check(Some(&current))?;
    let resource = patch.apply(&current.content()?.ok_or(Error::Deleted(current.version))?)?;
    let id = id.clone();
    Ok(Step::Write { current: Some(current), method: Method::Patch, id, resource }.into())
}
