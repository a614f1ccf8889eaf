//! One answer, held to its question: type, length, range, form, options.
//!
//! Source: <http://hl7.org/fhir/R4/questionnaire-definitions.html#Questionnaire.item.type>,
//! <http://hl7.org/fhir/R4/questionnaire-profiles.html> (extensions).

use std::cmp::Ordering;

use regex::Regex;
use serde_json::Value;

use super::enable::compare;
use super::response::{error, list};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, Reference};
use crate::terminology::Membership;
use crate::validation::finding::Finding;
use crate::validation::resolve::Target;
use crate::validation::scope::Scope;

/// The types of questions with the types of their answers.
const TYPES: &[(&str, &[&str])] = &[
    ("boolean", &["Boolean"]),
    ("decimal", &["Decimal"]),
    ("integer", &["Integer"]),
    ("date", &["Date"]),
    ("dateTime", &["DateTime"]),
    ("time", &["Time"]),
    ("string", &["String"]),
    ("text", &["String"]),
    ("url", &["Uri"]),
    ("choice", OPTIONS),
    ("open-choice", OPTIONS),
    ("attachment", &["Attachment"]),
    ("reference", &["Reference"]),
    ("quantity", &["Quantity"]),
];

/// What an option may be.
const OPTIONS: &[&str] = &["Coding", "String", "Integer", "Date", "Time", "Reference"];

/// The value of the question's extension of that name.
pub(super) fn extension<'v>(question: &'v Value, name: &str) -> Option<&'v Value> {
    extensions(question, name).next()
}

fn extensions<'v>(question: &'v Value, name: &str) -> impl Iterator<Item = &'v Value> {
    let tail = format!("http://hl7.org/fhir/StructureDefinition/{name}");
    let of_name = move |extension: &&'v Value| extension.at("url") == tail.as_str();
    list(question, "extension").filter(of_name).filter_map(super::enable::value)
}

pub(super) fn findings(
    scope: &Scope,
    questionnaire: &Target,
    question: &Value,
    answer: &Value,
) -> Vec<Finding> {
    let object = answer.as_object().into_iter().flatten();
    let given = object.into_iter().find(|(name, _)| name.starts_with("value"));
    let Some((name, value)) = given else { return Vec::new() };
    let kind = name.strip_prefix("value").unwrap_or_default();
    let asked = question.at("type").as_str().unwrap_or_default();
    let allowed = TYPES.iter().find(|(asks, _)| *asks == asked).map(|(_, kinds)| *kinds);
    let mut found = Vec::new();
    if allowed.is_some_and(|kinds| !kinds.contains(&kind)) {
        let text = format!("The answer to a question of the type {asked} cannot have that type.");
        found.push(error(IssueType::Value, text));
    } else {
        found.extend(length(question, value, kind));
        found.extend(range(question, value, kind));
        found.extend(form(question, value));
        let member = |set: &str| member(scope, questionnaire, set, value);
        found.extend(option(question, value, kind, member));
        found.extend(unit(scope, question, value, kind));
        found.extend(target(scope, question, value, kind));
    }
    found.into_iter().map(|finding| finding.below(".value")).collect()
}

fn length(question: &Value, value: &Value, kind: &str) -> Option<Finding> {
    let text = value.as_str().filter(|_| ["String", "Uri"].contains(&kind))?;
    let count = u64::try_from(text.chars().count()).unwrap_or(u64::MAX);
    let most = question.at("maxLength").as_u64().filter(|most| count > *most);
    if let Some(most) = most {
        let text = format!("The answer must not be longer than {most} characters.");
        return Some(error(IssueType::TooLong, text));
    }
    let least = extension(question, "minLength").and_then(Value::as_u64)?;
    (count < least).then(|| {
        error(IssueType::Value, format!("The answer must have at least {least} characters."))
    })
}

fn range(question: &Value, value: &Value, kind: &str) -> Vec<Finding> {
    let mut found = Vec::new();
    for (name, wrong, text) in [
        ("minValue", Ordering::Less, "The answer is less than the Questionnaire allows."),
        ("maxValue", Ordering::Greater, "The answer is more than the Questionnaire allows."),
    ] {
        let limit = extension(question, name);
        let limit = limit.or_else(|| {
            let name = if name == "minValue" { "minQuantity" } else { "maxQuantity" };
            let url =
                format!("http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-{name}");
            list(question, "extension")
                .find(|e| e.at("url") == url.as_str())
                .and_then(super::enable::value)
        });
        let Some(limit) = limit else { continue };
        match compare(value, limit, kind) {
            Some(order) if order == wrong => found.push(error(IssueType::Value, text)),
            None if kind == "Quantity" => {
                let text = "The answer cannot be compared with the limit of the Questionnaire: \
                            both need units of UCUM of the same kind.";
                found.push(error(IssueType::Value, text));
            }
            _ => {}
        }
    }
    let digits = extension(question, "maxDecimalPlaces").and_then(Value::as_u64);
    if let (Some(most), Value::Number(number)) = (digits, value) {
        let count = number.as_str().split_once('.').map_or(0, |(_, digits)| digits.len());
        if u64::try_from(count).unwrap_or(u64::MAX) > most {
            let text = format!("The answer must have at most {most} digits after the point.");
            found.push(error(IssueType::Value, text));
        }
    }
    found
}

