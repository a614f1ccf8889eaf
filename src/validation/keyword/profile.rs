//! `x-profile`: the value meets one of these profiles.
//!
//! Where it meets none of those that are held, and one is not held or cannot be used, nothing can be
//! said and a warning says so.
//! Source: <http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.type.profile>.

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::definitions::element::canonical_tail;
use crate::fhir::{IssueType, Message};
use crate::validation::catalog::Compiled;
use crate::validation::finding::{Finding, collect};
use crate::validation::resource::broken;
use crate::validation::scope::Scope;

struct Profile(Vec<String>);

/// What is known of one of the profiles.
enum Known<'a> {
    Held(&'a Compiled),
    /// The canonical of a core type, which asks nothing but that type.
    Type(&'a str),
    Broken(&'a str),
    Missing,
}

impl Known<'_> {
    fn is_met(&self, scope: &Scope, value: &Value) -> bool {
        let kind = kind(value);
        match self {
            Self::Type("Resource" | "DomainResource") => true,
            Self::Type(name) => kind.is_none_or(|kind| kind == *name),
            Self::Broken(_) | Self::Missing => false,
            Self::Held(profile) => {
                let is_valid = || profile.validator.is_valid(value);
                (kind.is_none() || profile.is_for(kind)) && within(scope, value, is_valid)
            }
        }
    }
}

/// Runs `work` with the value as the current resource, if it is one.
fn within<R>(scope: &Scope, value: &Value, work: impl FnOnce() -> R) -> R {
    if kind(value).is_some() { scope.within(value, work) } else { work() }
}

fn kind(value: &Value) -> Option<&str> {
    value.get("resourceType").and_then(Value::as_str)
}

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Profile(texts(value).ok_or("an array of canonicals is expected")?)))
}

/// What is known of the profile of that canonical.
fn known<'a>(scope: &'a Scope, canonical: &'a str) -> Known<'a> {
    let tail = canonical_tail(canonical);
    match scope.catalog.profile(canonical).map(|at| scope.catalog.compiled(at)) {
        Some(Ok(compiled)) => Known::Held(compiled),
        Some(Err(fault)) => Known::Broken(fault),
        None if ["Resource", "DomainResource"].contains(&tail) => Known::Type(tail),
        None if scope.catalog.resource(tail).is_some() => Known::Type(tail),
        None => Known::Missing,
    }
}

impl Rule for Profile {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        self.0.iter().any(|canonical| known(scope, canonical).is_met(scope, value))
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        if let [only] = self.0.as_slice()
            && let Known::Broken(fault) = known(scope, only)
        {
            return vec![broken(fault)];
        }
        for canonical in &self.0 {
            let text = match known(scope, canonical) {
                Known::Missing => {
                    "The profile is not known here, so the element was not held to it."
                }
                Known::Broken(_) => {
                    "The profile cannot be used here, so the element was not held to it."
                }
                Known::Held(_) | Known::Type(_) => continue,
            };
            let finding =
                Finding::warning(IssueType::NotFound, text).message(Message::ProfileUnknown);
            return vec![finding.rule(canonical)];
        }
        // Of several profiles for one type each, that for the type of the value is meant.
        let kind = kind(value);
        let fitting = self.0.iter().filter_map(|canonical| match known(scope, canonical) {
            Known::Held(held) if kind.is_none() || held.is_for(kind) => Some(held),
            _ => None,
        });
        let fitting: Vec<&Compiled> = fitting.collect();
        if let [only] = fitting.as_slice() {
            return within(scope, value, || collect(scope, &only.validator, &only.context, value));
        }
        let text = format!("The value must meet one of {}.", self.0.join(", "));
        vec![Finding::error(IssueType::Structure, text).message(Message::ProfileNotMet)]
    }
}
