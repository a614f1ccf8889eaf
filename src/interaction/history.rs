//! history: what happened to a resource, to a type, or to all, newest first unless asked otherwise.
//!
//! Pages follow the order of commits, so a client that walks them while others write misses
//! nothing and sees nothing twice. What the standard leaves open: a deletion is a version that is
//! current until the resource is made again (`_at`); a List that names a resource without its
//! version means every version of it (`_list`); `_sort` knows `_lastUpdated` in both directions.
//! Source: <http://hl7.org/fhir/R4/http.html#history>, <http://hl7.org/fhir/R4/http.html#parameters>.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

use crate::definitions::model::Model;
use crate::error::Error;
use crate::fhir::bundle::{Bundle, BundleType, Entry, Response};
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Reference, ResourceType, VersionId};
use crate::index::date::Interval;
use crate::interaction::precondition::etag;
use crate::interaction::query::encode;
use crate::interaction::subset::Cut;
use crate::repository::{self, Cursor, Edge, Method, Page, Scope, Stored, Walk, Wanted};
use crate::store::View;

/// What is asked of a history.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Query {
    since: Option<Instant>,
    at: Option<RangeInclusive<i64>>,
    list: Option<Id>,
    walk: Walk,
    cut: Cut,
    /// What is repeated in the links, in this order.
    asked: Vec<(String, String)>,
}

/// How many versions a page has unless `_count` says otherwise, and at most.
const PAGE: usize = 100;
const LARGEST_PAGE: usize = 1000;

/// The parameter of the links between pages; its value is opaque to clients.
const CURSOR: &str = "_cursor";

impl Query {
    /// Reads the parameters. Unknown ones are refused if `strict`, else ignored.
    ///
    /// # Errors
    /// [`Error::Request`] for a bad or repeated value, [`Error::NotSupported`] for what the
    /// standard has but this server does not.
    pub fn parse(parameters: &[(String, String)], strict: bool) -> Result<Self, Error> {
        let walk = Walk { count: PAGE, ..Walk::default() };
        let cut = Cut::of_parameters(parameters)?;
        let mut query = Self { since: None, at: None, list: None, walk, cut, asked: Vec::new() };
        let mut seen: Vec<&str> = Vec::new();
        for (name, value) in parameters {
            let place = || format!("http.{name}");
            if seen.contains(&name.as_str()) {
                return Err(Error::request(place(), "The parameter may be given once only."));
            }
            seen.push(name);
            match name.as_str() {
                "_since" => query.since = Some(since(value)?),
                "_at" => query.at = Some(at(value)?),
                "_list" => query.list = Some(list(value)?),
                "_sort" => query.walk.ascending = ascending(value)?,
                "_count" => query.walk.count = count(value)?.min(LARGEST_PAGE),
                "_format" | "_pretty" | "_summary" | "_elements" => {}
                CURSOR => {
                    query.walk.from = Some(edge(value)?);
                    continue;
                }
                _ if strict => {
                    return Err(Error::request(place(), "A history has no such parameter."));
                }
                _ => continue,
            }
            query.asked.push((name.clone(), value.clone()));
        }
        query.asked.retain(|(name, _)| name != "_count");
        query.asked.insert(0, ("_count".to_owned(), query.walk.count.to_string()));
        Ok(query)
    }

    fn to_url(&self, path: &str, from: Option<Edge>) -> String {
        let mut all = self.asked.clone();
        all.extend(from.map(|Edge { cursor, backward }| {
            let head = if backward { 'p' } else { 'n' };
            (CURSOR.to_owned(), format!("{head}{}.{}", cursor.number, cursor.place))
        }));
        format!("{path}?{}", encode(&all))
    }

    /// The versions that are wanted, with the List as it is now; one that is not there names none.
    fn wanted(&self, view: &dyn View, base: &str) -> Result<Wanted, Error> {
        let listed = self.list.as_ref().map(|id| listed(view, id, base)).transpose()?;
        Ok(Wanted { since: self.since, at: self.at.clone(), listed })
    }
}

