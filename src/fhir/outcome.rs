//! OperationOutcome: what the server says about what it was sent.
//!
//! Each issue has its kind, an id of our own ([`Message`]), the element, the rule and the profile that
//! it breaks, and line and column where the content came as text. `diagnostics` is written in
//! sentences and never carries a patient's values. `location` of R4 is a path in XML; what is said of
//! JSON is line and column there, and for programs in the two published extensions.
//! Source: <http://hl7.org/fhir/R4/operationoutcome.html>.

use std::cmp::Reverse;

use serde_json::{Map, Value, json};

use super::Message;
use super::place::Places;

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
    /// What is said, for programs; where nobody said it more closely it follows from `code`.
    pub message: Option<Message>,
    /// A sentence: what is wrong, and what would be right. No patient values.
    pub diagnostics: String,
    /// The FHIRPath of the element, such as `Observation.component[1].value`; for a fault of the
    /// request, `http.` and the header or parameter.
    pub expression: Option<String>,
    /// The rule that was broken: a profile's canonical, an invariant's key, a value set.
    pub rule: Option<String>,
    /// The canonical of the profile by which it was found; none for the base type.
    pub profile: Option<Box<str>>,
    /// Line and column in the text that was sent, from 1.
    pub position: Option<(u32, u32)>,
}

impl Issue {
    /// An error of that kind.
    pub fn error(code: IssueType, diagnostics: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            code,
            message: None,
            diagnostics: diagnostics.into(),
            expression: None,
            rule: None,
            profile: None,
            position: None,
        }
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

    /// The same issue, said more closely.
    #[must_use]
    pub fn message(self, message: Message) -> Self {
        Self { message: Some(message), ..self }
    }

    /// What is said, for programs.
    pub fn told(&self) -> Message {
        self.message.unwrap_or_else(|| Message::of(self.code))
    }

    /// Whether the content must be refused for it.
    pub fn is_error(&self) -> bool {
        self.severity >= Severity::Error
    }

    fn to_value(&self) -> Value {
        let mut issue = Map::new();
        if let Some((line, column)) = self.position {
            let part =
                |name: &str, number: u32| json!({ "url": extension(name), "valueInteger": number });
            issue.insert("extension".into(), json!([part("line", line), part("col", column)]));
        }
        issue.insert("severity".into(), json!(self.severity.as_str()));
        issue.insert("code".into(), json!(self.code.as_str()));
        let details = json!({ "coding": [self.told().coding()], "text": plain(&self.text()) });
        issue.insert("details".into(), details);
        issue.insert("diagnostics".into(), json!(plain(&self.diagnostics)));
        if let Some((line, column)) = self.position {
            issue.insert("location".into(), json!([format!("line {line}, column {column}")]));
        }
        if let Some(expression) = &self.expression {
            issue.insert("expression".into(), json!([expression]));
        }
        Value::Object(issue)
    }

    /// What is said in short, with the rule and the profile.
    fn text(&self) -> String {
        let mut text = self.told().display().to_owned();
        if let Some(rule) = &self.rule {
            text.extend([": ", rule]);
        }
        let profile = self.profile.as_deref();
        if let Some(profile) = profile.filter(|profile| self.rule.as_deref() != Some(profile)) {
            text.extend([" (profile ", profile, ")"]);
        }
        text
    }
}

/// The text as a string of FHIR may be: no control characters, and not without end. A part of it may
/// be the sender's, such as the URL of a system that is not held.
/// Source: <http://hl7.org/fhir/R4/datatypes.html#string>.
fn plain(text: &str) -> String {
    const MOST: usize = 2_000;
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).take(MOST).collect()
}

fn extension(name: &str) -> String {
    format!("http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-{name}")
}

/// The first `most` issues, the worst first, and how many were left out.
pub fn limited(mut issues: Vec<Issue>, most: usize) -> Vec<Issue> {
    issues.sort_by_key(|issue| Reverse(issue.severity));
    let Some(rest) = issues.get(most..).filter(|rest| !rest.is_empty()) else { return issues };
    let errors = rest.iter().filter(|issue| issue.is_error()).count();
    let text = format!("{} more issues are left out, of them {errors} errors.", rest.len());
    issues.truncate(most);
    issues.push(Issue::information(text).message(Message::LeftOut));
    issues
}

/// Adds line and column to the issues on a resource that came as that text, in either format. `root`
/// is the path of the resource within the text, such as `parameter[0].resource`; mostly it is empty.
pub fn locate(issues: &mut [Issue], text: &[u8], root: &str) {
    if issues.is_empty() {
        return;
    }
    if let Some(mut places) = Places::of(text) {
        places.locate(issues.iter_mut(), root);
    }
}

/// What is said where nothing is wrong.
pub fn all_well() -> Issue {
    Issue::information("No issues were found.").message(Message::AllWell)
}

/// An OperationOutcome of those issues; with none, one that says all is well (the resource must
/// have at least one issue).
pub fn operation_outcome(issues: &[Issue]) -> Value {
    let all_well = [all_well()];
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
        assert_eq!(outcome["issue"][0]["details"]["coding"][0]["code"], "all-well");
    }

    #[test]
    fn an_issue_says_what_where_and_by_which_rule() {
        let mut issue =
            Issue::error(IssueType::Invariant, "Say so.").at("Patient.name").rule("x-1");
        issue.profile = Some("http://a.example/p".into());
        issue.position = Some((2, 5));
        let outcome = operation_outcome(&[issue]);
        let issue = &outcome["issue"][0];
        assert_eq!(issue["expression"][0], "Patient.name");
        assert_eq!(issue["details"]["coding"][0]["code"], "constraint");
        let text = "A constraint does not hold: x-1 (profile http://a.example/p)";
        assert_eq!(issue["details"]["text"], text);
        assert_eq!(issue["location"], json!(["line 2, column 5"]));
        assert_eq!(issue["extension"][1]["valueInteger"], 5);
    }

    #[test]
    fn texts_of_the_sender_do_not_spoil_the_answer() {
        let text = format!("a\u{0}b{}", "c".repeat(5_000));
        let outcome = operation_outcome(&[Issue::error(IssueType::Value, text)]);
        let told = outcome["issue"][0]["diagnostics"].as_str().unwrap();
        assert!(told.starts_with("a bc") && told.len() == 2_000);
    }

    #[test]
    fn the_worst_are_told_and_the_rest_is_counted() {
        let warning = Issue::warning(IssueType::Value, "w");
        let error = Issue::error(IssueType::Value, "e");
        let issues = vec![warning.clone(), error.clone(), warning.clone(), error.clone()];
        let told: Vec<_> = limited(issues.clone(), 3).into_iter().map(|i| i.diagnostics).collect();
        assert_eq!(told, ["e", "e", "w", "1 more issues are left out, of them 0 errors."]);
        assert_eq!(limited(issues, 4).len(), 4);
    }
}
