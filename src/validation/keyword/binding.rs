//! `x-binding`: codes come from a value set.
//!
//! required: an error unless a code is in the set; extensible: a warning where codes are given and
//! none of them is. preferred and example ask nothing. What cannot be told from the code systems
//! held is no error, and a warning where the binding is required.
//! Source: <http://hl7.org/fhir/R4/terminologies.html#strength>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};
use crate::terminology::Membership;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Binding {
    required: bool,
    value_set: String,
}

/// A binding that asks nothing.
struct Nothing;

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let value_set = value.at("valueSet").as_str().ok_or("a valueSet is expected")?.to_owned();
    match value.at("strength").as_str() {
        Some("required") => Ok(Box::new(Binding { required: true, value_set })),
        Some("extensible") => Ok(Box::new(Binding { required: false, value_set })),
        Some("preferred" | "example") => Ok(Box::new(Nothing)),
        _ => Err("a strength is expected".to_owned()),
    }
}

impl Rule for Nothing {
    fn findings(&self, _: &Scope, _: &Value) -> Vec<Finding> {
        Vec::new()
    }
}

/// What the codes of a value say about a set.
#[derive(PartialEq, Eq)]
enum Verdict {
    /// There is no code, and something else in its place (an extension).
    Silent,
    /// There is no code.
    Uncoded,
    Coded(Membership),
}

impl Binding {
    fn verdict(&self, scope: &Scope, value: &Value) -> Verdict {
        let member = |system: Option<&str>, code: &str| {
            scope.catalog.terminology.membership(&self.value_set, system, code)
        };
        match value {
            Value::String(code) => Verdict::Coded(member(None, code)),
            Value::Object(object) => {
                let coding = |coding: &Value| {
                    let code = coding.at("code").as_str()?;
                    // A code without a system has no meaning, so it is in no set.
                    Some(match coding.at("system").as_str() {
                        Some(system) => member(Some(system), code),
                        None => Membership::Out,
                    })
                };
                let found: Vec<Membership> = match object.get("coding") {
                    Some(list) => {
                        list.as_array().into_iter().flatten().filter_map(coding).collect()
                    }
                    None => coding(value).into_iter().collect(),
                };
                let best = [Membership::In, Membership::Unknown, Membership::Out];
                match best.into_iter().find(|best| found.contains(best)) {
                    Some(best) => Verdict::Coded(best),
                    None if is_quantity(value) || is_extended(value) => Verdict::Silent,
                    None => Verdict::Uncoded,
                }
            }
            // A wrong JSON type is told by the type.
            _ => Verdict::Silent,
        }
    }
}

fn is_quantity(value: &Value) -> bool {
    ["value", "unit", "comparator"].iter().any(|name| value.get(name).is_some())
}

/// Whether extensions stand in the place of the content.
fn is_extended(value: &Value) -> bool {
    value.get("extension").is_some() && value.get("text").is_none()
}

impl Rule for Binding {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        match self.verdict(scope, value) {
            Verdict::Silent | Verdict::Coded(Membership::In) => true,
            Verdict::Uncoded | Verdict::Coded(Membership::Unknown) => !self.required,
            Verdict::Coded(Membership::Out) => false,
        }
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let set = &self.value_set;
        let code = IssueType::CodeInvalid;
        let finding = match (self.verdict(scope, value), self.required) {
            (Verdict::Coded(Membership::Unknown), _) => {
                let text = format!(
                    "Whether the code is in {set} cannot be told: its code system is not held here."
                );
                Finding::warning(code, text).message(Message::BindingUntold)
            }
            (Verdict::Uncoded, _) => {
                Finding::error(code, format!("A code from {set} is required; text is not enough."))
            }
            (_, true) => Finding::error(code, format!("The code must be one of {set}.")),
            (_, false) => {
                let text = format!(
                    "The code is not one of {set}; another is right only where none of the set fits."
                );
                Finding::warning(code, text)
            }
        };
        vec![finding.rule(set)]
    }
}
