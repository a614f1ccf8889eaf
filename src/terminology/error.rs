//! Why a terminology operation has no answer.
//!
//! Source: <http://hl7.org/fhir/R4/terminology-service.html>.

use crate::fhir::IssueType;

/// An operation that cannot be answered. `kind` is the code of the issue to send; which HTTP status
/// goes with it is the table of the layer above.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{message}")]
pub struct TerminologyError {
    /// What kind of issue it is.
    pub kind: IssueType,
    /// A sentence that names the system, set, map or rule.
    pub message: String,
}

impl TerminologyError {
    /// An error of that kind.
    pub fn new(kind: IssueType, message: impl Into<String>) -> Self {
        Self { kind, message: message.into() }
    }

    /// Something named is not held here.
    pub(super) fn not_found(message: impl Into<String>) -> Self {
        Self::new(IssueType::NotFound, message)
    }

    /// The request or a definition is not as the standard wants it.
    pub(super) fn invalid(message: impl Into<String>) -> Self {
        Self::new(IssueType::Invalid, message)
    }

    /// The request is legal and cannot be answered here.
    pub(super) fn not_supported(message: impl Into<String>) -> Self {
        Self::new(IssueType::NotSupported, message)
    }

    /// What is held is a part only, so that an answer would be a guess.
    pub(super) fn incomplete(message: impl Into<String>) -> Self {
        Self::new(IssueType::Incomplete, message)
    }

    /// The answer would be too large.
    pub(super) fn too_costly(message: impl Into<String>) -> Self {
        Self::new(IssueType::TooCostly, message)
    }
}
