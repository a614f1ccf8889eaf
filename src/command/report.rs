//! What the commands print of refusals and issues.
//!
//! An OperationOutcome becomes one line an issue: place, severity, code, element, sentence.

use reqwest::StatusCode;
use serde_json::Value;

use super::say;
use crate::fhir::json::Malformed;

/// Prints why a server refused what was sent from `place`.
pub(super) fn refusal(place: &str, status: StatusCode, outcome: Option<&Value>) {
    let lines = outcome.map(issue_lines).unwrap_or_default();
    if lines.is_empty() {
        say(&format!("{place}: refused with status {status}"));
    }
    for line in lines {
        say(&format!("{place}: {}: {line}", status.as_u16()));
    }
}

/// What is wrong with a text that is not JSON, with its place in the short form of compilers.
pub(super) fn malformed(malformed: &Malformed) -> String {
    match malformed.position {
        Some((line, column)) => format!("{} ({line}:{column})", malformed.message),
        None => malformed.message.clone(),
    }
}

/// The issues of an OperationOutcome, one line each.
pub(super) fn issue_lines(outcome: &Value) -> Vec<String> {
    let issues = outcome.get("issue").and_then(Value::as_array);
    issues.into_iter().flatten().map(issue_line).collect()
}

fn issue_line(issue: &Value) -> String {
    let text = |pointer: &str| issue.pointer(pointer).and_then(Value::as_str);
    let severity = text("/severity").unwrap_or("error");
    let code = text("/code").unwrap_or("unknown");
    let said = text("/diagnostics").or_else(|| text("/details/text")).unwrap_or_default();
    match text("/expression/0") {
        Some(expression) => format!("{severity} ({code}) at {expression}: {said}"),
        None => format!("{severity} ({code}): {said}"),
    }
}

#[cfg(test)]
mod tests {
    use crate::fhir::{Issue, IssueType, outcome::operation_outcome};

    #[test]
    fn an_issue_is_one_line() {
        let issue = Issue::error(IssueType::Required, "Say so.").at("Patient.name");
        let lines = super::issue_lines(&operation_outcome(&[issue]));
        assert_eq!(lines, ["error (required) at Patient.name: Say so."]);
    }
}
