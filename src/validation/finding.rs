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
use crate::fhir::json::is_name;
use crate::fhir::{Issue, IssueType, Message, Severity};

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

    /// The same finding, no worse than a warning.
    pub(super) fn at_most_warning(mut self) -> Self {
        self.issue.severity = self.issue.severity.min(Severity::Warning);
        self
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

    /// The same finding, said more closely.
    pub(super) fn message(mut self, message: Message) -> Self {
        self.issue.message = Some(message);
        self
    }

    /// The same finding, made by holding a resource to that profile.
    pub(super) fn by_profile(mut self, profile: &str) -> Self {
        self.issue.profile = Some(profile.into());
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
            ValidationErrorKind::Custom { message, .. } => scope.kept(message),
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
    use IssueType as T;
    use Message as M;
    use ValidationErrorKind as Kind;
    let (code, message, text) = match kind {
        Kind::AdditionalProperties { unexpected } => {
            return unexpected.iter().map(|name| unknown(name, context)).collect();
        }
        Kind::Required { property } => {
            (T::Required, M::ElementMissing, required(property.as_str().unwrap_or_default()))
        }
        Kind::Type { kind } => wrong_type(kind, error.instance()),
        Kind::Pattern { .. } => (T::Value, M::Format, form(context.name.as_str()).to_owned()),
        Kind::Format { format } if format == "x-base64" => {
            (T::Value, M::NotBase64, form("base64Binary").to_owned())
        }
        Kind::Format { .. } => {
            (T::Value, M::NoSuchDay, "There is no such day in the calendar.".to_owned())
        }
        Kind::MinLength { .. } => {
            (T::Value, M::TextEmpty, "The text must not be empty.".to_owned())
        }
        Kind::MaxLength { limit } => {
            let text = format!("The text must not be longer than {limit} characters.");
            (T::TooLong, M::TooLong, text)
        }
        Kind::Minimum { limit } => {
            (T::Value, M::OutOfRange, format!("The number must not be less than {limit}."))
        }
        Kind::Maximum { limit } => {
            (T::Value, M::OutOfRange, format!("The number must not be more than {limit}."))
        }
        Kind::MinItems { limit: 1 } => {
            let text = "An array must not be empty; leave the element out.";
            (T::Structure, M::ArrayEmpty, text.to_owned())
        }
        Kind::MinItems { limit } => {
            (T::Required, M::TooFew, format!("At least {limit} items are required here."))
        }
        Kind::MaxItems { limit } => {
            (T::Structure, M::TooMany, format!("At most {limit} items are allowed here."))
        }
        Kind::FalseSchema => {
            (T::Structure, M::ElementRefused, "The element is not allowed here.".to_owned())
        }
        Kind::Constant { expected_value } => {
            (T::Value, M::Fixed, format!("The value must be {expected_value}."))
        }
        other => {
            let text = format!("The value breaks the rule {}.", other.keyword());
            (T::Structure, M::Structure, text)
        }
    };
    vec![Finding::error(code, text).message(message)]
}

/// What a text of that type looks like.
fn form(kind: &str) -> &'static str {
    match kind {
        "id" => "An id is 1 to 64 of the letters A-Z and a-z, digits, '-' and '.'.",
        "code" => "A code has no white space at its ends, and no more than one space between.",
        "date" => "A date is YYYY, YYYY-MM or YYYY-MM-DD, and has no time.",
        "dateTime" => {
            "A dateTime is YYYY, YYYY-MM, YYYY-MM-DD, or that with a time to the second and a zone, \
             such as 2026-03-02T08:10:00+01:00."
        }
        "instant" => {
            "An instant has a day, a time to the second and a zone, such as \
             2026-03-02T08:10:00.000+01:00."
        }
        "time" => "A time is hh:mm:ss without a zone, with or without a fraction of the second.",
        "oid" => "An oid is urn:oid: and numbers with dots between.",
        "uuid" => "A uuid is urn:uuid: and a UUID in lower case.",
        "base64Binary" => {
            "The content is base64 in groups of four, padded with = at its end only, with white \
             space between groups only."
        }
        "uri" | "url" | "canonical" => "A URL or URI has no white space in it.",
        "string" | "markdown" => {
            "The text must have no control characters but tab, line feed and carriage return."
        }
        _ => "The text does not have the form that its type asks.",
    }
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
        let finding = Finding::error(IssueType::Structure, text).message(Message::ChoiceType);
        return finding.below(&format!(".{base}"));
    }
    // The name comes from the sender, so only what looks like a name is repeated.
    let text = if is_name(name) {
        format!("There is no element {name} here.")
    } else {
        "There is an element here that the type does not have.".to_owned()
    };
    Finding::error(IssueType::Structure, text).message(Message::ElementUnknown)
}

fn wrong_type(kind: &TypeKind, instance: &Value) -> (IssueType, Message, String) {
    let wanted = match kind {
        TypeKind::Single(kind) => kind.to_string(),
        TypeKind::Multiple(_) => "value of another type".to_owned(),
    };
    match (wanted.as_str(), instance) {
        ("array", _) => {
            let text = "The element may repeat, so its JSON form is an array.";
            (IssueType::Structure, Message::JsonType, text.to_owned())
        }
        (_, Value::Array(_)) => {
            let text = "The element does not repeat, so its JSON form is not an array.";
            (IssueType::Structure, Message::JsonType, text.to_owned())
        }
        (_, Value::Null) => {
            let text = "The value must not be null; leave the element out.";
            (IssueType::Structure, Message::NullMisplaced, text.to_owned())
        }
        ("object", _) | (_, Value::Object(_)) => {
            let text = format!("The value must be a JSON {wanted}.");
            (IssueType::Structure, Message::JsonType, text)
        }
        _ => {
            let text = format!("The value must be a JSON {wanted}.");
            (IssueType::Value, Message::JsonType, text)
        }
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

/// What follows from something that is told already is not told again: a code that its system does
/// not have is in no value set either, and one of which nothing can be said is in none for certain;
/// a null among objects is of the wrong type too.
fn drop_echoes(issues: &mut Vec<Issue>) {
    drop_unchecked(issues);
    let is_code = |issue: &Issue| issue.code == IssueType::CodeInvalid;
    let told = issues.iter().filter(|issue| is_code(issue) && issue.is_error());
    let told: HashSet<String> = told.filter_map(|issue| issue.expression.clone()).collect();
    let places = |message: Message| -> HashSet<String> {
        let told = issues.iter().filter(|issue| issue.told() == message);
        told.filter_map(|issue| issue.expression.clone()).collect()
    };
    let mistyped = places(Message::JsonType);
    let nulls = places(Message::NullMisplaced).into_iter();
    let with_null_items: HashSet<String> =
        nulls.filter_map(|place| Some(place.rsplit_once('[')?.0.to_owned())).collect();
    issues.retain(|issue| {
        let place = issue.expression.as_deref().unwrap_or_default();
        let around = place.rsplit_once(".coding[").map(|(around, _)| around);
        match issue.told() {
            // A null that is told of its item is not told of the array again.
            Message::NullMisplaced => !with_null_items.contains(place),
            // What is no code at all is told as that.
            _ if is_code(issue) && mistyped.contains(place) => false,
            _ => !is_code(issue) || around.is_none_or(|around| !told.contains(around)),
        }
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
