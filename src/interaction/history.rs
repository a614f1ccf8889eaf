//! history: what happened to a resource, to a type, or to all, newest first.
//!
//! Pages follow the order of commits, so a client that walks them while others write misses
//! nothing and sees nothing twice. Source: <http://hl7.org/fhir/R4/http.html#history>.

use crate::error::Error;
use crate::fhir::bundle::{Bundle, BundleType, Entry, Response};
use crate::fhir::{Instant, ResourceType, VersionId};
use crate::interaction::precondition::etag;
use crate::repository::{self, Cursor, Method, Page, Scope, Stored};
use crate::store::View;

/// What is asked of a history.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Query {
    /// Only versions made then or later.
    pub since: Option<Instant>,
    /// How many on a page at most.
    pub count: usize,
    /// Where the page begins.
    pub before: Option<Cursor>,
    since_text: Option<String>,
}

/// How many versions a page has unless `_count` says otherwise, and at most.
const PAGE: usize = 100;
const LARGEST_PAGE: usize = 1000;

/// The parameter of the links between pages; its value is opaque to clients.
const CURSOR: &str = "_cursor";

impl Query {
    /// Reads the parameters. Those of the answer's form (`_format`, `_pretty`) are passed over;
    /// unknown ones are refused if `strict`, else ignored.
    ///
    /// # Errors
    /// [`Error::Request`] for a bad or repeated value, [`Error::NotSupported`] for what the
    /// standard has but this server does not.
    pub fn parse(parameters: &[(String, String)], strict: bool) -> Result<Self, Error> {
        let mut query = Self { since: None, count: PAGE, before: None, since_text: None };
        let mut seen: Vec<&str> = Vec::new();
        for (name, value) in parameters {
            let place = format!("http.{name}");
            if seen.contains(&name.as_str()) {
                return Err(Error::request(place, "The parameter may be given once only."));
            }
            seen.push(name);
            match name.as_str() {
                "_since" => {
                    query.since = Some(since(value)?);
                    query.since_text = Some(value.clone());
                }
                "_count" => query.count = count(value)?.min(LARGEST_PAGE),
                CURSOR => query.before = Some(cursor(value)?),
                "_format" | "_pretty" => {}
                "_at" | "_list" | "_sort" => {
                    let text = "This server's histories know _since and _count.";
                    return Err(Error::not_supported(place, text));
                }
                _ if strict => {
                    return Err(Error::request(place, "A history has no such parameter."));
                }
                _ => {}
            }
        }
        Ok(query)
    }

    fn to_url(&self, path: &str, before: Option<Cursor>) -> String {
        let mut url = format!("{path}?_count={}", self.count);
        if let Some(since) = &self.since_text {
            let since = since.replace('+', "%2B");
            url.push_str(&format!("&_since={since}"));
        }
        if let Some(Cursor { number, place }) = before {
            url.push_str(&format!("&{CURSOR}={number}.{place}"));
        }
        url
    }
}

fn since(text: &str) -> Result<Instant, Error> {
    Instant::parse(text).ok_or_else(|| {
        let hint = if text.contains(' ') { " A + in a URL is written %2B." } else { "" };
        let text = format!("_since is an instant, such as 2026-03-02T08:10:00Z.{hint}");
        Error::request("http._since", text)
    })
}

fn count(text: &str) -> Result<usize, Error> {
    let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits {
        return Err(Error::request("http._count", "_count is a whole number, 0 or more."));
    }
    Ok(text.parse().unwrap_or(LARGEST_PAGE))
}

fn cursor(text: &str) -> Result<Cursor, Error> {
    let parse = || {
        let (number, place) = text.split_once('.')?;
        Some(Cursor { number: number.parse().ok()?, place: place.parse().ok()? })
    };
    parse().ok_or_else(|| {
        Error::request(format!("http.{CURSOR}"), "Follow the links between pages as they are.")
    })
}

/// A page of versions.
///
/// # Errors
/// [`Error::NotFound`] for a resource that never was, or a failure of the store.
pub fn history(view: &dyn View, scope: &Scope, query: &Query) -> Result<Page, Error> {
    if let Scope::Instance(kind, id) = scope {
        repository::current(view, *kind, id)?.ok_or(Error::NotFound)?;
    }
    Ok(repository::history(view, scope, query.since, query.before, query.count)?)
}

/// The page as a Bundle of type history, with links under that base URL.
pub fn bundle(page: Page, scope: &Scope, query: &Query, base: &str, now: Instant) -> Bundle {
    let path = match scope {
        Scope::Instance(kind, id) => format!("{base}/{kind}/{id}/_history"),
        Scope::Type(kind) => format!("{base}/{kind}/_history"),
        Scope::System => format!("{base}/_history"),
    };
    let mut bundle = Bundle::new(BundleType::History, now);
    bundle.total = page.total;
    bundle.links.push(("self", query.to_url(&path, query.before)));
    bundle.links.push(("first", query.to_url(&path, None)));
    if let Some(next) = page.next {
        bundle.links.push(("next", query.to_url(&path, Some(next))));
    }
    bundle.entries = page.versions.into_iter().map(|stored| entry(stored, base)).collect();
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
            (vec![("_at", "2026")], false, false),
            (vec![("_cursor", "x")], false, false),
        ] {
            assert_eq!(parse(&parameters, strict).is_ok(), good, "{parameters:?}");
        }
    }

    #[test]
    fn links_lead_back_to_the_same_question() {
        let given = [("_count", "5"), ("_since", "2026-03-02T09:10:00+01:00")];
        let query = parse(&given, true).unwrap();
        let url = query.to_url("b/_history", Some(Cursor { number: 7, place: 1 }));
        let expected = "b/_history?_count=5&_since=2026-03-02T09:10:00%2B01:00&_cursor=7.1";
        assert_eq!(url, expected);
    }
}
