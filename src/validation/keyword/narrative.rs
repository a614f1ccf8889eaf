//! `x-narrative`: the text is one XHTML div of basic formatting, safe to show.
//!
//! What may stand in it is told by `fhir::narrative`, the one judge of narratives.
//! Source: <http://hl7.org/fhir/R4/narrative.html#rules> (txt-1, txt-2).

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::narrative::{self, NarrativeFault};
use crate::fhir::{IssueType, Message};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Narrative;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Narrative))
}

impl Rule for Narrative {
    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let div = value.as_str().filter(|div| !div.is_empty());
        div.map(narrative::check).into_iter().flatten().map(finding).collect()
    }
}

fn finding(fault: NarrativeFault) -> Finding {
    let text = match fault.position {
        Some((line, column)) => {
            format!("{} (line {line}, column {column} of the div)", fault.message)
        }
        None => fault.message,
    };
    let code = match fault.told {
        Message::NarrativeForm => IssueType::Structure,
        _ => IssueType::Invariant,
    };
    let mut finding = Finding::error(code, text).rule(fault.rule);
    finding.issue.severity = fault.severity;
    finding.issue.message = Some(fault.told);
    finding
}
