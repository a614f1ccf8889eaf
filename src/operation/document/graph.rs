//! What a `GraphDefinition` adds to a document.
//!
//! Its links are followed from the Composition: a path to references of the resource at hand, or a
//! search with `{ref}` for it; each with the types that are wanted, and with links in turn. Rules
//! about compartments and profiles of targets are not supported, and refused.
//! Source: <http://hl7.org/fhir/R4/graphdefinition.html>,
//! <http://hl7.org/fhir/R4/composition-operation-document.html>.

use serde_json::Value;

use super::Document;
use crate::definitions::canonical::compare_versions;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Issue, IssueType, Reference, Resource, ResourceType, query};
use crate::index;
use crate::operation::episode::by_canonical;
use crate::operation::pages::{MOST, wrong};
use crate::repository::{self, Stored};
use crate::search::query::Limits;
use crate::search::{self, Query, Setting, Total};

/// How deep links are followed.
const DEPTH: usize = 16;

/// Follows the links of the graph of that canonical.
///
/// # Errors
/// [`Error::Request`] for a graph that is not held, or that does not begin at a Composition;
/// [`Error::NotSupported`]; [`Error::Invalid`] where fewer or more are found than a link allows.
pub(super) fn add(
    document: &mut Document<'_>,
    composition: &Resource,
    canonical: &str,
) -> Result<(), Error> {
    let graph = find(document, canonical)?;
    if graph.at("start") != "Composition" {
        return Err(wrong("graph", "A graph for documents starts at Composition."));
    }
    links(document, composition, &graph, ("GraphDefinition", DEPTH))
}

fn find(document: &Document<'_>, canonical: &str) -> Result<Value, Error> {
    let kind = ResourceType::parse("GraphDefinition").ok_or(Error::UnknownType)?;
    let (held, view, now) = (document.held, document.view, document.call.now);
    let mut found = by_canonical(held, view, now, kind, canonical)?;
    let version_of = |graph: &Resource| graph.value().at("version").as_str().map(str::to_owned);
    found.sort_by(|one, other| {
        compare_versions(version_of(one).as_deref(), version_of(other).as_deref())
    });
    let latest = found.pop().map(Resource::into_value);
    let none = || {
        let text = "This server holds no GraphDefinition of that canonical.";
        Error::Request(Issue::error(IssueType::NotFound, text).at("http.graph"))
    };
    latest.ok_or_else(none)
}

/// Follows the links of a graph or of one of its targets from a resource.
fn links(
    document: &mut Document<'_>,
    focus: &Resource,
    of: &Value,
    (place, depth): (&str, usize),
) -> Result<(), Error> {
    let list = of.at("link").as_array();
    for (at, link) in list.into_iter().flatten().enumerate() {
        let place = format!("{place}.link[{at}]");
        let depth = depth.checked_sub(1).ok_or_else(|| {
            Error::not_supported(place.clone(), format!("Links nest {DEPTH} deep at most."))
        })?;
        let mut count = 0;
        for (at, target) in link.at("target").as_array().into_iter().flatten().enumerate() {
            let place = format!("{place}.target[{at}]");
            for unsupported in ["compartment", "profile"] {
                if target.get(unsupported).is_some() {
                    let text = "Rules about compartments and profiles are not supported.";
                    return Err(Error::not_supported(format!("{place}.{unsupported}"), text));
                }
            }
            for stored in targets(document, focus, (link, target), &place)? {
                count += 1;
                let content = stored.content()?;
                document.add(stored)?;
                if let Some(content) = content {
                    links(document, &content, target, (&place, depth))?;
                }
            }
        }
        counted(link, count, &place)?;
    }
    Ok(())
}

/// What one target of a link finds.
fn targets(
    document: &Document<'_>,
    focus: &Resource,
    (link, target): (&Value, &Value),
    place: &str,
) -> Result<Vec<Stored>, Error> {
    let kind = target.at("type").as_str().and_then(ResourceType::parse);
    let kind =
        kind.ok_or_else(|| Error::not_supported(format!("{place}.type"), "It is a type."))?;
    if let Some(params) = target.at("params").as_str() {
        let id = focus.id_text().unwrap_or_default();
        let own = format!("{}/{id}", focus.kind());
        let mut pairs = query::pairs(params);
        for (_, value) in &mut pairs {
            *value = value.replace("{ref}", &own);
        }
        return searched(document, kind, &pairs);
    }
    let Some(path) = link.at("path").as_str() else {
        let text = "A link has a path, or its target has params.";
        return Err(Error::not_supported(place, text));
    };
    let values = index::values_at(path, focus.value()).map_err(|_| {
        Error::not_supported(place, "The path of the link cannot be read as FHIRPath.")
    })?;
    let mut found = Vec::new();
    for value in values {
        let text = value.get("reference").and_then(Value::as_str).or(value.as_str());
        let Some(Reference::Resource { base, kind: named, id, version }) =
            text.map(Reference::parse)
        else {
            continue;
        };
        if named != kind || base.is_some_and(|base| base != document.call.base) {
            continue;
        }
        let stored = match version {
            Some(version) => repository::version(document.view, kind, &id, version)?,
            None => repository::current(document.view, kind, &id)?,
        };
        found.extend(stored.filter(|stored| stored.body.is_some()));
    }
    Ok(found)
}

/// Whether as many were found as the link says.
fn counted(link: &Value, count: u64, place: &str) -> Result<(), Error> {
    let least = link.at("min").as_u64().unwrap_or_default();
    let most = link.at("max").as_str().and_then(|max| max.parse::<u64>().ok());
    if count >= least && most.is_none_or(|most| count <= most) {
        return Ok(());
    }
    let text = format!("The link finds {count} resources, which is not between its min and max.");
    Err(Error::Invalid(vec![Issue::error(IssueType::Invariant, text).at(place)]))
}

fn searched(
    document: &Document<'_>,
    kind: ResourceType,
    pairs: &[(String, String)],
) -> Result<Vec<Stored>, Error> {
    let rules = &document.held.rules;
    let setting =
        Setting { rules, now: document.call.now, strict: true, limits: Limits::default() };
    let mut query = Query::parse(&setting, kind, pairs)?;
    (query.count, query.total) = (MOST, Total::None);
    let mut found = Vec::new();
    let mut cursor = None;
    loop {
        let page = search::run(document.view, rules, &query, cursor.as_ref())?;
        found.extend(page.matches);
        cursor = page.next;
        if cursor.is_none() || found.len() > super::MOST {
            return Ok(found);
        }
    }
}
