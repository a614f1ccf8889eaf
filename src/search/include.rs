//! Includes: what is told along with the matches, for clients that would ask for it next.
//!
//! References are followed by the index rows of the matches, and backward by those of the resources
//! that point to them; only what is told is loaded. What is not there is left out, as the standard
//! says; what a match names by version comes in that version.
//! Source: <http://hl7.org/fhir/R4/search.html#include>.

use std::collections::BTreeSet;

use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Id, ResourceType, VersionId};
use crate::index::{Rules, key as row_key};
use crate::repository::{self, Stored, key};
use crate::search::Error;
use crate::search::query::Query;
use crate::search::read::Rows;
use crate::store::View;

/// One `_include` or `_revinclude`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Include {
    /// Whether those that point to a match are wanted, not those that it points to.
    pub reverse: bool,
    /// Whether it is for included resources as well as for matches.
    pub iterate: bool,
    /// The type that has the reference; none for any.
    pub source: Option<ResourceType>,
    /// The parameter; none for every reference.
    pub parameter: Option<String>,
    /// The only type that is wanted at the other end.
    pub target: Option<ResourceType>,
}

impl Include {
    /// Reads `Type:parameter[:Target]`, `Type:*`, or `*`: every reference, of every type.
    ///
    /// # Errors
    /// [`Error::BadValue`], [`Error::UnknownModifier`], [`Error::NotSupported`].
    pub fn parse(rules: &Rules, name: &str, value: &str) -> Result<Self, Error> {
        let (bare, modifier) = name.split_once(':').map_or((name, None), |(n, m)| (n, Some(m)));
        let iterate = match modifier {
            None => false,
            Some("iterate") => true,
            Some(modifier) => {
                let (name, modifier) = (name.to_owned(), modifier.to_owned());
                return Err(Error::UnknownModifier { name, modifier });
            }
        };
        let reverse = bare == "_revinclude";
        if value == "*" {
            return Ok(Self { reverse, iterate, source: None, parameter: None, target: None });
        }
        let mut parts = value.split(':');
        let kind = |text: &str| {
            let found = ResourceType::parse(text);
            found.ok_or_else(|| Error::bad(name, "it names a type that R4 does not have"))
        };
        let source = kind(parts.next().unwrap_or_default())?;
        let code = parts.next().ok_or_else(|| Error::bad(name, "it is Type:parameter"))?;
        let target = parts.next().map(kind).transpose()?;
        if parts.next().is_some() {
            return Err(Error::bad(name, "it has at most three parts: Type:parameter:Target"));
        }
        let parameter = (code != "*").then(|| code.to_owned());
        if let Some(code) = &parameter {
            let found = rules.parameter(source, code);
            let follows = found.is_some_and(|parameter| {
                parameter.definition.kind == ParameterType::Reference
                    && !parameter.sources.is_empty()
            });
            if !follows {
                return Err(Error::bad(name, "it names no reference parameter of that type"));
            }
        }
        Ok(Self { reverse, iterate, source: Some(source), parameter, target })
    }

    /// The names under which the rows of the references stand, each with the type that counts.
    fn sources(&self, rules: &Rules, kind: ResourceType) -> Vec<(String, Option<ResourceType>)> {
        let wanted = rules.parameters(kind).filter(|parameter| {
            let definition = &parameter.definition;
            definition.kind == ParameterType::Reference
                && self.parameter.as_ref().is_none_or(|code| *code == definition.code)
        });
        let names = wanted.flat_map(|parameter| {
            parameter.sources.iter().map(|source| (source.clone(), parameter.target))
        });
        names.collect()
    }
}

/// What is told along with the matches.
///
/// # Errors
/// [`Error::TooCostly`] when it is more than the limit; [`Error::Repository`].
pub(super) fn include(
    view: &dyn View,
    rules: &Rules,
    query: &Query,
    matches: &[Stored],
) -> Result<Vec<Stored>, Error> {
    let mut told: BTreeSet<_> =
        matches.iter().map(|found| (found.kind, found.id.clone())).collect();
    let mut included: Vec<Stored> = Vec::new();
    let mut frontier = told.clone();
    for round in 0..=query.limits.links {
        let mut next = BTreeSet::new();
        for one in query.includes.iter().filter(|include| round == 0 || include.iterate) {
            for (kind, id) in &frontier {
                let found = if one.reverse {
                    pointing_to(view, rules, one, (*kind, id), query.limits.most)?
                } else {
                    pointed_to(view, rules, one, *kind, id)?
                };
                for stored in found.into_iter().filter(|stored| stored.body.is_some()) {
                    let name = (stored.kind, stored.id.clone());
                    if told.insert(name.clone()) {
                        next.insert(name);
                        included.push(stored);
                    }
                }
                if included.len() > query.limits.most {
                    let message = format!("more than {} would be included", query.limits.most);
                    return Err(Error::costly(Some("_include"), &message));
                }
            }
        }
        frontier = next;
    }
    Ok(included)
}

fn pointed_to(
    view: &dyn View,
    rules: &Rules,
    one: &Include,
    kind: ResourceType,
    id: &Id,
) -> Result<Vec<Stored>, Error> {
    if one.source.is_some_and(|source| source != kind) {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    let rows = Rows::read(view, kind, id)?;
    for (source, only) in one.sources(rules, kind) {
        for row in rows.of(std::slice::from_ref(&source)) {
            let (row, entry) = row?;
            let text = |at: usize| {
                let part = entry.parts.get(at).map(Vec::as_slice).unwrap_or_default();
                std::str::from_utf8(part).unwrap_or_default()
            };
            let (Some(target), Some(id)) = (ResourceType::parse(text(1)), Id::parse(text(0)))
            else {
                continue;
            };
            if [only, one.target].iter().flatten().any(|wanted| *wanted != target) {
                continue;
            }
            let value = rows.value(row)?;
            for version in row_key::items(&value) {
                found.extend(match VersionId::parse(version) {
                    Some(version) => repository::version(view, target, &id, version)?,
                    None => repository::current(view, target, &id)?,
                });
            }
        }
    }
    Ok(found)
}

/// The resources that point to one, few more than `most` of them.
fn pointing_to(
    view: &dyn View,
    rules: &Rules,
    one: &Include,
    (kind, id): (ResourceType, &Id),
    most: usize,
) -> Result<Vec<Stored>, Error> {
    let mut found = Vec::new();
    if one.target.is_some_and(|target| target != kind) {
        return Ok(found);
    }
    let parts = [id.as_str().as_bytes(), kind.as_str().as_bytes()];
    let types: Vec<_> = one.source.map_or_else(|| ResourceType::all().collect(), |one| vec![one]);
    for source in types {
        for (name, only) in one.sources(rules, source) {
            if only.is_some_and(|wanted| wanted != kind) {
                continue;
            }
            for row in view.scan(key::index_range(source, &name, &parts, &[])) {
                if let Some((_, id)) = key::index_parts(&row?.key) {
                    found.extend(repository::current(view, source, &id)?);
                }
                if found.len() > most {
                    return Ok(found);
                }
            }
        }
    }
    Ok(found)
}