fn since(text: &str) -> Result<Instant, Error> {
    Instant::parse(text).ok_or_else(|| {
        let text = format!("_since is an instant, such as 2026-03-02T08:10:00Z.{}", hint(text));
        Error::request("http._since", text)
    })
}

/// Why a zone may not have arrived as it was meant.
fn hint(text: &str) -> &'static str {
    if text.contains(' ') { " A + in a URL is written %2B." } else { "" }
}

/// The time that a date means at its precision, in milliseconds.
fn at(text: &str) -> Result<RangeInclusive<i64>, Error> {
    let interval = Interval::parse(text).ok_or_else(|| {
        let form = "_at is a date or dateTime, such as 2026, 2026-03-02 or 2026-03-02T08:10:00Z.";
        Error::request("http._at", format!("{form}{}", hint(text)))
    })?;
    Ok(interval.start..=interval.end)
}

fn list(text: &str) -> Result<Id, Error> {
    if text.starts_with('$') {
        let text = "Functional lists are not offered; name a List by its id.";
        return Err(Error::not_supported("http._list", text));
    }
    let id = Id::parse(text.strip_prefix("List/").unwrap_or(text));
    id.ok_or_else(|| Error::request("http._list", "_list is the id of a List."))
}

fn ascending(text: &str) -> Result<bool, Error> {
    match text {
        "_lastUpdated" => Ok(true),
        "-_lastUpdated" => Ok(false),
        _ => {
            let text = "A history is sorted by _lastUpdated or -_lastUpdated.";
            Err(Error::request("http._sort", text))
        }
    }
}

fn count(text: &str) -> Result<usize, Error> {
    let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits {
        return Err(Error::request("http._count", "_count is a whole number, 0 or more."));
    }
    Ok(text.parse().unwrap_or(LARGEST_PAGE))
}

fn edge(text: &str) -> Result<Edge, Error> {
    let parse = || {
        let (head, rest) = text.split_at_checked(1)?;
        let backward = match head {
            "n" => false,
            "p" => true,
            _ => return None,
        };
        let (number, place) = rest.split_once('.')?;
        let cursor = Cursor { number: number.parse().ok()?, place: place.parse().ok()? };
        Some(Edge { cursor, backward })
    };
    parse().ok_or_else(|| {
        Error::request(format!("http.{CURSOR}"), "Follow the links between pages as they are.")
    })
}

/// The resources that a List names: those versions, or all where it names one without a version.
fn listed(
    view: &dyn View,
    id: &Id,
    base: &str,
) -> Result<BTreeMap<(ResourceType, Id), BTreeSet<VersionId>>, Error> {
    let mut all = BTreeMap::new();
    let Some(kind) = ResourceType::parse("List") else { return Ok(all) };
    let Some(stored) = repository::current(view, kind, id)? else { return Ok(all) };
    let Some(resource) = stored.content()? else { return Ok(all) };
    let entries = resource.value().at("entry").as_array().into_iter().flatten();
    let texts = entries.filter_map(|entry| entry.at("item").at("reference").as_str());
    let mut whole = BTreeSet::new();
    for text in texts {
        let Reference::Resource { base: of, kind, id, version } = Reference::parse(text) else {
            continue;
        };
        if of.is_some_and(|of| of != base) {
            continue;
        }
        let versions: &mut BTreeSet<VersionId> = all.entry((kind, id.clone())).or_default();
        match version {
            Some(version) => {
                versions.insert(version);
            }
            None => {
                whole.insert((kind, id));
            }
        }
    }
    for key in whole {
        all.insert(key, BTreeSet::new());
    }
    Ok(all)
}

/// A page of versions; `base` is the server's own, under which a List may name resources.
///
/// # Errors
/// [`Error::NotFound`] for a resource that never was, or a failure of the store.
pub fn history(view: &dyn View, scope: &Scope, query: &Query, base: &str) -> Result<Page, Error> {
    if let Scope::Instance(kind, id) = scope {
        repository::current(view, *kind, id)?.ok_or(Error::NotFound)?;
    }
    Ok(repository::history(view, scope, &query.wanted(view, base)?, query.walk)?)
}

