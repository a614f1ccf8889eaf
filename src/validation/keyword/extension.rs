//! `x-extension`: an extension has a value or extensions (ext-1); one that is known is held to its
//! definition and used where that allows it. An unknown one is let pass with a warning, an unknown
//! modifier is refused. `x-extension-list`: how often one element may have an extension.
//!
//! Source: <http://hl7.org/fhir/R4/extensibility.html>,
//! <http://hl7.org/fhir/R4/defining-extensions.html>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};
use crate::validation::catalog::Compiled;
use crate::validation::finding::{Finding, collect};
use crate::validation::resource::broken;
use crate::validation::scope::{Frame, Scope};

struct Extension;

struct List;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Extension))
}

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn list(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(List))
}

/// Whether there is a value, or extensions, but not both.
fn is_one_of_two(value: &Value) -> bool {
    let Some(object) = value.as_object() else { return true };
    let names = || object.keys().map(|key| key.strip_prefix('_').unwrap_or(key));
    let has_value = names().any(|name| name.starts_with("value"));
    has_value != object.contains_key("extension")
}

/// What is known of the url of an extension.
enum Known<'a> {
    /// A name inside another extension, whose definition says what it is.
    Part,
    /// No url; that is told by the type.
    Nameless,
    Relative,
    Unknown,
    Broken(&'a str),
    /// A profile of something else.
    NoExtension,
    Held(&'a Compiled),
}

fn known<'a>(scope: &'a Scope, value: &Value, way: &[Frame]) -> Known<'a> {
    let Some(url) = value.at("url").as_str() else { return Known::Nameless };
    match scope.catalog.profile(url).map(|at| scope.catalog.compiled(at)) {
        Some(Ok(held)) if held.kind.as_deref() == Some("Extension") => Known::Held(held),
        Some(Ok(_)) => Known::NoExtension,
        Some(Err(fault)) => Known::Broken(fault),
        None if url.contains(':') => Known::Unknown,
        None if way.last().is_some_and(|own| own.standing.path == "Extension.extension") => {
            Known::Part
        }
        None => Known::Relative,
    }
}

fn is_modifier(way: &[Frame]) -> bool {
    way.last().is_some_and(|own| own.standing.path.ends_with(".modifierExtension"))
}

/// What is wrong with the use of a known extension.
fn misuse(scope: &Scope, held: &Compiled, value: &Value, way: &[Frame]) -> Option<&'static str> {
    let usage = held.context.usage.as_ref()?;
    if way.is_empty() {
        return None;
    }
    match (usage.modifier, is_modifier(way)) {
        (true, false) => return Some("The extension is a modifier and must stand among those."),
        (false, true) => {
            return Some("The extension is no modifier and must not stand among those.");
        }
        _ => {}
    }
    let at_home = usage.is_at_home(way);
    if !at_home && usage.paths().next().is_none() {
        return Some("The definition of the extension does not allow it here.");
    }
    if !at_home || !usage.invariants.is_empty() {
        scope.look_again(value, at_home);
    }
    None
}

impl Rule for Extension {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        if !is_one_of_two(value) {
            return false;
        }
        // What follows must not find the way in use.
        let way = scope.way();
        let held = match known(scope, value, &way) {
            Known::Part | Known::Nameless => return true,
            Known::Held(held) if misuse(scope, held, value, &way).is_none() => held,
            _ => return false,
        };
        drop(way);
        held.validator.is_valid(value)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let mut found = Vec::new();
        if !is_one_of_two(value) {
            let text = "An extension must have either a value or extensions.";
            found.push(Finding::error(IssueType::Invariant, text).rule("ext-1"));
        }
        let way = scope.way().to_vec();
        let refuse = |text: &str| Finding::error(IssueType::Extension, text);
        match known(scope, value, &way) {
            Known::Part | Known::Nameless => {}
            Known::Relative => {
                let text = "The url of an extension is absolute, unless it is inside another.";
                found.push(refuse(text).below(".url"));
            }
            Known::Unknown if is_modifier(&way) => {
                let text = "The modifier extension is not known here, so the meaning of what it \
                            stands in cannot be told.";
                found.push(refuse(text));
            }
            Known::Unknown => {
                let text = "The extension is not known here, so it was not held to a definition.";
                found.push(Finding::warning(IssueType::Extension, text));
            }
            Known::Broken(fault) => found.push(broken(fault)),
            Known::NoExtension => {
                let text = "The url must be that of an extension, not of a profile.";
                found.push(refuse(text).below(".url"));
            }
            Known::Held(held) => {
                let url = held.context.profile.as_deref().unwrap_or_default();
                found.extend(misuse(scope, held, value, &way).map(|text| refuse(text).rule(url)));
                found.extend(collect(scope, &held.validator, &held.context, value));
            }
        }
        found
    }
}

impl List {
    /// How often extensions are allowed that the element has more often.
    fn excess(scope: &Scope, value: &Value) -> Vec<u64> {
        let Some(items) = value.as_array().filter(|items| items.len() > 1) else {
            return Vec::new();
        };
        let mut excess = Vec::new();
        for (at, item) in items.iter().enumerate() {
            let Some(url) = item.at("url").as_str() else { continue };
            let Some(known) = scope.catalog.profile(url) else { continue };
            let held = scope.catalog.compiled(known).ok();
            let max = held.and_then(|held| held.context.usage.as_ref()?.max);
            let before = items.iter().take(at).filter(|other| other.at("url") == url).count();
            if let Some(max) = max.filter(|max| u64::try_from(before).is_ok_and(|b| b >= *max)) {
                excess.push(max);
            }
        }
        excess
    }
}

impl Rule for List {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        Self::excess(scope, value).is_empty()
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let say = |max: u64| {
            let text = format!("An extension here is allowed at most {max} time on one element.");
            Finding::error(IssueType::Structure, text).message(Message::TooMany)
        };
        Self::excess(scope, value).into_iter().map(say).collect()
    }
}