fn form(question: &Value, value: &Value) -> Option<Finding> {
    let pattern = extension(question, "regex")?.as_str()?;
    let text = match value {
        Value::String(text) => text.clone(),
        Value::Number(number) => number.to_string(),
        _ => return None,
    };
    match Regex::new(&format!("^(?:{pattern})$")) {
        Ok(regex) if regex.is_match(&text) => None,
        Ok(_) => Some(error(IssueType::Value, "The answer does not have the form that is asked.")),
        Err(_) => {
            let text = "The form of the answer was not checked: its pattern cannot be read here.";
            let finding = Finding::warning(IssueType::NotSupported, text).rule("questionnaire");
            Some(finding.message(Message::Answers))
        }
    }
}

/// Choices: one of the options, or a code of the value set; open ones may be any text.
fn option(
    question: &Value,
    value: &Value,
    kind: &str,
    member: impl Fn(&str) -> Option<Finding>,
) -> Option<Finding> {
    let asked = question.at("type").as_str().unwrap_or_default();
    let mut options = list(question, "answerOption").peekable();
    if options.peek().is_some() {
        if asked == "open-choice" && kind == "String" {
            return None;
        }
        let kind_name = format!("value{kind}");
        let is_one = options.any(|option| {
            let wanted = option.at(&kind_name);
            !wanted.is_null() && compare(value, wanted, kind) == Some(Ordering::Equal)
        });
        let text = "The answer must be one of the options of the Questionnaire.";
        return (!is_one).then(|| error(IssueType::Value, text));
    }
    let set = question.at("answerValueSet").as_str()?;
    if kind != "Coding" {
        let text = "The answer must be a code of the value set of the Questionnaire.";
        let is_open = asked == "open-choice" && kind == "String";
        return (!is_open).then(|| error(IssueType::CodeInvalid, text));
    }
    member(set)
}

fn member(scope: &Scope, from: &Target, set: &str, value: &Value) -> Option<Finding> {
    let (system, code) = (value.at("system").as_str(), value.at("code").as_str()?);
    let terminology = &scope.catalog.terminology;
    // A contained set is that of the Questionnaire.
    let membership = match scope.resolve_from(from, set).found().filter(|_| set.starts_with('#')) {
        Some(set) => terminology.is_member(set.value(), system, code),
        None => terminology.membership(set, system, code),
    };
    match membership {
        Membership::In => None,
        Membership::Out => {
            let text = "The answer must be a code of the value set of the Questionnaire.";
            Some(error(IssueType::CodeInvalid, text))
        }
        Membership::Unknown => {
            let text =
                "Whether the answer is in the value set of the Questionnaire cannot be told.";
            let finding = Finding::warning(IssueType::CodeInvalid, text).rule(set);
            Some(finding.message(Message::BindingUntold))
        }
    }
}

fn unit(scope: &Scope, question: &Value, value: &Value, kind: &str) -> Option<Finding> {
    if kind != "Quantity" {
        return None;
    }
    let text = "The unit must be one of those that the Questionnaire offers.";
    let mut options = extensions(question, "questionnaire-unitOption").peekable();
    if options.peek().is_some() {
        let is_one = options.any(|option| {
            option.at("code") == value.at("code") && option.at("system") == value.at("system")
        });
        return (!is_one).then(|| error(IssueType::Value, text));
    }
    let set = extension(question, "questionnaire-unitValueSet")?.as_str()?;
    let (system, code) = (value.at("system").as_str(), value.at("code").as_str()?);
    let membership = scope.catalog.terminology.membership(set, system, code);
    (membership == Membership::Out).then(|| error(IssueType::Value, text))
}

fn target(scope: &Scope, question: &Value, value: &Value, kind: &str) -> Option<Finding> {
    let text = value.at("reference").as_str().filter(|_| kind == "Reference")?;
    let allowed = extensions(question, "questionnaire-referenceResource").filter_map(Value::as_str);
    let allowed: Vec<&str> = allowed.collect();
    let named = match Reference::parse(text) {
        Reference::Resource { kind, .. } => Some(kind.as_str().to_owned()),
        Reference::Contained(_) | Reference::Urn(_) => scope
            .resolve(text)
            .found()
            .and_then(|target| target.value().at("resourceType").as_str().map(str::to_owned)),
        // `https://a.example/Chicken/1` has the form of a resource's URL, and names no type.
        Reference::Url(url) => {
            let name = url.rsplit('/').nth(1)?;
            return name.starts_with(|c: char| c.is_ascii_uppercase()).then(|| {
                error(IssueType::Value, "The reference names a type that R4 does not have.")
            });
        }
        _ => None,
    };
    let named = named?;
    (!allowed.is_empty() && !allowed.contains(&named.as_str())).then(|| {
        error(IssueType::Value, format!("The answer must refer to {}.", allowed.join(" or ")))
    })
}
