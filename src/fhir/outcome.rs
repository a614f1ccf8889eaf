//! OperationOutcome: what the server says about what it was sent.
//!
//! Source: <http://hl7.org/fhir/R4/operationoutcome.html>. `diagnostics` is written in sentences and
//! never carries a patient's values.

use serde_json::{Value, json};

/// How bad an issue is (<http://hl7.org/fhir/R4/valueset-issue-severity.html>).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum Severity {
    /// Nothing to do.
    Information,
    /// Stored, but worth a look.
    Warning,
    /// The content is refused.
    Error,
    /// The request could not be carried out at all.
    Fatal,
}

impl Severity {
    /// The code of the standard.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Information => "information",
            Self::Warning => "warning",
            Self::Error => "error",
            Self::Fatal => "fatal",
        }
    }
}

/// What kind of issue it is (<http://hl7.org/fhir/R4/valueset-issue-type.html>).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs, reason = "each variant is the code of the standard")]
pub enum IssueType {
    Invalid,
    Structure,
    Required,
    Value,
    Invariant,
    Security,
    Login,
    Forbidden,
    Processing,
    NotSupported,
    Duplicate,
    MultipleMatches,
    NotFound,
    Deleted,
    TooLong,
    CodeInvalid,
    Extension,
    TooCostly,
    BusinessRule,
    Conflict,
    Transient,
    Throttled,
    Exception,
    Incomplete,
    Informational,
}

impl IssueType {
    /// The code of the standard.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Invalid => "invalid",
            Self::Structure => "structure",
            Self::Required => "required",
            Self::Value => "value",
            Self::Invariant => "invariant",
            Self::Security => "security",
            Self::Login => "login",
            Self::Forbidden => "forbidden",
            Self::Processing => "processing",
            Self::NotSupported => "not-supported",
            Self::Duplicate => "duplicate",
            Self::MultipleMatches => "multiple-matches",
            Self::NotFound => "not-found",
            Self::Deleted => "deleted",
            Self::TooLong => "too-long",
            Self::CodeInvalid => "code-invalid",
            Self::Extension => "extension",
            Self::TooCostly => "too-costly",
            Self::BusinessRule => "business-rule",
            Self::Conflict => "conflict",
            Self::Transient => "transient",
            Self::Throttled => "throttled",
            Self::Exception => "exception",
            Self::Incomplete => "incomplete",
            Self::Informational => "informational",
        }
    }
}

/// One thing said about one place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Issue {
    /// How bad it is.
    pub severity: Severity,
    /// What kind it is.
    pub code: IssueType,
    /// A sentence: what is wrong, and what would be right. No patient values.
    pub diagnostics: String,
    /// The FHIRPath of the element, such as `Observation.component[1].value`; for a fault of the
    /// request, `http.` and the header or parameter.
    pub expression: Option<String>,
    /// The rule that was broken: a profile's canonical, an invariant's key, a value set.
    pub rule: Option<String>,
}

impl Issue {
    /// An error of that kind.
    pub fn error(code: IssueType, diagnostics: impl Into<String>) -> Self {
        let severity = Severity::Error;
        Self { severity, code, diagnostics: diagnostics.into(), expression: None, rule: None }
    }

    /// A warning of that kind.
    pub fn warning(code: IssueType, diagnostics: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, ..Self::error(code, diagnostics) }
    }

    /// Remarks without a fault.
    pub fn information(diagnostics: impl Into<String>) -> Self {
        let code = IssueType::Informational;
        Self { severity: Severity::Information, ..Self::error(code, diagnostics) }
    }

    /// The same issue, said of the element at `expression`.
    #[must_use]
    pub fn at(self, expression: impl Into<String>) -> Self {
        Self { expression: Some(expression.into()), ..self }
    }

    /// The same issue, with the rule that it breaks.
    #[must_use]
    pub fn rule(self, rule: impl Into<String>) -> Self {
        Self { rule: Some(rule.into()), ..self }
    }

    /// Whether the content must be refused for it.
    pub fn is_error(&self) -> bool {
        self.severity >= Severity::Error
    }

    fn to_value(&self) -> Value {
        let mut issue = json!({
            "severity": self.severity.as_str(),
            "code": self.code.as_str(),
            "details": { "text": self.rule.as_deref().unwrap_or(self.code.as_str()) },
            "diagnostics": self.diagnostics,
        });
        if let (Some(object), Some(expression)) = (issue.as_object_mut(), &self.expression) {
            object.insert("expression".into(), json!([expression]));
        }
        issue
    }
}

/// An OperationOutcome of those issues; with none, one that says all is well (the resource must
/// have at least one issue).
pub fn operation_outcome(issues: &[Issue]) -> Value {
    let all_well = [Issue::information("No issues were found.")];
    let issues = if issues.is_empty() { &all_well } else { issues };
    let issues: Vec<Value> = issues.iter().map(Issue::to_value).collect();
    json!({ "resourceType": "OperationOutcome", "issue": issues })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outcome_has_at_least_one_issue() {
        let outcome = operation_outcome(&[]);
        assert_eq!(outcome["issue"][0]["severity"], "information");
        let issue = Issue::error(IssueType::Required, "Say so.").at("Patient.name").rule("x-1");
        let outcome = operation_outcome(&[issue]);
        assert_eq!(outcome["issue"][0]["expression"][0], "Patient.name");
        assert_eq!(outcome["issue"][0]["details"]["text"], "x-1");
    }
}
