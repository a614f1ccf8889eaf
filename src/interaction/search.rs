//! search: a page of the resources of a type, of several types, or of a compartment, for which all
//! criteria hold.
//!
//! The self link tells the parameters as they were used; what was ignored is told in an outcome
//! beside the matches. Source: <http://hl7.org/fhir/R4/http.html#search>,
//! <http://hl7.org/fhir/R4/http.html#vsearch>, <http://hl7.org/fhir/R4/bundle.html#searchset>.

use crate::app::Held;
use crate::definitions::compartment::Compartments;
use crate::error::Error;
use crate::fhir::bundle::{Bundle, BundleType, Entry};
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Id, Instant, Issue, ResourceType};
use crate::interaction::query::encode;
use crate::interaction::subset;
use crate::repository::Stored;
use crate::search::across::{Across, Place};
use crate::search::clause::Clause;
use crate::search::contained;
use crate::search::query::Limits;
use crate::search::{self, Cursor, Page, Plan, Query, Setting};
use crate::store::View;

/// What is asked.
#[derive(Clone, Debug)]
pub struct Question {
    /// Among what.
    pub scope: Scope,
    /// The parameters, decoded.
    pub pairs: Vec<(String, String)>,
    /// Whether unknown parameters are refused.
    pub strict: bool,
    /// What may be touched of the store, in rows; none: what the server ships with.
    pub most_rows: Option<u64>,
}

impl Question {
    /// Whether it is of one type and all that it takes is counted by the rows: neither code systems
    /// nor other resources are gone through for it.
    pub fn is_plain(&self) -> bool {
        let of_one = matches!(self.scope, Scope::Type(_) | Scope::Compartment(_, _, Some(_)));
        let is_plain = |(name, value): &(String, String)| {
            let own = !name.contains([':', '.']) || name.starts_with("_has:");
            own && !WIDE.contains(&name.as_str()) && value.len() < LONG
        };
        of_one && self.pairs.iter().all(is_plain)
    }

    fn setting<'a>(&self, held: &'a Held, now: Instant) -> Setting<'a> {
        let mut setting = setting(held, now, self.strict);
        setting.limits.rows = self.most_rows.unwrap_or(setting.limits.rows);
        setting
    }
}

/// Parameters by which other resources are read, or the content of resources.
const WIDE: [&str; 7] =
    ["_include", "_revinclude", "_contained", "_list", "_text", "_content", "_summary"];

/// The length from which on a value is not plain, in bytes.
const LONG: usize = 512;

/// Among what is searched.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Scope {
    /// All types, or those that `_type` names.
    System,
    /// One type.
    Type(ResourceType),
    /// What belongs to a resource, of one type or of all.
    Compartment(ResourceType, Id, Option<ResourceType>),
}

impl Scope {
    /// The path below the base.
    fn path(&self) -> String {
        match self {
            Self::System => String::new(),
            Self::Type(kind) => format!("/{kind}"),
            Self::Compartment(of, id, Some(kind)) => format!("/{of}/{id}/{kind}"),
            Self::Compartment(of, id, None) => format!("/{of}/{id}/*"),
        }
    }
}

/// The parameter of the links between pages; its value is opaque to clients.
const CURSOR: &str = "_cursor";

/// Answers the question with links under that base URL.
///
/// # Errors
/// [`Error::Search`], [`Error::UnknownRoute`] for a type that has no compartments,
/// [`Error::Request`] for a type that is in none of them, or a failure of the store.
pub fn search(
    held: &Held,
    view: &dyn View,
    question: &Question,
    base: &str,
    now: Instant,
) -> Result<Bundle, Error> {
    let (cursors, pairs): (Vec<_>, Vec<_>) =
        question.pairs.iter().cloned().partition(|(name, _)| name == CURSOR);
    let cursor = cursors.first().map(|(_, text)| text.as_str());
    let found = match read(&question.setting(held, now), &question.scope, &pairs)? {
        Asked::One(query) => of_type(held, view, &query, cursor)?,
        Asked::Several(across) => of_types(held, view, &across, cursor)?,
    };
    let form = pairs.iter().filter(|(name, _)| ["_format", "_pretty"].contains(&name.as_str()));
    let used: Vec<_> = found.used.iter().chain(form).cloned().collect();
    let path = format!("{base}{}", question.scope.path());
    let link = |cursor: Option<&str>| {
        let cursor = cursor.map(|cursor| (CURSOR.to_owned(), cursor.to_owned()));
        let all: Vec<_> = used.iter().cloned().chain(cursor).collect();
        if all.is_empty() { path.clone() } else { format!("{path}?{}", encode(&all)) }
    };
    let mut bundle = Bundle::new(BundleType::Searchset, now);
    bundle.total = found.page.total;
    bundle.links.push(("self", link(cursor)));
    bundle.links.push(("first", link(None)));
    let ends = [("previous", &found.previous), ("next", &found.next)];
    let ends =
        ends.into_iter().filter_map(|(name, cursor)| Some((name, link(Some(cursor.as_ref()?)))));
    bundle.links.extend(ends);
    bundle.entries = entries(held, found, base);
    Ok(bundle)
}

/// How the question is answered: a plan for each type, in the order of their names.
///
/// # Errors
/// As [`search()`].
pub fn plans(
    held: &Held,
    view: &dyn View,
    question: &Question,
    now: Instant,
) -> Result<Vec<Plan>, Error> {
    let asked = read(&question.setting(held, now), &question.scope, &question.pairs)?;
    let queries = match asked {
        Asked::One(query) => vec![*query],
        Asked::Several(across) => across.queries,
    };
    let plans = queries.iter().map(|query| Plan::of(view, &held.rules, query));
    Ok(plans.collect::<Result<_, _>>()?)
}

