//! search: a page of the resources of a type for which all criteria hold.
//!
//! The self link tells the parameters as they were used; what was ignored is told in an outcome
//! beside the matches. Source: <http://hl7.org/fhir/R4/http.html#search>,
//! <http://hl7.org/fhir/R4/bundle.html#searchset>.

use crate::app::Held;
use crate::error::Error;
use crate::fhir::bundle::{Bundle, BundleType, Entry};
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Instant, ResourceType};
use crate::interaction::query::encode;
use crate::interaction::subset;
use crate::repository::Stored;
use crate::search::query::Limits;
use crate::search::{self, Cursor, Query, Setting};
use crate::store::View;

/// What is asked.
#[derive(Clone, Debug)]
pub struct Question {
    /// The type.
    pub kind: ResourceType,
    /// The parameters, decoded.
    pub pairs: Vec<(String, String)>,
    /// Whether unknown parameters are refused.
    pub strict: bool,
}

/// The parameter of the links between pages; its value is opaque to clients.
const CURSOR: &str = "_cursor";

/// Answers the question with links under that base URL.
///
/// # Errors
/// [`Error::Search`], or a failure of the store.
pub fn search(
    held: &Held,
    view: &dyn View,
    question: &Question,
    base: &str,
    now: Instant,
) -> Result<Bundle, Error> {
    let (cursors, pairs): (Vec<_>, Vec<_>) =
        question.pairs.iter().cloned().partition(|(name, _)| name == CURSOR);
    let cursor = cursors.first().map(|(_, text)| Cursor::parse(text)).transpose()?;
    let query = Query::parse(&setting(held, now, question.strict), question.kind, &pairs)?;
    let page = search::run(view, &held.rules, &query, cursor.as_ref())?;
    let mut bundle = Bundle::new(BundleType::Searchset, now);
    bundle.total = page.total;
    let form = pairs.iter().filter(|(name, _)| ["_format", "_pretty"].contains(&name.as_str()));
    let used: Vec<_> = query.used.iter().chain(form).cloned().collect();
    let path = format!("{base}/{}", question.kind);
    let link = |cursor: Option<&Cursor>| {
        let cursor = cursor.map(|cursor| (CURSOR.to_owned(), cursor.to_text()));
        let all: Vec<_> = used.iter().cloned().chain(cursor).collect();
        if all.is_empty() { path.clone() } else { format!("{path}?{}", encode(&all)) }
    };
    bundle.links.push(("self", link(cursor.as_ref())));
    bundle.links.push(("first", link(None)));
    let ends = [("previous", &page.previous), ("next", &page.next)];
    let ends =
        ends.into_iter().filter_map(|(name, cursor)| Some((name, link(Some(cursor.as_ref()?)))));
    bundle.links.extend(ends);
    let cut = subset::Cut::of_query(&query);
    for stored in page.matches {
        bundle.entries.push(entry(held, stored, &cut, base));
    }
    for stored in page.included {
        let full_url = Some(format!("{base}/{}/{}", stored.kind, stored.id));
        let search_mode = Some("include");
        bundle.entries.push(Entry {
            full_url,
            resource: stored.body,
            search_mode,
            ..Entry::default()
        });
    }
    if !query.ignored.is_empty() {
        let outcome = operation_outcome(&query.ignored).to_string().into_bytes();
        let search_mode = Some("outcome");
        bundle.entries.push(Entry { resource: Some(outcome), search_mode, ..Entry::default() });
    }
    Ok(bundle)
}

fn entry(held: &Held, stored: Stored, cut: &subset::Cut, base: &str) -> Entry {
    let full_url = Some(format!("{base}/{}/{}", stored.kind, stored.id));
    let body = stored.body.map(|body| cut.apply(&held.standard.model, body));
    Entry { full_url, resource: body, search_mode: Some("match"), ..Entry::default() }
}

/// What reading a query needs.
pub(super) fn setting(held: &Held, now: Instant, strict: bool) -> Setting<'_> {
    Setting { rules: &held.rules, now, strict, limits: Limits::default() }
}
