//! `$export`: what is told of it as an operation. An export is more than one exchange, and no entry
//! of a batch: HTTP begins it (`http/bulk.rs`), `bulk` carries it out.
//!
//! Source: <https://hl7.org/fhir/uv/bulkdata/export.html> (3.0.0).

use crate::error::Error;
use crate::operation::{Call, Level, Operation, Output};

const NAME: &str = "export";

/// Of all there is.
pub const SYSTEM: Operation = Operation {
    name: NAME,
    definition: "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export",
    levels: &[Level::System],
    types: &["Patient", "Group"],
    by_get: true,
    document: false,
    run: alone,
};

/// Of all patients.
pub const PATIENT: Operation = Operation {
    definition: "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/patient-export",
    levels: &[Level::Type],
    types: &["Patient"],
    ..SYSTEM
};

/// Of the patients of a Group.
pub const GROUP: Operation = Operation {
    definition: "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/group-export",
    levels: &[Level::Instance],
    types: &["Group"],
    ..SYSTEM
};

fn alone(_: &Call<'_>) -> Result<Output, Error> {
    let text = "An export is asked for by a request of its own.";
    Err(Error::not_supported("entry.request.url", text))
}
