//! A resource as a whole: by its type, by the profiles that it claims, and by where it stands.
//!
//! Source: <http://hl7.org/fhir/R4/resource.html>,
//! <http://hl7.org/fhir/R4/references.html#contained>.

use std::collections::HashSet;

use serde_json::Value;

use super::catalog::{Catalog, Compiled};
use super::finding::{Finding, collect};
use super::narrative::loose_links;
use super::scope::Scope;
use super::{definition, placement, whole};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};

/// Where a resource stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Place {
    /// On its own.
    Root,
    /// In an element that holds any resource, such as an entry of a Bundle.
    Entry,
    /// In `contained` of another.
    Contained,
}

/// Whether [`findings`] would find nothing: the quick way through for sound resources.
pub(super) fn is_valid(scope: &Scope, value: &Value, place: Place) -> bool {
    let Ok(compiled) = by_type(&scope.catalog, value) else { return false };
    if place == Place::Contained && !contained(value).is_empty()
        || !unreferenced(value).is_empty()
        || !loose_links(value).is_empty()
    {
        return false;
    }
    let valid = inside(scope, value, place, || {
        let (valid, pending) = scope.pending(|| compiled.validator.is_valid(value));
        valid
            && placement::findings(scope, &pending).is_empty()
            && definition::findings(scope, value).is_empty()
            && whole::findings(scope, value, place).is_empty()
            && profiles(value).all(|canonical| is_claim_met(scope, value, canonical))
    });
    valid.unwrap_or(false)
}

/// Whether the resource meets the profile; not, where that is not held.
pub(super) fn is_claim_met(scope: &Scope, value: &Value, canonical: &str) -> bool {
    if is_own_type(value, canonical) {
        return true;
    }
    let Some(at) = scope.catalog.profile(canonical) else { return false };
    let Ok(profile) = scope.catalog.compiled(at) else { return false };
    profile.is_for(value.at("resourceType").as_str()) && profile.validator.is_valid(value)
}

/// All that is wrong with the resource, its profiles included.
pub(super) fn findings(scope: &Scope, value: &Value, place: Place) -> Vec<Finding> {
    let compiled = match by_type(&scope.catalog, value) {
        Ok(compiled) => compiled,
        Err(finding) => return vec![*finding],
    };
    let mut found = if place == Place::Contained { contained(value) } else { Vec::new() };
    found.extend(unreferenced(value));
    found.extend(loose_links(value));
    let deeper = inside(scope, value, place, || {
        let (mut found, pending) =
            scope.pending(|| collect(scope, &compiled.validator, &compiled.context, value));
        found.extend(placement::findings(scope, &pending));
        found.extend(whole::findings(scope, value, place));
        if !found.iter().any(|finding| finding.issue.is_error()) {
            found.extend(definition::findings(scope, value));
        }
        for (at, canonical) in profiles(value).enumerate() {
            match scope.catalog.profile(canonical) {
                _ if is_own_type(value, canonical) => {}
                Some(profile) => found.extend(profile_findings(scope, profile, value)),
                None => found.push(unknown_profile(at, canonical)),
            }
        }
        found
    });
    let too_deep = || vec![Finding::error(IssueType::Structure, "Resources nest too deep here.")];
    found.extend(deeper.unwrap_or_else(too_deep));
    found
}

/// What a profile finds wrong with the resource.
pub(super) fn profile_findings(scope: &Scope, at: usize, value: &Value) -> Vec<Finding> {
    let name = scope.catalog.name(at);
    let profile = match scope.catalog.compiled(at) {
        Ok(profile) => profile,
        Err(fault) => return vec![broken(fault).rule(name)],
    };
    if !profile.is_for(value.at("resourceType").as_str()) {
        let kind = profile.kind.as_deref().unwrap_or("another type");
        let text = format!("The profile is for {kind} only.");
        return vec![Finding::error(IssueType::Structure, text).rule(name).by_profile(name)];
    }
    let found = collect(scope, &profile.validator, &profile.context, value).into_iter();
    found.map(|finding| finding.by_profile(name)).collect()
}

/// A definition that cannot be used; the server's fault, not the resource's.
pub(super) fn broken(fault: &str) -> Finding {
    Finding::error(IssueType::Exception, format!("The definition cannot be used: {fault}."))
}

/// Runs `work` with the resource as the one that is looked at.
fn inside<R>(scope: &Scope, value: &Value, place: Place, work: impl FnOnce() -> R) -> Option<R> {
    scope.deeper(|| match place {
        Place::Root => work(),
        Place::Contained | Place::Entry => scope.within(value, work),
    })
}

