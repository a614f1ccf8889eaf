//! From an error of the schema validator to an issue of the standard.
//!
//! A finding is an issue at a place relative to the schema that found it; each schema on the way up
//! adds its part of the path, and translates the JSON names of choice elements. Texts say what is
//! wrong and what would be right, and never repeat the value.

use std::cmp::Reverse;
use std::collections::HashSet;

use jsonschema::ValidationError;
use jsonschema::error::{TypeKind, ValidationErrorKind};
use jsonschema::paths::{Location, LocationSegment};
use serde_json::Value;

use super::catalog::Context;
use super::scope::Scope;
use crate::fhir::{Issue, IssueType};

/// An issue at a place that is relative.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Finding {
    pub(super) issue: Issue,
    /// The path below the place where the finding's schema started: `.component[1].value`.
    path: String,
}

impl Finding {
    /// An error at the value itself.
    pub(super) fn error(code: IssueType, text: impl Into<String>) -> Self {
        Self { issue: Issue::error(code, text), path: String::new() }
    }

    /// That issue, at the value itself.
    pub(super) fn of(issue: Issue) -> Self {
        Self { issue, path: String::new() }
    }

    /// A warning at the value itself.
    pub(super) fn warning(code: IssueType, text: impl Into<String>) -> Self {
        Self { issue: Issue::warning(code, text), path: String::new() }
    }

    /// The same finding, said of a place below.
    pub(super) fn below(mut self, path: &str) -> Self {
        self.path.insert_str(0, path);
        self
    }

    /// The same finding with its rule, unless it has one.
    pub(super) fn rule(mut self, rule: &str) -> Self {
        self.issue.rule.get_or_insert_with(|| rule.to_owned());
        self
    }
}

/// All findings of one schema on one value.
pub(super) fn collect(
    scope: &Scope,
    validator: &jsonschema::Validator,
    context: &Context,
    value: &Value,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for error in validator.iter_errors(value) {
        let path = path(error.instance_path(), context);
        let found = match error.kind() {
            ValidationErrorKind::Custom { message, .. } => {
                scope.kept(message).into_iter().collect()
            }
            kind => translate(kind, &error, context),
        };
        findings.extend(found.into_iter().map(|finding| {
            let finding = finding.below(&path);
            match &context.profile {
                Some(profile) => finding.rule(profile),
                None => finding,
            }
        }));
    }
    findings
}

/// The element path of a place in the JSON.
fn path(location: &Location, context: &Context) -> String {
    let mut path = String::new();
    for segment in location.segments() {
        match segment {
            LocationSegment::Property(name) => path.extend([".", element(&name, context)]),
            LocationSegment::Index(index) => path.extend(["[", &index.to_string(), "]"]),
        }
    }
    path
}

/// The element of a JSON name: `_birthDate` is birthDate, `valueQuantity` is value.
pub(super) fn element<'a>(name: &'a str, context: &'a Context) -> &'a str {
    let name = name.strip_prefix('_').unwrap_or(name);
    context.choices.get(name).map_or(name, String::as_str)
}

fn translate(
    kind: &ValidationErrorKind,
    error: &ValidationError<'_>,
    context: &Context,
) -> Vec<Finding> {
    use ValidationErrorKind as Kind;
    let (code, text) = match kind {
        Kind::AdditionalProperties { unexpected } => {
            return unexpected.iter().map(|name| unknown(name, context)).collect();
        }
        Kind::Required { property } => {
            (IssueType::Required, required(property.as_str().unwrap_or_default()))
        }
        Kind::Type { kind } => wrong_type(kind, error.instance()),
        Kind::Pattern { .. } => {
            (IssueType::Value, "The text does not have the form that its type asks.".to_owned())
        }
        Kind::Format { .. } => {
            (IssueType::Value, "There is no such day in the calendar.".to_owned())
        }
        Kind::MinLength { .. } => (IssueType::Value, "The text must not be empty.".to_owned()),
        Kind::MaxLength { limit } => {
            (IssueType::TooLong, format!("The text must not be longer than {limit} characters."))
        }
        Kind::Minimum { limit } => {
            (IssueType::Value, format!("The number must not be less than {limit}."))
        }
        Kind::Maximum { limit } => {
            (IssueType::Value, format!("The number must not be more than {limit}."))
        }
        Kind::MinItems { limit: 1 } => {
            let text = "An array must not be empty; leave the element out.";
            (IssueType::Structure, text.to_owned())
        }
        Kind::MinItems { limit } => {
            (IssueType::Required, format!("At least {limit} items are required here."))
        }
        Kind::MaxItems { limit } => {
            (IssueType::Structure, format!("At most {limit} items are allowed here."))
        }
        Kind::FalseSchema => (IssueType::Structure, "The element is not allowed here.".to_owned()),
        Kind::Constant { expected_value } => {
            (IssueType::Value, format!("The value must be {expected_value}."))
        }
        other => (IssueType::Structure, format!("The value breaks the rule {}.", other.keyword())),
    };
    vec![Finding::error(code, text)]
}