/// A question that was understood.
enum Asked {
    One(Box<Query>),
    Several(Across),
}

fn read(setting: &Setting<'_>, scope: &Scope, pairs: &[(String, String)]) -> Result<Asked, Error> {
    let query = |kind| Query::parse(setting, kind, pairs).map(Box::new);
    Ok(match scope {
        Scope::Type(kind) => Asked::One(query(*kind)?),
        Scope::Compartment(of, id, Some(kind)) => {
            let mut query = query(*kind)?;
            if query.contained != search::Contained::False {
                let (name, message) = ("_contained".to_owned(), "compartments have none of them");
                let message = message.to_owned();
                return Err(search::Error::NotSupported { name, message }.into());
            }
            query.clauses.push(within(setting, *kind, (*of, id))?);
            Asked::One(query)
        }
        Scope::System => Asked::Several(Across::parse(setting, pairs, &|_| true)?),
        Scope::Compartment(of, id, None) => {
            let compartments = Compartments::standard();
            if !compartments.has(*of) {
                return Err(Error::UnknownRoute);
            }
            let belongs =
                |kind: ResourceType| kind == *of || !compartments.parameters(*of, kind).is_empty();
            let mut across = Across::parse(setting, pairs, &belongs)?;
            for query in &mut across.queries {
                query.clauses.push(within(setting, query.kind, (*of, id))?);
            }
            Asked::Several(across)
        }
    })
}

/// What was found, with what the answer tells beside it.
struct Found {
    page: Page,
    used: Vec<(String, String)>,
    ignored: Vec<Issue>,
    cut: subset::Cut,
    previous: Option<String>,
    next: Option<String>,
}

fn of_type(
    held: &Held,
    view: &dyn View,
    query: &Query,
    cursor: Option<&str>,
) -> Result<Found, Error> {
    if query.contained != search::Contained::False {
        return among_contained(held, view, query, cursor);
    }
    let cursor = cursor.map(Cursor::parse).transpose()?;
    let page = search::run(view, &held.rules, query, cursor.as_ref())?;
    Ok(Found {
        used: query.used.clone(),
        ignored: query.ignored.clone(),
        cut: subset::Cut::of_query(query),
        previous: page.previous.as_ref().map(Cursor::to_text),
        next: page.next.as_ref().map(Cursor::to_text),
        page,
    })
}

fn among_contained(
    held: &Held,
    view: &dyn View,
    query: &Query,
    cursor: Option<&str>,
) -> Result<Found, Error> {
    let place = cursor.map(contained::Place::parse).transpose()?;
    let (page, next) = search::run_contained(view, &held.rules, query, place.as_ref())?;
    Ok(Found {
        used: query.used.clone(),
        ignored: query.ignored.clone(),
        cut: subset::Cut::of_query(query),
        previous: None,
        next: next.as_ref().map(contained::Place::to_text),
        page,
    })
}

fn of_types(
    held: &Held,
    view: &dyn View,
    across: &Across,
    cursor: Option<&str>,
) -> Result<Found, Error> {
    let place = cursor.map(Place::parse).transpose()?;
    let (page, next) = across.run(view, &held.rules, place.as_ref())?;
    let first = across.queries.first();
    Ok(Found {
        used: across.used(),
        ignored: first.map(|query| query.ignored.clone()).unwrap_or_default(),
        cut: first.map(subset::Cut::of_query).unwrap_or_default(),
        previous: None,
        next: next.as_ref().map(Place::to_text),
        page,
    })
}

/// That a resource of that type belongs to the compartment.
fn within(
    setting: &Setting<'_>,
    kind: ResourceType,
    (of, id): (ResourceType, &Id),
) -> Result<Clause, Error> {
    let compartments = Compartments::standard();
    if !compartments.has(of) {
        return Err(Error::UnknownRoute);
    }
    let parameters = compartments.parameters(of, kind);
    if parameters.is_empty() && kind != of {
        let text = format!("Resources of type {kind} are in no compartment of type {of}.");
        return Err(Error::request("http", text));
    }
    Ok(Clause::within(setting.rules, kind, parameters, (of, id))?)
}

fn entries(held: &Held, found: Found, base: &str) -> Vec<Entry> {
    let told = |stored: Stored, mode: &'static str| {
        let full_url = Some(format!("{base}/{}/{}", stored.kind, stored.id));
        Entry { full_url, resource: stored.body, search_mode: Some(mode), ..Entry::default() }
    };
    let cut = |stored: Stored| {
        let body = stored.body.map(|body| found.cut.apply(&held.standard.model, body));
        told(Stored { body, ..stored }, "match")
    };
    let mut entries: Vec<Entry> = found.page.matches.into_iter().map(cut).collect();
    let inside = found.page.contained.into_iter().map(|part| {
        let Stored { kind, id, .. } = &part.container;
        let fragment = part.id.map(|own| format!("#{own}")).unwrap_or_default();
        let full_url = Some(format!("{base}/{kind}/{id}{fragment}"));
        let resource = Some(found.cut.apply(&held.standard.model, part.body));
        Entry { full_url, resource, search_mode: Some("match"), ..Entry::default() }
    });
    entries.extend(inside);
    entries.extend(found.page.included.into_iter().map(|stored| told(stored, "include")));
    if !found.ignored.is_empty() {
        let outcome = operation_outcome(&found.ignored).to_string().into_bytes();
        let search_mode = Some("outcome");
        entries.push(Entry { resource: Some(outcome), search_mode, ..Entry::default() });
    }
    entries
}

/// What reading a query needs.
pub(super) fn setting(held: &Held, now: Instant, strict: bool) -> Setting<'_> {
    Setting { rules: &held.rules, now, strict, limits: Limits::default() }
}
