//! What the record does not say, or says in a way that cannot be read.
//!
//! A gap is stated in the letter; it is never filled with a guess. A gap names the resource, the
//! element and the kind of fault, and no value of the patient.

use serde::Serialize;

use crate::clinical::source::Source;

/// One thing that is missing or could not be read.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Gap {
    /// What kind of gap.
    pub kind: GapKind,
    /// What it is about: a measure, an element, a code of ours.
    pub about: String,
    /// The element that could not be read, as a FHIRPath; none where a fact is missing altogether.
    pub expression: Option<String>,
    /// The resource at fault; none where a fact is missing altogether.
    pub source: Option<Source>,
}

/// The kinds of gaps.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapKind {
    /// The record has no such fact.
    NotRecorded,
    /// There is a first value and no later one.
    NotRepeated,
    /// An element has no value, code or unit that is understood.
    NotReadable,
    /// Two statements about the same thing and time disagree.
    Contradiction,
    /// A dose lacks what a total needs.
    DoseIncomplete,
    /// Recorded in the episode, and not used by any computation.
    NotUsed,
    /// Dated after the moment of the summary.
    AfterSummary,
}

impl Gap {
    /// A fact that is missing altogether.
    pub fn missing(kind: GapKind, about: &str) -> Self {
        Self { kind, about: about.to_owned(), expression: None, source: None }
    }

    /// A fault of one element of one resource.
    pub fn at(kind: GapKind, about: &str, expression: &str, source: &Source) -> Self {
        let expression = Some(expression.to_owned());
        Self { kind, about: about.to_owned(), expression, source: Some(source.clone()) }
    }
}
