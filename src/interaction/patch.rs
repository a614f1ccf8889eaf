//! patch: a new version that differs from the current one in what the client names.
//!
//! The patch is applied to the version that is current when it is committed; the outcome is held to
//! the same rules as an update, and is stored whole or not at all.
//! Source: <http://hl7.org/fhir/R4/http.html#patch>, <https://www.rfc-editor.org/rfc/rfc6902>,
//! <http://hl7.org/fhir/R4/fhirpatch.html>.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::Value;

use crate::app::App;
use crate::definitions::model::Model;
use crate::error::Error;
use crate::fhir::json::{self, At, MAX_DEPTH};
use crate::fhir::{Id, Instant, Issue, IssueType, Resource, ResourceType};
use crate::interaction::precondition::{Preconditions, Rules};
use crate::interaction::{
    Done, Plan, Step, Subject, criteria, fhirpath_patch, json_patch as rfc6902, write,
};
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

    /// Any JSON value as the patch leaves it.
    ///
    /// # Errors
    /// [`Error::Patch`] where the value has no such place or too much would come of it,
    /// [`Error::PatchTest`] where it is not as the patch expects.
    pub fn edit(&self, value: Value) -> Result<Value, Error> {
        match self {
            Self::Json(patch) => rfc6902::apply(patch, value),
            Self::FhirPath(operations) => {
                let model = Model::shared().map_err(|error| Error::Internal(Box::new(error)))?;
                fhirpath_patch::apply(operations, model, value)
            }
        }
    }

    /// The content as the patch leaves it; what the server owns in it does not count.
    ///
    /// # Errors
    /// Those of [`Patch::edit`], [`Error::Invalid`] where another type or id would come of it.
    pub fn apply(&self, resource: &Resource) -> Result<Resource, Error> {
        let patched = Resource::from_value(self.edit(resource.value().clone())?)?;
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
        without_stale_narrative(resource, patched)
    }
}

/// The patched content, its narrative telling nothing that the patch has changed
/// (<http://hl7.org/fhir/R4/http.html#patch>): one that was made from the data is left out, and one
/// that says more than they do must be patched with them.
fn without_stale_narrative(before: &Resource, mut patched: Resource) -> Result<Resource, Error> {
    let text_differs = before.value().get("text") != patched.value().get("text");
    if text_differs || data(before).eq(data(&patched)) {
        return Ok(patched);
    }
    match patched.value().at("text").at("status").as_str() {
        Some("generated" | "extensions") => {
            if let Some(object) = patched.value_mut().as_object_mut() {
                object.shift_remove("text");
            }
            Ok(patched)
        }
        Some("additional") => {
            let rule = "The narrative says more than the data do; a patch that changes these must \
                        change it too.";
            let place = format!("{}.text", patched.kind());
            Err(Error::Invalid(vec![Issue::error(IssueType::BusinessRule, rule).at(place)]))
        }
        _ => Ok(patched),
    }
}

/// What a resource says beside its narrative and its bookkeeping.
fn data(resource: &Resource) -> impl Iterator<Item = (&String, &Value)> {
    let members = resource.value().as_object().into_iter().flatten();
    members.filter(|(name, _)| !["text", "meta", "id"].contains(&name.as_str()))
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
