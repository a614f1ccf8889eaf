//! `x-reference`: a reference to a contained resource finds it (ref-1).
//!
//! `#` alone is the container itself.
//! Source: <http://hl7.org/fhir/R4/references.html#contained>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::validation::finding::Finding;
use crate::validation::quick;
use crate::validation::scope::Scope;

struct Reference;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Reference))
}

impl Rule for Reference {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let literal = quick::text(value, "reference");
        let Some(id) = literal.and_then(|text| text.strip_prefix('#')) else { return true };
        id.is_empty() || scope.resolve(&format!("#{id}")).found().is_some()
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let text = "A reference that starts with # must be to a resource that is contained.";
        vec![Finding::error(IssueType::Invariant, text).rule("ref-1")]
    }
}
