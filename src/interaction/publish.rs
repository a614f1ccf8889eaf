//! Our own definitions, stored as resources, so that they are read and searched like any other.
//!
//! Done at start: what is missing or of another build of the program becomes a new version. They
//! are in force without that, and nobody else can change them.
//! Source: <http://hl7.org/fhir/R4/references.html#canonical> ("canonical URLs ... should resolve").

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Instant, Resource};
use crate::interaction::attempt::retry;
use crate::repository::{self, Change, Method, Stored};

/// Stores those of our definitions that are not stored as they are; answers how many.
///
/// # Errors
/// A failure of the store.
pub fn publish(app: &App, now: Instant) -> Result<usize, Error> {
    retry(app, |attempt| {
        let view = app.store.view()?;
        let mut changes = Vec::new();
        for ((kind, id), value) in attempt.standard.own.resources() {
            let resource = Resource::from_value((**value).clone())?;
            let current = repository::current(&*view, *kind, id)?;
            if current.as_ref().is_some_and(|current| is_same(current, &resource)) {
                continue;
            }
            let at = current.as_ref().map_or(now, |current| now.max(current.last_updated));
            let entries = |resource: &Resource| attempt.entries(resource);
            let id = id.clone();
            changes.push(Change::write(current.as_ref(), Method::Put, id, resource, at, entries));
        }
        if changes.is_empty() {
            return Ok(0);
        }
        let batch = repository::batch(&*view, &changes)?;
        drop(view);
        attempt.commit(super::attempt::Prepared::default(), batch)?;
        Ok(changes.len())
    })
}

fn is_same(stored: &Stored, resource: &Resource) -> bool {
    let mut resource = resource.clone();
    resource.stamp(&stored.id, stored.version, stored.last_updated);
    stored.body.as_ref().is_some_and(|body| *body == resource.to_bytes())
}
