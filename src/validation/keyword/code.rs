//! `x-code`: a Coding's code is in the system that it names, where all of that system is held.
//!
//! Whatever the binding: a code that its own system does not have means nothing. The systems of
//! terminology.hl7.org grow between versions of the standard, so there it is a warning.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#Coding>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::terminology::Membership;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Code;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Code))
}

impl Rule for Code {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let text = |name: &str| value.get(name).and_then(Value::as_str);
        let (Some(system), Some(code)) = (text("system"), text("code")) else { return true };
        scope.catalog.terminology.has_code(system, code) != Membership::Out
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let system = value.get("system").and_then(Value::as_str).unwrap_or_default();
        let text = "The code system that is named does not have the code.";
        if system.starts_with("http://terminology.hl7.org/") {
            return vec![Finding::warning(IssueType::CodeInvalid, text)];
        }
        vec![Finding::error(IssueType::CodeInvalid, text)]
    }
}