/// The page as a Bundle of type history, with links under that base URL.
pub fn bundle(
    page: Page,
    (scope, query): (&Scope, &Query),
    model: &Model,
    base: &str,
    now: Instant,
) -> Bundle {
    let path = match scope {
        Scope::Instance(kind, id) => format!("{base}/{kind}/{id}/_history"),
        Scope::Type(kind) => format!("{base}/{kind}/_history"),
        Scope::System => format!("{base}/_history"),
    };
    let mut bundle = Bundle::new(BundleType::History, now);
    bundle.total = page.total;
    bundle.links.push(("self", query.to_url(&path, query.walk.from)));
    bundle.links.push(("first", query.to_url(&path, None)));
    for (relation, edge) in [("previous", page.previous), ("next", page.next)] {
        bundle.links.extend(edge.map(|edge| (relation, query.to_url(&path, Some(edge)))));
    }
    let cut = |stored: Stored| {
        let body = stored.body.map(|body| query.cut.apply(model, body));
        entry(Stored { body, ..stored }, base)
    };
    bundle.entries = page.versions.into_iter().map(cut).collect();
    bundle
}

fn entry(stored: Stored, base: &str) -> Entry {
    let path = format!("{}/{}", stored.kind, stored.id);
    let url = request_url(stored.method, stored.kind, &path);
    let status = match stored.method {
        Method::Delete => 204,
        _ if stored.version == VersionId(1) => 201,
        _ => 200,
    };
    Entry {
        full_url: Some(format!("{base}/{path}")),
        request: Some((stored.method.as_str(), url)),
        response: Some(Response {
            status,
            etag: Some(etag(stored.version)),
            last_modified: Some(stored.last_updated),
            ..Response::default()
        }),
        resource: stored.body,
        search_mode: None,
    }
}

fn request_url(method: Method, kind: ResourceType, path: &str) -> String {
    match method {
        Method::Post => kind.to_string(),
        Method::Put | Method::Patch | Method::Delete => path.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(parameters: &[(&str, &str)], strict: bool) -> Result<Query, Error> {
        let own = |(name, value): &(&str, &str)| ((*name).to_owned(), (*value).to_owned());
        Query::parse(&parameters.iter().map(own).collect::<Vec<_>>(), strict)
    }

    #[test]
    fn parameters() {
        for (parameters, strict, good) in [
            (vec![("_count", "5"), ("_since", "2026-03-02T08:10:00Z"), ("x", "y")], false, true),
            (vec![("x", "y")], true, false),
            (vec![("_format", "json"), ("_pretty", "true")], true, true),
            (vec![("_count", "-1")], false, false),
            (vec![("_count", "5"), ("_count", "5")], false, false),
            (vec![("_since", "2026-03-02T08:10:00 01:00")], false, false),
            (vec![("_since", "yesterday")], false, false),
            (vec![("_at", "2026"), ("_list", "List/l"), ("_sort", "-_lastUpdated")], true, true),
            (vec![("_at", "2026-13")], false, false),
            (vec![("_at", "ge2026")], false, false),
            (vec![("_list", "$current-problems")], false, false),
            (vec![("_list", "no id")], false, false),
            (vec![("_sort", "name")], false, false),
            (vec![("_summary", "true"), ("_elements", "id")], true, true),
            (vec![("_summary", "count")], false, false),
            (vec![("_cursor", "x")], false, false),
            (vec![("_cursor", "7.1")], false, false),
        ] {
            assert_eq!(parse(&parameters, strict).is_ok(), good, "{parameters:?}");
        }
    }

    #[test]
    fn links_lead_back_to_the_same_question() {
        let given = [("_count", "5"), ("_since", "2026-03-02T09:10:00+01:00")];
        let query = parse(&given, true).unwrap();
        let edge = Edge { cursor: Cursor { number: 7, place: 1 }, backward: true };
        let url = query.to_url("b/_history", Some(edge));
        let expected = "b/_history?_count=5&_since=2026-03-02T09:10:00%2B01:00&_cursor=p7.1";
        assert_eq!(url, expected);
        let (_, back) = url.split_once('?').unwrap();
        let back = Query::parse(&crate::interaction::query::pairs(back), true).unwrap();
        assert_eq!(back.walk.from, Some(edge));
    }
}
