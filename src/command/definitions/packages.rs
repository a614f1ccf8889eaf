//! Packages named on the command line, and what of them is taken.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use serde_json::{Value, json};
use uuid::Uuid;

use super::super::Failure;
use crate::app::{Edit, Held, Refused, Standard, is_effective};
use crate::definitions::Origin;
use crate::definitions::package::Package;
use crate::fhir::json::At;
use crate::fhir::{Id, Issue, ResourceType};

/// The system of the tag that says which package a definition came from.
pub(super) const PACKAGE_TAG: &str = "https://spondyl.example/fhir/package";

/// The package that the server itself stands for.
const CORE: &str = "hl7.fhir.r4.core";

/// What is taken of some packages.
pub(crate) struct Choice {
    pub(super) chosen: Vec<Chosen>,
    /// How many were not taken, by what they are.
    pub(super) left_out: BTreeMap<String, usize>,
    /// Packages that are needed and not among those named: name, version, by which.
    pub(super) missing: BTreeSet<(String, String, String)>,
}

/// A definition of a package.
pub(super) struct Chosen {
    pub(super) package: String,
    /// The file of the package, and the file in it.
    pub(super) place: String,
    pub(super) kind: ResourceType,
    pub(super) id: Id,
    pub(super) value: Value,
}

/// Reads packages, each with the name of its file.
///
/// # Errors
/// [`Failure`], naming the file and the file in it.
pub(crate) fn read(paths: &[PathBuf]) -> Result<Vec<(String, Package)>, Failure> {
    let each = paths.iter().map(|path| {
        let name = path.display().to_string();
        let bytes = std::fs::read(path).map_err(|error| Failure::new(name.clone(), error))?;
        let package = Package::read(&name, &bytes);
        let package = package.map_err(|fault| Failure::new("the package is not loaded", fault))?;
        Ok((name, package))
    });
    each.collect()
}

/// Takes what has an effect and is not the standard's own or ours.
pub(crate) fn choose(packages: &[(String, Package)], standard: &Standard) -> Choice {
    let mut choice =
        Choice { chosen: Vec::new(), left_out: BTreeMap::new(), missing: BTreeSet::new() };
    let named = |url: &str| {
        let mut all = packages.iter().flat_map(|(_, package)| &package.resources);
        all.any(|(_, value)| value.at("url") == url)
    };
    let is_held = |url: &str| {
        let held = standard.definitions.origin("StructureDefinition", url);
        matches!(held, Ok(Some(_))) || named(url)
    };
    for (file, package) in packages {
        let label = format!("{}#{}", package.name, package.version);
        for (name, value) in &package.resources {
            let text = |key: &str| value.at(key).as_str();
            let kind = text("resourceType").and_then(ResourceType::parse);
            let place = format!("{file}: {name}");
            let why = match (kind.filter(|kind| is_effective(*kind)), text("url")) {
                (Some(kind), Some(url)) if !is_standards(standard, kind, url) => {
                    let derived = || Uuid::new_v5(&Uuid::NAMESPACE_URL, url.as_bytes()).to_string();
                    let id = text("id").and_then(Id::parse).or_else(|| Id::parse(&derived()));
                    if let Some(id) = id {
                        let mut value = tagged(value.clone(), &id, &label);
                        without_snapshot(&mut value, is_held);
                        let package = label.clone();
                        choice.chosen.push(Chosen { package, place, kind, id, value });
                    }
                    continue;
                }
                (Some(_), Some(_)) => "of the standard's own, which stay as they are".to_owned(),
                (Some(kind), None) => format!("{kind} without url"),
                (None, _) => {
                    format!("{}, which has no effect", text("resourceType").unwrap_or("?"))
                }
            };
            *choice.left_out.entry(why).or_default() += 1;
        }
        let named =
            |name: &str| name == CORE || packages.iter().any(|(_, other)| other.name == name);
        let missing = package.dependencies.iter().filter(|(name, _)| !named(name));
        choice.missing.extend(missing.map(|(name, v)| (name.clone(), v.clone(), label.clone())));
    }
    choice
}

/// The definitions with those of the packages, for a check without a store.
///
/// # Errors
/// [`Failure`], naming the file and the element that is broken.
pub(crate) fn in_force(held: &Held, packages: &[PathBuf]) -> Result<Held, Failure> {
    let choice = choose(&read(packages)?, &held.standard);
    let edit = |chosen: &Chosen| Edit {
        kind: chosen.kind,
        id: chosen.id.clone(),
        value: Some(Arc::new(chosen.value.clone())),
    };
    let edits: Vec<Edit> = choice.chosen.iter().map(edit).collect();
    held.next(&edits).map(|next| next.into_held()).map_err(|Refused(faults)| {
        let line = |(at, issue): &(usize, Issue)| {
            let file = choice.chosen.get(*at).map_or("", |chosen| chosen.place.as_str());
            let place = issue.expression.as_deref().unwrap_or_default();
            format!("{file}: {place}: {}", issue.diagnostics)
        };
        let lines: Vec<String> = faults.iter().map(line).collect();
        Failure::new("the package cannot be used", lines.join("\n"))
    })
}

/// The name and version of the package that a definition came from.
pub(super) fn package_of(value: &Value) -> Option<&str> {
    let mut tags = value.at("meta").at("tag").as_array()?.iter();
    tags.find(|tag| tag.at("system") == PACKAGE_TAG)?.at("code").as_str()
}

fn is_standards(standard: &Standard, kind: ResourceType, url: &str) -> bool {
    let origin = standard.definitions.origin(kind.as_str(), url);
    let parameter = kind.as_str() == "SearchParameter"
        && standard.parameters.by_url(url).is_some_and(|held| held.standard);
    parameter
        || standard.own.has_url(url)
        || matches!(origin, Ok(Some((Origin::Standard | Origin::Own, _))))
}

/// Leaves out the snapshot where the differential and a base that is held say the same; snapshots are
/// many times as large.
fn without_snapshot(value: &mut Value, is_held: impl Fn(&str) -> bool) {
    let base = value.at("baseDefinition").as_str().and_then(|base| base.split('|').next());
    let has_both = value.pointer("/differential/element/0").is_some();
    if has_both
        && base.is_some_and(is_held)
        && let Some(object) = value.as_object_mut()
    {
        object.shift_remove("snapshot");
    }
}

/// With the id and the tag of the package. The narrative is left out: it is made by publishing tools,
/// often with styles that fetch, and tells nothing that the definition does not.
fn tagged(mut value: Value, id: &Id, label: &str) -> Value {
    let tag = json!({ "system": PACKAGE_TAG, "code": label });
    if let Some(object) = value.as_object_mut() {
        object.shift_remove("text");
        object.insert("id".into(), json!(id.as_str()));
        let meta = object.entry("meta").or_insert_with(|| json!({}));
        if let Some(meta) = meta.as_object_mut() {
            let tags = meta.entry("tag").or_insert_with(|| json!([]));
            if let Some(tags) = tags.as_array_mut() {
                tags.push(tag);
            }
        }
    }
    value
}
