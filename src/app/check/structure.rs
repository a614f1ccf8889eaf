//! StructureDefinition: a profile or an extension that can be laid over its base.
//!
//! The rules of the base are the core type's; what a profile in between narrowed is looked at when
//! the whole is put together.
//! Source: <http://hl7.org/fhir/R4/structuredefinition.html>,
//! <http://hl7.org/fhir/R4/profiling.html#5.1.0.3>.

use rh_fhirpath::FhirPathParser;
use serde_json::Value;

use super::fault;
use super::path::{Reached, follow};
use crate::app::Standard;
use crate::definitions::canonical::Canonical;
use crate::definitions::element::{Max, canonical_tail};
use crate::definitions::model::{Element, Kind, Model};
use crate::fhir::json::At;
use crate::fhir::{Issue, IssueType};

/// How many profiles may rest on one another.
const MAX_DEPTH: usize = 32;

/// What is wrong with its base and with each element by itself.
pub(super) fn places(standard: &Standard, new: &Canonical) -> Vec<Issue> {
    let value = &new.value;
    let kind = value.at("type").as_str().unwrap_or_default();
    if !standard.model.contains(kind) {
        return vec![fault("StructureDefinition.type", "R4 has no type of this name.")];
    }
    let mut issues: Vec<Issue> = base(standard, new, kind).into_iter().collect();
    let (list, elements) = elements(value);
    for (at, element) in elements.iter().enumerate() {
        let place = format!("StructureDefinition.{list}.element[{at}]");
        issues.extend(one(standard, kind, element, &place));
    }
    issues
}

/// The elements of the definition, and the name of their list.
fn elements(value: &Value) -> (&'static str, &[Value]) {
    let list = ["differential", "snapshot"].into_iter().find(|name| value.get(*name).is_some());
    let list = list.unwrap_or("differential");
    (list, value.at(list).at("element").as_array().map_or(&[][..], Vec::as_slice))
}

/// The same, and whether rules can be made of the whole.
pub(super) fn check(standard: &Standard, new: &Canonical) -> Vec<Issue> {
    let mut issues = places(standard, new);
    // A finer word than that of the whole has been found already.
    if issues.iter().any(Issue::is_error) {
        return issues;
    }
    let (list, elements) = elements(&new.value);
    let canonical = match &new.version {
        Some(version) => format!("{}|{version}", new.url),
        None => new.url.clone(),
    };
    let whole = match standard.validator.fault(&canonical) {
        Ok(whole) => whole,
        Err(unknown) => Some(unknown.to_string()),
    };
    issues.extend(whole.map(|message| {
        let place = mentioned(elements, &message).map_or_else(
            || "StructureDefinition".to_owned(),
            |at| format!("StructureDefinition.{list}.element[{at}]{}", member(&message)),
        );
        fault(place, format!("No rules can be made of this: {message}."))
    }));
    issues
}

/// Whether it stands on something: a core type, or a chain of profiles that ends at one.
fn base(standard: &Standard, new: &Canonical, kind: &str) -> Option<Issue> {
    let place = "StructureDefinition.baseDefinition";
    let Some(first) = new.value.at("baseDefinition").as_str() else {
        return Some(fault(place, "A profile names the definition that it constrains."));
    };
    let mut next = first.to_owned();
    for _ in 0..MAX_DEPTH {
        let held = match standard.definitions.structure(&next) {
            Ok(held) => held,
            Err(broken) => return Some(fault(place, broken.to_string())),
        };
        let Some(held) = held else {
            let name = canonical_tail(&next).split('|').next().unwrap_or_default();
            let is_core = next.starts_with("http://hl7.org/fhir/StructureDefinition/")
                && standard.model.contains(name);
            return match is_core {
                true if standard.model.is_a(kind, name) => None,
                true => Some(fault(
                    "StructureDefinition.type",
                    format!("The type must be that of the base, {name}."),
                )),
                // Its own snapshot says what the base would.
                false if new.value.get("snapshot").is_some() => None,
                false => {
                    let text = format!("The base {next} is not held here.");
                    Some(Issue::error(IssueType::NotFound, text).at(place))
                }
            };
        };
        if held.at("type").as_str() != Some(kind) {
            let text = "The type must be that of the base.";
            return Some(fault("StructureDefinition.type", text));
        }
        held.at("baseDefinition").as_str().unwrap_or_default().clone_into(&mut next);
    }
    Some(fault(place, "The definition rests on itself."))
}