/// What is said of an element that is missing.
pub(super) fn required(name: &str) -> String {
    format!("The element {name} is required here.")
}

fn unknown(name: &str, context: &Context) -> Finding {
    let plain = name.strip_prefix('_').unwrap_or(name);
    let choice = context.choices.values().find(|base| context.is_typed(plain, base));
    if let Some(base) = choice {
        let text = format!("The element {base}[x] cannot have a value of that type.");
        return Finding::error(IssueType::Structure, text).below(&format!(".{base}"));
    }
    // The name comes from the sender, so only what looks like a name is repeated.
    let is_name = name.len() <= 64 && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
    let text = if is_name {
        format!("There is no element {name} here.")
    } else {
        "There is an element here that the type does not have.".to_owned()
    };
    Finding::error(IssueType::Structure, text)
}

fn wrong_type(kind: &TypeKind, instance: &Value) -> (IssueType, String) {
    let wanted = match kind {
        TypeKind::Single(kind) => kind.to_string(),
        TypeKind::Multiple(_) => "value of another type".to_owned(),
    };
    match (wanted.as_str(), instance) {
        ("array", _) => {
            let text = "The element may repeat, so its JSON form is an array.";
            (IssueType::Structure, text.to_owned())
        }
        (_, Value::Array(_)) => {
            let text = "The element does not repeat, so its JSON form is not an array.";
            (IssueType::Structure, text.to_owned())
        }
        (_, Value::Null) => {
            let text = "The value must not be null; leave the element out.";
            (IssueType::Structure, text.to_owned())
        }
        ("object", _) | (_, Value::Object(_)) => {
            (IssueType::Structure, format!("The value must be a JSON {wanted}."))
        }
        _ => (IssueType::Value, format!("The value must be a JSON {wanted}.")),
    }
}

/// The issues of findings on a resource of that type: each cause once, errors first.
pub(super) fn issues(kind: &str, findings: Vec<Finding>) -> Vec<Issue> {
    let mut seen = HashSet::new();
    let mut issues: Vec<Issue> = Vec::new();
    for finding in findings {
        let issue = finding.issue.at(format!("{kind}{}", finding.path));
        // One code may miss several value sets; that is one cause.
        let is_code = issue.code == IssueType::CodeInvalid;
        let text = if is_code { String::new() } else { issue.diagnostics.clone() };
        if seen.insert((issue.severity, issue.code, text, issue.expression.clone())) {
            issues.push(issue);
        }
    }
    drop_echoes(&mut issues);
    issues.sort_by_key(|issue| Reverse(issue.severity));
    issues
}

/// A code that its system does not have is in no value set either, and one of which nothing can be
/// said is in none for certain; where that is told of the element, it is not told of its coding
/// again.
fn drop_echoes(issues: &mut Vec<Issue>) {
    drop_unchecked(issues);
    let is_code = |issue: &Issue| issue.code == IssueType::CodeInvalid;
    let told = issues.iter().filter(|issue| is_code(issue) && issue.is_error());
    let told: HashSet<String> = told.filter_map(|issue| issue.expression.clone()).collect();
    issues.retain(|issue| {
        let place = issue.expression.as_deref().unwrap_or_default();
        let around = place.rsplit_once(".coding[").map(|(around, _)| around);
        !is_code(issue) || around.is_none_or(|around| !told.contains(around))
    });
}

/// How the text begins that says of a code that nothing can be said.
pub(super) const UNCHECKED: &str = "The code was not checked: ";

/// Of one element it is told once that its codes could not be checked, by its binding if that says
/// so.
fn drop_unchecked(issues: &mut Vec<Issue>) {
    fn element(issue: &Issue) -> &str {
        let place = issue.expression.as_deref().unwrap_or_default();
        place.rsplit_once(".coding[").map_or(place, |(element, _)| element)
    }
    let is_unchecked =
        |i: &Issue| i.code == IssueType::NotFound && i.diagnostics.starts_with(UNCHECKED);
    let by_binding = issues.iter().filter(|issue| issue.code == IssueType::CodeInvalid);
    let mut told: HashSet<String> =
        by_binding.filter_map(|issue| issue.expression.clone()).collect();
    issues.retain(|issue| !is_unchecked(issue) || told.insert(element(issue).to_owned()));
}
