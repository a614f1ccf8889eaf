//! `x-profile`: the value meets one of these profiles.
//!
//! Where one of them is not held, nothing can be said and a warning says so.
//! Source: <http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.type.profile>.

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::definitions::element::canonical_tail;
use crate::fhir::IssueType;
use crate::validation::catalog::Compiled;
use crate::validation::finding::{Finding, collect};
use crate::validation::resource::broken;
use crate::validation::scope::Scope;

struct Profile(Vec<String>);

/// What is known of one of the profiles.
enum Known<'a> {
    Held(Result<&'a Compiled, &'a str>),
    /// The canonical of a core type, which asks nothing but that type.
    Type(&'a str),
}

impl Known<'_> {
    fn is_met(&self, value: &Value) -> bool {
        let kind = value.get("resourceType").and_then(Value::as_str);
        match self {
            Self::Type(name) => kind.is_none_or(|kind| kind == *name),
            Self::Held(Err(_)) => false,
            Self::Held(Ok(profile)) => {
                (kind.is_none() || kind == profile.kind.as_deref())
                    && profile.validator.is_valid(value)
            }
        }
    }
}

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Profile(texts(value).ok_or("an array of canonicals is expected")?)))
}

impl Profile {
    /// The profiles that are held, and the first that is not.
    fn held<'a>(&'a self, scope: &'a Scope) -> (Vec<Known<'a>>, Option<&'a str>) {
        let (mut held, mut missing) = (Vec::new(), None);
        for canonical in &self.0 {
            match scope.catalog.profile(canonical) {
                Some(at) => held.push(Known::Held(scope.catalog.compiled(at))),
                None if scope.catalog.resource(canonical_tail(canonical)).is_some() => {
                    held.push(Known::Type(canonical_tail(canonical)));
                }
                None => missing = missing.or(Some(canonical.as_str())),
            }
        }
        (held, missing)
    }
}

impl Rule for Profile {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let (held, _) = self.held(scope);
        held.iter().any(|profile| profile.is_met(value))
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let (held, missing) = self.held(scope);
        match (held.as_slice(), missing) {
            (_, Some(canonical)) => {
                let text = "The profile is not known here, so the element was not held to it.";
                vec![Finding::warning(IssueType::NotFound, text).rule(canonical)]
            }
            ([Known::Held(Ok(only))], _) => collect(scope, &only.validator, &only.context, value),
            ([Known::Held(Err(fault))], _) => vec![broken(fault)],
            _ => {
                let text = format!("The value must meet one of {}.", self.0.join(", "));
                vec![Finding::error(IssueType::Structure, text)]
            }
        }
    }
}