fn by_type<'a>(catalog: &'a Catalog, value: &Value) -> Result<&'a Compiled, Box<Finding>> {
    let refuse = |text: &str| Box::new(Finding::error(IssueType::Structure, text));
    let object = value.as_object().ok_or_else(|| refuse("A resource is a JSON object."))?;
    let name = object.get("resourceType").and_then(Value::as_str);
    let name = name.ok_or_else(|| refuse("A resource says its type in resourceType."))?;
    let at = catalog.resource(name);
    let at = at.ok_or_else(|| refuse("R4 has no resource type of the name in resourceType."))?;
    catalog.compiled(at).map_err(|fault| Box::new(broken(fault)))
}

/// The rules for a resource in `contained`.
fn contained(value: &Value) -> Vec<Finding> {
    let mut found = Vec::new();
    if value.get("contained").is_some() {
        let text = "A contained resource must not contain resources.";
        found.push(Finding::error(IssueType::Invariant, text).rule("dom-2"));
    }
    if value.get("id").is_none() {
        let text = "A contained resource must have an id, by which it is referred to.";
        found.push(Finding::error(IssueType::Required, text));
    }
    let meta = &value.at("meta");
    if meta.get("versionId").is_some() || meta.get("lastUpdated").is_some() {
        let text = "A contained resource must not have meta.versionId or meta.lastUpdated.";
        found.push(Finding::error(IssueType::Invariant, text).rule("dom-4"));
    }
    if meta.get("security").is_some() {
        let text = "A contained resource must not have security labels of its own.";
        found.push(Finding::error(IssueType::Invariant, text).rule("dom-5"));
    }
    found
}

/// dom-3: what is contained is referred to, or refers to its container. The published expression
/// does not evaluate, so this goes by the text.
fn unreferenced(value: &Value) -> Vec<Finding> {
    let Some(list) = value.get("contained").and_then(Value::as_array) else { return Vec::new() };
    let mut anchors = HashSet::new();
    collect_anchors(value, &mut anchors);
    let mut found = Vec::new();
    for (at, contained) in list.iter().enumerate() {
        let Some(id) = contained.get("id").and_then(Value::as_str) else { continue };
        let mut own = HashSet::new();
        collect_anchors(contained, &mut own);
        if !own.contains("") && !anchors.contains(id) {
            let text = "A contained resource must be referred to from the resource around it.";
            let finding = Finding::error(IssueType::Invariant, text).rule("dom-3");
            found.push(finding.below(&format!(".contained[{at}]")));
        }
    }
    found
}

/// Resources that stand on their own should have a narrative.
pub(super) fn advice(value: &Value) -> Vec<Finding> {
    let say = |place: &str| {
        let text = "The resource should have a narrative, for readers without its structure.";
        let finding = Finding::warning(IssueType::Invariant, text).rule("dom-6");
        finding.message(Message::NarrativeMissing).below(place)
    };
    let lacks = |value: &Value| {
        // Bundle, Binary and Parameters are no DomainResources and have none.
        let kind = value.at("resourceType").as_str().unwrap_or_default();
        !["Bundle", "Binary", "Parameters"].contains(&kind) && value.pointer("/text/div").is_none()
    };
    let mut found: Vec<Finding> = lacks(value).then(|| say("")).into_iter().collect();
    let entries = value.at("entry").as_array().into_iter().flatten().enumerate();
    for (at, entry) in entries {
        if entry.get("resource").is_some_and(lacks) {
            found.push(say(&format!(".entry[{at}].resource")));
        }
    }
    found
}

/// The texts below that start with `#`, without it.
fn collect_anchors<'v>(value: &'v Value, anchors: &mut HashSet<&'v str>) {
    match value {
        Value::String(text) => anchors.extend(text.strip_prefix('#')),
        Value::Array(list) => list.iter().for_each(|item| collect_anchors(item, anchors)),
        Value::Object(object) => object.values().for_each(|item| collect_anchors(item, anchors)),
        _ => {}
    }
}

fn profiles(value: &Value) -> impl Iterator<Item = &str> {
    let list = value.at("meta").at("profile").as_array();
    list.into_iter().flatten().filter_map(Value::as_str)
}

/// Whether the canonical is that of the core type, which holds in any case.
fn is_own_type(value: &Value, canonical: &str) -> bool {
    let url = canonical.split('|').next().unwrap_or(canonical);
    let name = url.strip_prefix("http://hl7.org/fhir/StructureDefinition/");
    name.is_some() && name == value.at("resourceType").as_str()
}

fn unknown_profile(at: usize, canonical: &str) -> Finding {
    let text = "The profile is not known here, so the resource was not held to it.";
    let finding = Finding::warning(IssueType::NotFound, text).message(Message::ProfileUnknown);
    // The text is the sender's, so only what looks like a canonical is repeated.
    let is_canonical = canonical.len() <= 200
        && canonical.starts_with("http")
        && canonical.bytes().all(|byte| byte.is_ascii_graphic());
    let finding = if is_canonical { finding.rule(canonical) } else { finding };
    finding.below(&format!(".meta.profile[{at}]"))
}
