//! `x-extension`: an extension has a value or extensions (ext-1), and one that is known is held to
//! its definition wherever it occurs. Unknown ones are let pass.
//!
//! Source: <http://hl7.org/fhir/R4/extensibility.html>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::fhir::json::At;
use crate::validation::catalog::Compiled;
use crate::validation::finding::{Finding, collect};
use crate::validation::resource::broken;
use crate::validation::scope::Scope;

struct Extension;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Extension))
}

/// Whether there is a value, or extensions, but not both.
fn is_one_of_two(value: &Value) -> bool {
    let Some(object) = value.as_object() else { return true };
    let names = || object.keys().map(|key| key.strip_prefix('_').unwrap_or(key));
    let has_value = names().any(|name| name.starts_with("value"));
    has_value != object.contains_key("extension")
}

fn definition<'a>(scope: &'a Scope, value: &Value) -> Option<Result<&'a Compiled, &'a str>> {
    let url = value.at("url").as_str()?;
    let at = scope.catalog.profile(url)?;
    Some(scope.catalog.compiled(at))
}

impl Rule for Extension {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        is_one_of_two(value)
            && match definition(scope, value) {
                None => true,
                Some(Err(_)) => false,
                Some(Ok(known)) => {
                    known.kind.as_deref() == Some("Extension") && known.validator.is_valid(value)
                }
            }
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let mut found = Vec::new();
        if !is_one_of_two(value) {
            let text = "An extension must have either a value or extensions.";
            found.push(Finding::error(IssueType::Invariant, text).rule("ext-1"));
        }
        match definition(scope, value) {
            None => {}
            Some(Err(fault)) => found.push(broken(fault)),
            Some(Ok(known)) if known.kind.as_deref() == Some("Extension") => {
                found.extend(collect(scope, &known.validator, &known.context, value));
            }
            Some(Ok(_)) => {
                let text = "The url must be that of an extension, not of a profile.";
                found.push(Finding::error(IssueType::Extension, text).below(".url"));
            }
        }
        found
    }
}
