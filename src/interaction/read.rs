//! read and vread: one resource, as it is or as it was.
//!
//! Source: <http://hl7.org/fhir/R4/http.html#read>, <http://hl7.org/fhir/R4/http.html#vread>.

use crate::error::Error;
use crate::fhir::{Id, ResourceType, VersionId};
use crate::repository::{self, Stored};
use crate::store::View;

/// The current version; its body is there.
///
/// # Errors
/// [`Error::NotFound`], [`Error::Deleted`], or a failure of the store.
pub fn read(view: &dyn View, kind: ResourceType, id: &Id) -> Result<Stored, Error> {
    live(repository::current(view, kind, id)?)
}

/// That version; its body is there.
///
/// # Errors
/// [`Error::NotFound`], [`Error::Deleted`] where the version is a deletion, or a failure of the
/// store.
pub fn vread(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    version: VersionId,
) -> Result<Stored, Error> {
    live(repository::version(view, kind, id, version)?)
}

fn live(found: Option<Stored>) -> Result<Stored, Error> {
    let stored = found.ok_or(Error::NotFound)?;
    if stored.body.is_none() {
        return Err(Error::Deleted(stored.version));
    }
    Ok(stored)
}
