//! `ValueSet/$expand`: a value set as the list of its codes.
//!
//! The list is the whole truth or there is none: a code system that is not held, or held in part, is
//! an error that names it, never a shorter list. Codes come in the order of the composition, those
//! of a system in the system's own order; the same content gives the same identifier. Post-coordinated
//! expressions are never made.
//!
//! For the HTTP layer: `GET|POST [base]/ValueSet/$expand?url=` or `/ValueSet/[id]/$expand`, or the
//! Parameters `valueSet` inline; each input parameter is a field of [`ExpandRequest`]
//! (`valueSetVersion` goes behind the canonical with `|`; refuse `context`, `contextDirection` and
//! `date` with `not-supported`). The answer is a ValueSet, 200. `too-costly` is 422.
//! Source: <http://hl7.org/fhir/R4/valueset-operation-expand.html>,
//! <http://hl7.org/fhir/R4/valueset.html#expansion>.

use std::sync::Arc;

use serde_json::Value;

use super::{Terminology, TerminologyError};

mod compose;
mod member;
mod print;

use compose::Composer;
pub(super) use member::speaks;

/// How many codes an expansion may have, unless the request says otherwise.
pub const DEFAULT_LIMIT: usize = 10_000;

/// A value set by its canonical (with version or without), or the resource itself.
#[derive(Clone, Copy)]
pub enum ValueSetSource<'a> {
    /// One that is held.
    Canonical(&'a str),
    /// One that came with the request, or was read from the store.
    Resource(&'a Value),
}

impl ValueSetSource<'_> {
    pub(super) fn resource(self, held: &Terminology) -> Result<Arc<Value>, TerminologyError> {
        match self {
            Self::Canonical(canonical) => held.find_value_set(canonical),
            Self::Resource(resource) if resource["resourceType"] == "ValueSet" => {
                Ok(Arc::new(resource.clone()))
            }
            Self::Resource(_) => {
                Err(TerminologyError::invalid("the parameter valueSet is not a ValueSet"))
            }
        }
    }
}

/// What is asked for. Canonicals of systems are `system|version`.
#[derive(Clone)]
pub struct ExpandRequest<'a> {
    /// The value set.
    pub value_set: ValueSetSource<'a>,
    /// Words that must all occur in the code, the display or a designation; case does not count.
    pub filter: Option<&'a str>,
    /// How many codes to leave out at the start.
    pub offset: Option<usize>,
    /// How many codes to give; none gives only the total.
    pub count: Option<usize>,
    /// Whether to give the other names of each code.
    pub include_designations: Option<bool>,
    /// Which of them: languages and uses, as tokens `system|code`; empty for all.
    pub designation: Vec<&'a str>,
    /// Whether to give the composition with the expansion.
    pub include_definition: Option<bool>,
    /// Whether to leave out inactive codes.
    pub active_only: Option<bool>,
    /// `false` nests codes below one another as in their system, where the answer is not a page.
    pub exclude_nested: Option<bool>,
    /// Whether to leave out abstract codes.
    pub exclude_not_for_ui: Option<bool>,
    /// Changes nothing, as no expressions are made.
    pub exclude_post_coordinated: Option<bool>,
    /// The language of displays (BCP 47), where the system has it.
    pub display_language: Option<&'a str>,
    /// Systems to leave out.
    pub exclude_system: Vec<&'a str>,
    /// Versions for systems of which the set names none.
    pub system_version: Vec<&'a str>,
    /// Versions that the set must come out with.
    pub check_system_version: Vec<&'a str>,
    /// Versions whatever the set names.
    pub force_system_version: Vec<&'a str>,
    /// When the answer is made (an instant).
    pub timestamp: &'a str,
    /// How many codes an answer may have.
    pub limit: usize,
}

impl<'a> ExpandRequest<'a> {
    /// A request without options.
    pub fn new(value_set: ValueSetSource<'a>, timestamp: &'a str) -> Self {
        Self {
            value_set,
            filter: None,
            offset: None,
            count: None,
            include_designations: None,
            designation: Vec::new(),
            include_definition: None,
            active_only: None,
            exclude_nested: None,
            exclude_not_for_ui: None,
            exclude_post_coordinated: None,
            display_language: None,
            exclude_system: Vec::new(),
            system_version: Vec::new(),
            check_system_version: Vec::new(),
            force_system_version: Vec::new(),
            timestamp,
            limit: DEFAULT_LIMIT,
        }
    }

    fn is_page(&self) -> bool {
        self.offset.is_some() || self.count.is_some()
    }
}

/// The value set with its expansion.
///
/// # Errors
/// [`TerminologyError`] if something the set needs is not held or broken, sets include one another
/// in a circle, or the answer has more codes than the limit.
pub fn expand(
    terminology: &Terminology,
    request: &ExpandRequest<'_>,
) -> Result<Value, TerminologyError> {
    let resource = request.value_set.resource(terminology)?;
    let mut composer = Composer::new(terminology, request);
    let mut members = composer.value_set(&resource)?;
    let words = words(request.filter);
    members.retain(|member| {
        let gone = (request.active_only == Some(true) && member.is_inactive())
            || (request.exclude_not_for_ui == Some(true) && member.is_abstract())
            || composer.is_excluded(member);
        !gone && member.has_words(&words)
    });
    let total = members.len();
    let offset = request.offset.unwrap_or(0).min(total);
    let end = offset.saturating_add(request.count.unwrap_or(total)).min(total);
    if end - offset > request.limit {
        return Err(TerminologyError::too_costly(format!(
            "the expansion has {total} codes; ask for at most {} at a time (count, offset), or \
             narrow it down (filter)",
            request.limit
        )));
    }
    let page = members.get(offset..end).unwrap_or_default();
    Ok(print::value_set(&resource, request, composer.systems(), page, total))
}

fn words(filter: Option<&str>) -> Vec<String> {
    filter.unwrap_or_default().split_whitespace().map(str::to_lowercase).collect()
}

#[cfg(test)]
mod tests;
