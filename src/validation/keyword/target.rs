//! `x-target-profile`: the resource that a reference leads to meets one of these profiles; and
//! `x-target`: the same as a question, for slices.
//!
//! A target that is not at hand is let pass by the first, and belongs to no slice of the second.
//! Source: <http://hl7.org/fhir/R4/profiling.html#reference>,
//! <http://hl7.org/fhir/R4/profiling.html#discriminator>.

use jsonschema::Validator;
use serde_json::Value;

use super::{Rule, Site, options, texts};
use crate::definitions::element::canonical_tail;
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, Reference};
use crate::validation::finding::Finding;
use crate::validation::resolve::Target;
use crate::validation::resource::profile_findings;
use crate::validation::scope::Scope;

struct TargetProfile(Vec<String>);

struct TargetIs {
    types: Option<Vec<String>>,
    profiles: Option<Vec<String>>,
    schema: Option<Validator>,
}

/// What is known of a resource and profiles.
enum Met {
    Yes,
    /// It meets none; the position of the one profile that it could meet, if there is one.
    No(Option<usize>),
    /// One of the profiles is not held.
    Unknown(String),
}

pub(super) fn profile(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(TargetProfile(texts(value).ok_or("an array of canonicals is expected")?)))
}

pub(super) fn is(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let schema = value.get("schema").map(|schema| options(site.context).build(schema)).transpose();
    Ok(Box::new(TargetIs {
        types: value.get("types").and_then(texts),
        profiles: value.get("profiles").and_then(texts),
        schema: schema.map_err(|error| format!("target: {}", error.masked()))?,
    }))
}

/// The resource that a reference leads to, where it is at hand.
fn resolve(scope: &Scope, value: &Value) -> Option<Target> {
    scope.resolve(value.at("reference").as_str()?).found()
}

/// The type that a reference says it leads to.
fn said_type(value: &Value) -> Option<String> {
    match Reference::parse(value.at("reference").as_str().unwrap_or_default()) {
        Reference::Resource { kind, .. } | Reference::Conditional { kind, .. } => {
            Some(kind.as_str().to_owned())
        }
        _ => value.at("type").as_str().map(str::to_owned),
    }
}

fn met(scope: &Scope, target: &Target, profiles: &[String]) -> Met {
    let kind = target.value().at("resourceType").as_str().unwrap_or_default();
    let mut unknown = None;
    let mut nearest = Vec::new();
    for canonical in profiles {
        let tail = canonical_tail(canonical);
        match scope.catalog.profile(canonical) {
            Some(at) if scope.meets(target, at) => return Met::Yes,
            Some(at) => {
                // A profile that is broken says nothing.
                match scope.catalog.compiled(at) {
                    Ok(profile) if profile.is_for(Some(kind)) => nearest.push(at),
                    Ok(_) => {}
                    Err(_) => unknown = Some(canonical.clone()),
                }
            }
            None if ["Resource", "DomainResource", kind].contains(&tail) => return Met::Yes,
            None if scope.catalog.resource(tail).is_some() => {}
            None => unknown = Some(canonical.clone()),
        }
    }
    match (unknown, nearest.as_slice()) {
        (Some(unknown), _) => Met::Unknown(unknown),
        (None, [only]) => Met::No(Some(*only)),
        (None, _) => Met::No(None),
    }
}

impl Rule for TargetProfile {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let target = resolve(scope, value);
        target.is_none_or(|target| matches!(met(scope, &target, &self.0), Met::Yes))
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let Some(target) = resolve(scope, value) else { return Vec::new() };
        let finding = match met(scope, &target, &self.0) {
            Met::Yes => return Vec::new(),
            Met::Unknown(canonical) => {
                let text =
                    "The profile that the resource referred to should meet is not known here.";
                let finding = Finding::warning(IssueType::NotFound, text);
                finding.message(Message::ProfileUnknown).rule(&canonical)
            }
            Met::No(nearest) => {
                let why = nearest.map(|at| scope.at(target.clone(), || why(scope, at, &target)));
                let why = why.unwrap_or_default();
                let list = self.0.join(", ");
                let text = format!("The resource referred to must meet one of {list}.{why}");
                Finding::error(IssueType::Structure, text).message(Message::ProfileNotMet)
            }
        };
        vec![finding]
    }
}

/// The first thing that keeps the target from meeting the profile.
fn why(scope: &Scope, profile: usize, target: &Target) -> String {
    let found = profile_findings(scope, profile, target.value());
    let error = found.iter().find(|finding| finding.issue.is_error());
    error.map(|finding| format!(" There: {}", finding.issue.diagnostics)).unwrap_or_default()
}

impl TargetIs {
    fn is_met(&self, scope: &Scope, value: &Value) -> bool {
        let target = resolve(scope, value);
        let kind = match &target {
            Some(target) => target.value().at("resourceType").as_str().map(str::to_owned),
            None => said_type(value),
        };
        let of_type = self.types.as_ref().is_none_or(|types| {
            kind.as_ref().is_some_and(|kind| types.iter().any(|allowed| allowed == kind))
        });
        let of_profile = self.profiles.as_ref().is_none_or(|profiles| match &target {
            Some(target) => matches!(met(scope, target, profiles), Met::Yes),
            // Of a core type's own canonical the type tells enough.
            None => kind.as_ref().is_some_and(|kind| {
                let core = format!("http://hl7.org/fhir/StructureDefinition/{kind}");
                profiles.contains(&core)
            }),
        });
        let of_schema = self.schema.as_ref().is_none_or(|schema| {
            target
                .as_ref()
                .is_some_and(|target| scope.at(target.clone(), || schema.is_valid(target.value())))
        });
        of_type && of_profile && of_schema
    }
}

impl Rule for TargetIs {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        self.is_met(scope, value)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.is_met(scope, value) {
            return Vec::new();
        }
        vec![Finding::error(IssueType::Structure, "The reference must lead to another resource.")]
    }
}