/// What is wrong with one element.
fn one(standard: &Standard, kind: &str, element: &Value, place: &str) -> Vec<Issue> {
    let path = element.at("path").as_str().unwrap_or_default();
    let mut steps = path.split('.');
    if steps.next() != Some(kind) {
        let text = format!("The path must begin with the type, {kind}.");
        return vec![fault(format!("{place}.path"), text)];
    }
    let model = &standard.model;
    let reached = match kind_of(model, kind).map(|kind| follow(model, kind, steps)) {
        Some(Ok(reached)) => reached,
        Some(Err(name)) => {
            let text = format!("R4 has no element {name} at this place of {kind}.");
            return vec![fault(format!("{place}.path"), text)];
        }
        None => Reached::Anything,
    };
    let mut issues = constraints(element, place);
    if let Reached::Types(kinds, held) = reached {
        issues.extend(held.into_iter().flat_map(|held| cardinality(element, held, place)));
        issues.extend(types(standard, element, &kinds, place));
    }
    issues
}

fn kind_of<'m>(model: &'m Model, kind: &'m str) -> Option<&'m str> {
    model.contains(kind).then_some(kind)
}

fn constraints(element: &Value, place: &str) -> Vec<Issue> {
    let list = element.at("constraint").as_array().into_iter().flatten().enumerate();
    let broken = list.filter_map(|(at, constraint)| {
        let source = constraint.at("expression").as_str()?;
        let error = FhirPathParser::new().parse(source).err()?;
        let place = format!("{place}.constraint[{at}].expression");
        Some(fault(place, format!("The expression is no FHIRPath: {error}.")))
    });
    broken.collect()
}

/// A profile may narrow how often an element occurs, never widen it.
fn cardinality(element: &Value, held: &Element, place: &str) -> Vec<Issue> {
    let mut issues = Vec::new();
    let is_slice = element.get("sliceName").is_some();
    let min = element.at("min").as_u64();
    let text = element.at("max").as_str();
    let max = text.and_then(Max::parse);
    if text.is_some() && max.is_none() {
        issues.push(fault(format!("{place}.max"), "The maximum must be a number or *."));
    }
    if let (Some(min), Some(Max::Times(max))) = (min, max)
        && min > max
    {
        issues.push(fault(format!("{place}.max"), format!("The maximum is below min, {min}.")));
    }
    if min.is_some_and(|min| min < u64::from(held.min)) && !is_slice {
        let text = format!("The base asks for {} at least.", held.min);
        issues.push(fault(format!("{place}.min"), text));
    }
    if !held.array && max.is_some_and(Max::repeats) {
        let text = "The base allows one at most, so a profile cannot allow more.";
        issues.push(fault(format!("{place}.max"), text));
    }
    issues
}

/// The types must be among those of the base, and a profile of a value be of that type.
fn types(standard: &Standard, element: &Value, kinds: &[&str], place: &str) -> Vec<Issue> {
    let model = &standard.model;
    let is_backbone = |kind: &&str| model.get(kind).is_some_and(|held| held.kind == Kind::Backbone);
    if kinds.iter().any(is_backbone) {
        return Vec::new();
    }
    let mut issues = Vec::new();
    for (at, said) in element.at("type").as_array().into_iter().flatten().enumerate() {
        let Some(code) = said.at("code").as_str() else { continue };
        let fits = code.starts_with("http://hl7.org/fhirpath/")
            || kinds.iter().any(|kind| model.is_a(code, kind));
        if !fits {
            let text = format!("The base allows {} here.", kinds.join(", "));
            issues.push(fault(format!("{place}.type[{at}].code"), text));
        }
        let profiles = said.at("profile").as_array().into_iter().flatten().enumerate();
        for (nth, canonical) in profiles {
            let held = canonical.as_str().map(|url| standard.definitions.structure(url));
            let Some(Ok(Some(held))) = held else { continue };
            let kind = held.at("type").as_str().unwrap_or_default();
            if !model.is_a(kind, code) {
                let place = format!("{place}.type[{at}].profile[{nth}]");
                issues.push(fault(place, format!("The profile is for {kind}, not for {code}.")));
            }
        }
    }
    issues
}

/// The member of the element that a message of the snapshot is about.
fn member(message: &str) -> &'static str {
    let members = [
        (" where the base asks for ", ".min"),
        ("allows more than the base", ".max"),
        ("can never be met", ".max"),
        ("has the type ", ".type"),
        ("has a weaker binding", ".binding.strength"),
    ];
    members.into_iter().find(|(words, _)| message.contains(words)).map_or("", |(_, name)| name)
}

/// The element that the message is about: the one whose id or path it names, the longest first.
fn mentioned(elements: &[Value], message: &str) -> Option<usize> {
    let names = elements.iter().enumerate().flat_map(|(at, element)| {
        let names = ["id", "path"].map(|key| element.at(key).as_str());
        names.into_iter().flatten().map(move |name| (name, at))
    });
    let named = names.filter(|(name, _)| name.contains('.') && message.contains(name));
    named.max_by_key(|(name, _)| name.len()).map(|(_, at)| at)
}
