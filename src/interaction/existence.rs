//! Strict references: what a written resource refers to on this server must be there.
//!
//! Only where the server is set to it. Literal references are asked for, relative or under the
//! server's own base URL; logical ones, contained ones and those to other servers are not. What the
//! same transaction writes counts as there, what it deletes does not. The commit expects the
//! targets as they were seen, so none can vanish in between.
//! Source: <http://hl7.org/fhir/R4/references.html>,
//! <http://hl7.org/fhir/R4/codesystem-reference-handling-policy.html> (enforced).

use serde_json::Value;

use super::reference;
use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Issue, IssueType, Reference, Resource, ResourceType};
use crate::repository::{self, Change};
use crate::store::{Batch, View};

/// Adds to the batch that the targets stand as they do in the view.
///
/// # Errors
/// [`Error::Invalid`] with the place of each reference whose target is not there.
pub(super) fn expect(
    app: &App,
    view: &dyn View,
    batch: &mut Batch,
    changes: &[Change],
) -> Result<(), Error> {
    if !app.config.asks_for_targets() {
        return Ok(());
    }
    let mut missing = Vec::new();
    for change in changes {
        for (place, kind, id) in targets(app, change) {
            match changes.iter().find(|other| other.kind == kind && other.id == id) {
                Some(other) if other.body.is_some() => {}
                Some(_) => missing.push(place),
                None => match repository::standing(view, kind, &id)? {
                    Some(expect) => batch.expects.push(expect),
                    None => missing.push(place),
                },
            }
        }
    }
    if missing.is_empty() {
        return Ok(());
    }
    let text = "The resource that the reference means is not on this server, which takes only \
                references to resources that it has.";
    let issue = |place: String| Issue::error(IssueType::NotFound, text).at(place);
    Err(Error::Invalid(app.limited(missing.into_iter().map(issue).collect())))
}

/// Place, type and id of what the change refers to on this server.
fn targets(app: &App, change: &Change) -> Vec<(String, ResourceType, Id)> {
    let value = change.body.as_deref().and_then(|body| serde_json::from_slice::<Value>(body).ok());
    let Some(resource) = value.and_then(|value| Resource::from_value(value).ok()) else {
        return Vec::new();
    };
    let own = app.config.public_base();
    let found = reference::find(&resource, |text| match Reference::parse(text) {
        Reference::Resource { base, .. } => base.is_none() || base.as_deref() == own,
        _ => false,
    });
    let target = |(place, text): (String, String)| {
        let parsed = Reference::parse(&text);
        let (kind, id) = parsed.target()?;
        Some((place, kind, id.clone()))
    };
    found.into_iter().filter_map(target).collect()
}
