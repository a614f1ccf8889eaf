//! What the keywords say, for programs, where a finding does not tell itself.
//!
//! By keyword, severity and issue type. What is on no line follows from the issue type. To add one:
//! a line in [`KEYWORDS`].

use crate::fhir::{Issue, IssueType as T, Message as M, Severity as S};

/// Keyword, severity and issue type of a finding, and what it says.
const KEYWORDS: &[(&str, S, T, M)] = &[
    ("x-binding", S::Warning, T::CodeInvalid, M::BindingExtensible),
    ("x-binding", S::Error, T::CodeInvalid, M::BindingRequired),
    ("x-choice", S::Error, T::Structure, M::ChoiceTwice),
    ("x-choice-type", S::Error, T::Structure, M::ChoiceType),
    ("x-code", S::Warning, T::CodeInvalid, M::CodeUnknown),
    ("x-code", S::Error, T::CodeInvalid, M::CodeUnknown),
    ("x-code", S::Warning, T::NotFound, M::CodeUnchecked),
    ("x-unit", S::Error, T::CodeInvalid, M::Unit),
    ("x-unit", S::Warning, T::CodeInvalid, M::Unit),
    ("x-unit", S::Warning, T::NotFound, M::CodeUnchecked),
    ("x-target", S::Error, T::Structure, M::ReferenceTarget),
    ("x-target-profile", S::Error, T::Structure, M::ProfileNotMet),
    ("x-target-profile", S::Warning, T::NotFound, M::ProfileUnknown),
    ("x-fixed", S::Error, T::Value, M::Fixed),
    ("x-pattern", S::Error, T::Value, M::Fixed),
    ("x-minimum", S::Error, T::Value, M::Limit),
    ("x-maximum", S::Error, T::Value, M::Limit),
    ("x-profile", S::Warning, T::NotFound, M::ProfileUnknown),
    ("x-profile", S::Error, T::Structure, M::ProfileNotMet),
    ("x-reference", S::Error, T::Invariant, M::ContainedMissing),
    ("x-reference-target", S::Error, T::Structure, M::ReferenceTarget),
    ("x-reference-target", S::Error, T::Value, M::ReferenceTarget),
    ("x-required", S::Error, T::Required, M::ElementMissing),
    ("x-slice", S::Error, T::Structure, M::Slice),
    ("x-slice", S::Error, T::Required, M::Slice),
];

/// What a finding of that keyword says.
pub(super) fn of_keyword(keyword: &str, issue: &Issue) -> Option<M> {
    let fits =
        |line: &&(&str, S, T, M)| (line.0, line.1, line.2) == (keyword, issue.severity, issue.code);
    KEYWORDS.iter().find(fits).map(|line| line.3)
}
