//! Subscriptions as they are written: what is asked for can be had, and its status is the server's.
//!
//! A client asks for notifications by the status requested (or active, which comes to the same) and
//! turns them off; whether they come is told by the server, once the address has answered. A
//! Subscription stays the client's that made it.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/channels.html#rest-hook>,
//! <http://hl7.org/fhir/R4/subscription.html>.

use serde_json::{Value, json};

use super::attempt::{Prepared, retry};
use crate::app::{App, Held};
use crate::config::Config;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Issue, Resource, ResourceType, VersionId};
use crate::repository::notice::{self, Subscriber};
use crate::repository::{self, Change, Method};
use crate::store::{Batch, View};
use crate::subscription::{self, Channels, Status, TYPE};

/// What may be called by the settings.
pub fn channels(config: &Config) -> Channels<'_> {
    Channels {
        origins: &config.outbound,
        private: config.outbound_private,
        plain: config.notify.notify_plain,
    }
}

/// What of a Subscription cannot be had. One that is turned off asks for nothing.
pub(super) fn faults(app: &App, held: &Held, resource: &Resource) -> Vec<Issue> {
    let value = resource.value();
    if resource.kind().as_str() != TYPE || value.at("status") == Status::Off.as_str() {
        return Vec::new();
    }
    subscription::read(&held.rules, Some(channels(&app.config)), value).err().unwrap_or_default()
}

/// The status as the client may set it.
pub(super) fn settle(resource: &mut Resource) {
    let asked = [Status::Active.as_str(), Status::Requested.as_str()];
    let is_asked = resource.value().at("status").as_str().is_some_and(|code| asked.contains(&code));
    if resource.kind().as_str() != TYPE || !is_asked {
        return;
    }
    if let Some(object) = resource.value_mut().as_object_mut() {
        object.insert("status".to_owned(), json!(Status::Requested.as_str()));
        object.shift_remove("error");
    }
}

/// Adds to the batch whose the Subscriptions are that the changes make.
///
/// # Errors
/// A failure of the store.
pub(super) fn own(
    app: &App,
    view: &dyn View,
    batch: &mut Batch,
    changes: &[Change],
) -> Result<(), Error> {
    let made =
        changes.iter().filter(|change| change.kind.as_str() == TYPE && change.body.is_some());
    for change in made {
        let access = app.access.as_deref();
        let subscriber = Subscriber {
            client: access.map(|access| access.client.clone()),
            scope: access.map(|access| access.scope_text()).unwrap_or_default(),
        };
        notice::own(batch, view, &change.id, &subscriber)?;
    }
    Ok(())
}

/// Stores the status of a Subscription, if its version is still the one that was seen; whether it
/// was. `error` is told where there is one.
///
/// # Errors
/// A failure of the store, or [`Error::Conflict`].
pub fn set_status(
    app: &App,
    id: &Id,
    seen: VersionId,
    (status, error): (Status, Option<&str>),
    now: Instant,
) -> Result<bool, Error> {
    let kind = ResourceType::parse(TYPE).ok_or(Error::UnknownType)?;
    retry(app, |attempt| {
        let view = app.store.view()?;
        let current = repository::current(&*view, kind, id)?;
        let Some(current) = current.filter(|current| current.version == seen) else {
            return Ok(false);
        };
        let Some(mut resource) = current.content()? else { return Ok(false) };
        if let Some(object) = resource.value_mut().as_object_mut() {
            object.insert("status".to_owned(), json!(status.as_str()));
            match error {
                Some(error) => object.insert("error".to_owned(), Value::from(error)),
                None => object.shift_remove("error"),
            };
        }
        let entries = |resource: &Resource| attempt.entries(resource);
        let (id, at) = (id.clone(), now.max(current.last_updated));
        let change = Change::write(Some(&current), Method::Patch, id, resource, at, entries);
        let batch = repository::batch(&*view, &[change])?;
        drop(view);
        attempt.commit(Prepared::default(), batch)?;
        Ok(true)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_client_asks_and_does_not_decide() {
        for (sent, stored) in [
            ("active", "requested"),
            ("requested", "requested"),
            ("off", "off"),
            ("error", "error"),
        ] {
            let value = json!({ "resourceType": "Subscription", "status": sent, "error": "x" });
            let mut resource = Resource::from_value(value).unwrap();
            settle(&mut resource);
            assert_eq!(resource.value()["status"], stored);
            assert_eq!(resource.value().get("error").is_none(), stored == "requested");
        }
    }
}
