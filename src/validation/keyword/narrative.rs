//! `x-narrative`: the text is an XHTML div.
//!
//! For now only that it is one in the right namespace; which elements may stand in it is a rule of
//! its own (txt-1, txt-2).
//! Source: <http://hl7.org/fhir/R4/narrative.html>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Narrative;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Narrative))
}

const NAMESPACE: &str = "http://www.w3.org/1999/xhtml";

fn is_div(text: &str) -> bool {
    let text = text.trim();
    let Some(rest) = text.strip_prefix("<div") else { return false };
    let Some((attributes, _)) = rest.split_once('>') else { return false };
    attributes.contains(NAMESPACE) && (text.ends_with("</div>") || attributes.ends_with('/'))
}

impl Rule for Narrative {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        value.as_str().is_none_or(is_div)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let text = format!("The narrative must be one div element in the namespace {NAMESPACE}.");
        vec![Finding::error(IssueType::Value, text)]
    }
}
