//! Search: from the text of a query to a page of resources.
//!
//! [`query`] reads names and values into a typed query, [`plan`] puts its clauses into the order in
//! which they are cheapest to ask, [`run()`] answers it from the index, without loading a resource
//! that does not match (but for the words in it), and within what it may touch. What is not
//! supported is refused, never ignored in silence; names that no definition knows are ignored and
//! told, or refused, as the client prefers.
//! Source: <http://hl7.org/fhir/R4/search.html>.

pub mod across;
mod candidates;
mod check;
pub mod clause;
pub mod condition;
pub mod contained;
pub mod cursor;
pub mod include;
mod join;
mod joint;
mod meter;
pub mod plan;
pub mod query;
pub mod read;
pub mod run;
mod sort;
pub mod subset;
mod timeline;
mod tree;
pub mod value;
pub mod words;

pub use across::Across;
pub use contained::{Inside, run_contained};
pub use cursor::Cursor;
pub use include::Include;
pub use plan::Plan;
pub use query::{Contained, Query, Setting, Summary, Total};
pub use run::{Page, run, watched};
pub use subset::subset;

use crate::repository;

/// Why a search is refused or fails.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The value does not have the form that the parameter asks.
    #[error("The value of {name} cannot be read: {message}")]
    BadValue {
        /// The parameter as the query names it.
        name: String,
        /// What would be right.
        message: String,
    },
    /// No definition knows the parameter, and the client asked for strict handling.
    #[error("There is no search parameter {name} for this type.")]
    UnknownParameter {
        /// The parameter as the query names it.
        name: String,
    },
    /// The parameter has no such modifier.
    #[error("The search parameter {name} has no modifier {modifier}.")]
    UnknownModifier {
        /// The parameter as the query names it, modifier included.
        name: String,
        /// The modifier.
        modifier: String,
    },
    /// The standard knows it; this server does not.
    #[error("{name} is not supported: {message}")]
    NotSupported {
        /// The parameter as the query names it.
        name: String,
        /// What is not supported.
        message: String,
    },
    /// Answering would take more than the server is ready to spend.
    #[error("The search is too costly: {message}")]
    TooCostly {
        /// The parameter in question, if it is one.
        name: Option<String>,
        /// Which limit it meets.
        message: String,
    },
    /// The text that says where the next page begins is not one that this server gave.
    #[error("The page link is not one that this server gave.")]
    BadCursor,
    /// Too much has changed since the first page to go on from there.
    #[error("The page link has expired; begin the search again.")]
    Expired,
    /// The store failed or is damaged.
    #[error(transparent)]
    Repository(#[from] repository::Error),
}

impl From<crate::store::Error> for Error {
    fn from(error: crate::store::Error) -> Self {
        Self::Repository(error.into())
    }
}

impl Error {
    /// The place of the fault as OperationOutcome wants it: `http.` and the parameter.
    pub fn expression(&self) -> Option<String> {
        let name = match self {
            Self::BadValue { name, .. }
            | Self::UnknownParameter { name }
            | Self::UnknownModifier { name, .. }
            | Self::NotSupported { name, .. } => name,
            Self::TooCostly { name, .. } => name.as_ref()?,
            Self::BadCursor | Self::Expired | Self::Repository(_) => return None,
        };
        Some(format!("http.{name}"))
    }

    fn bad(name: &str, message: &str) -> Self {
        Self::BadValue { name: name.to_owned(), message: message.to_owned() }
    }

    fn unsupported(name: &str, message: &str) -> Self {
        Self::NotSupported { name: name.to_owned(), message: message.to_owned() }
    }

    /// That rows of the parameter are still being made.
    fn pending(name: &str) -> Self {
        let message = "the resources that were there before it are still being indexed for it; try \
                       again later";
        Self::unsupported(name, message)
    }

    fn costly(name: Option<&str>, message: &str) -> Self {
        Self::TooCostly { name: name.map(str::to_owned), message: message.to_owned() }
    }
}

#[cfg(test)]
mod tests;
