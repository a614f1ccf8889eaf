//! Searches over several types: `GET [base]?_type=A,B&…`.
//!
//! Only parameters that all the types share may be used. Matches come type by type in the order of
//! the types' names, then by id; in an order that is asked for they come as one list, of equal ones
//! in the order of the types' names.
//! Source: <http://hl7.org/fhir/R4/http.html#vsearch>, <http://hl7.org/fhir/R4/search.html#type>.

use std::cmp::Ordering;
use std::collections::BTreeSet;

use crate::fhir::ResourceType;
use crate::index::Rules;
use crate::search::Error;
use crate::search::cursor::{Cursor, Tie};
use crate::search::include::include;
use crate::search::meter::Meter;
use crate::search::query::{Contained, Query, Setting};
use crate::search::run::{Page, run};
use crate::search::sort::compare_places;
use crate::store::View;

/// The same question to each of several types.
#[derive(Clone, Debug)]
pub struct Across {
    /// One query for each type, in the order of their names.
    pub queries: Vec<Query>,
    /// Whether the types were named.
    typed: bool,
}

/// Where a page ends.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Place {
    /// The type at which the next page begins.
    pub kind: ResourceType,
    /// The place within the type; none: at its first match.
    pub cursor: Option<Cursor>,
}

impl Place {
    /// The text for a link.
    pub fn to_text(&self) -> String {
        let cursor = self.cursor.as_ref().map(Cursor::to_text).unwrap_or_default();
        format!("{}.{cursor}", self.kind)
    }

    /// Reads a link's text.
    ///
    /// # Errors
    /// [`Error::BadCursor`] for a text that [`Place::to_text`] does not make.
    pub fn parse(text: &str) -> Result<Self, Error> {
        let (kind, cursor) = text.split_once('.').ok_or(Error::BadCursor)?;
        let kind = ResourceType::parse(kind).ok_or(Error::BadCursor)?;
        let cursor = (!cursor.is_empty()).then(|| Cursor::parse(cursor)).transpose()?;
        Ok(Self { kind, cursor })
    }
}

impl Across {
    /// Reads the decoded names and values of a search; without `_type` it is for all types that are
    /// allowed.
    ///
    /// # Errors
    /// As [`Query::parse`]; [`Error::BadValue`] also for a parameter that only some of the types
    /// have, and for types that are not allowed.
    pub fn parse(
        setting: &Setting<'_>,
        pairs: &[(String, String)],
        allowed: &dyn Fn(ResourceType) -> bool,
    ) -> Result<Self, Error> {
        let (types, rest): (Vec<_>, Vec<_>) = pairs.iter().partition(|(name, _)| name == "_type");
        let mut kinds = Vec::new();
        for name in types.iter().flat_map(|(_, value)| value.split(',')).filter(|n| !n.is_empty()) {
            let kind = ResourceType::parse(name);
            kinds.push(kind.ok_or_else(|| Error::bad("_type", "it names types of R4"))?);
        }
        if types.is_empty() {
            kinds.extend(ResourceType::all().filter(|kind| allowed(*kind)));
        }
        if let Some(kind) = kinds.iter().find(|kind| !allowed(**kind)) {
            let message = format!("resources of type {kind} do not come into question here");
            return Err(Error::bad("_type", &message));
        }
        kinds.sort_unstable();
        kinds.dedup();
        let rest: Vec<(String, String)> = rest.into_iter().cloned().collect();
        let lenient = Setting { strict: false, ..*setting };
        let queries = kinds.iter().map(|kind| Query::parse(&lenient, *kind, &rest));
        let queries = queries.collect::<Result<Vec<_>, _>>()?;
        for (name, _) in &rest {
            let place = format!("http.{name}");
            let ignored = |query: &&Query| {
                query.ignored.iter().any(|issue| issue.expression.as_ref() == Some(&place))
            };
            let count = queries.iter().filter(ignored).count();
            if count > 0 && count < queries.len() {
                return Err(Error::bad(name, "not all of the types have this parameter"));
            }
            if count > 0 && setting.strict {
                return Err(Error::UnknownParameter { name: name.clone() });
            }
        }
        if queries.iter().any(|query| query.contained != Contained::False) {
            return Err(Error::unsupported("_contained", "it is for a search over one type"));
        }
        let order = |query: &Query| -> Vec<_> {
            query.sort.iter().map(|key| (key.name.clone(), key.kind)).collect()
        };
        if queries.windows(2).any(|pair| matches!(pair, [a, b] if order(a) != order(b))) {
            return Err(Error::bad("_sort", "it is not the same for all of the types"));
        }
        Ok(Self { queries, typed: !types.is_empty() })
    }

    /// The parameters as they were used, for the self link.
    pub fn used(&self) -> Vec<(String, String)> {
        let kinds: Vec<_> = self.queries.iter().map(|query| query.kind.as_str()).collect();
        let used = self.queries.first().map(|query| query.used.clone()).unwrap_or_default();
        let types = self.typed.then(|| ("_type".to_owned(), kinds.join(",")));
        types.into_iter().chain(used).collect()
    }

    /// Answers with a page and the place of the next, if there is one.
    ///
    /// # Errors
    /// As [`run`].
    pub fn run(
        &self,
        view: &dyn View,
        rules: &Rules,
        from: Option<&Place>,
    ) -> Result<(Page, Option<Place>), Error> {
        if self.queries.iter().any(|query| !query.sort.is_empty()) {
            return self.run_sorted(view, rules, from);
        }
        let mut page = Page { total: Some(0), ..Page::default() };
        let mut next = None;
        for query in &self.queries {
            // What may be touched is for all types together.
            let mut limits = query.limits;
            limits.rows = limits.rows.saturating_sub(page.touched);
            let query = &Query { limits, ..query.clone() };
            let begun = from.is_none_or(|from| query.kind >= from.kind);
            let here = from.filter(|from| from.kind == query.kind);
            let left = query.count - page.matches.len().min(query.count);
            if !begun || (left == 0 && query.count > 0) {
                // The page is full, or past this type: only the total is of interest, and whether
                // there is anything left for another page.
                let peek = Query { count: 1, includes: Vec::new(), ..query.clone() };
                let found = run(view, rules, &peek, None)?;
                page.touched = page.touched.saturating_add(found.touched);
                add_total(&mut page, found.total);
                if begun && next.is_none() && !found.matches.is_empty() {
                    next = Some(Place { kind: query.kind, cursor: None });
                }
                continue;
            }
            let asked = Query { count: left, ..query.clone() };
            let cursor = here.and_then(|here| here.cursor.as_ref());
            let found = run(view, rules, &asked, cursor)?;
            page.touched = page.touched.saturating_add(found.touched);
            add_total(&mut page, found.total);
            page.matches.extend(found.matches);
            page.included.extend(found.included);
            next = found.next.map(|cursor| Place { kind: query.kind, cursor: Some(cursor) });
        }
        let mut told: BTreeSet<_> =
            page.matches.iter().map(|found| (found.kind, found.id.clone())).collect();
        page.included.retain(|found| told.insert((found.kind, found.id.clone())));
        Ok((page, next))
    }
}

impl Across {
    /// A page of the matches of all types in one order. Each type gives a page of its own past the
    /// place; of all those the first are told.
    fn run_sorted(
        &self,
        view: &dyn View,
        rules: &Rules,
        from: Option<&Place>,
    ) -> Result<(Page, Option<Place>), Error> {
        let Some(first) = self.queries.first() else { return Ok((Page::default(), None)) };
        let start = from.map(|from| from.cursor.as_ref().ok_or(Error::BadCursor)).transpose()?;
        let mut page = Page { total: Some(0), ..Page::default() };
        let (mut all, mut more) = (Vec::new(), false);
        for query in &self.queries {
            let mut limits = query.limits;
            limits.rows = limits.rows.saturating_sub(page.touched);
            let asked = Query { merged: true, includes: Vec::new(), limits, ..query.clone() };
            let cursor = from.zip(start).map(|(from, cursor)| {
                let tie = match query.kind.cmp(&from.kind) {
                    Ordering::Equal => Tie::At,
                    Ordering::Less => Tie::After,
                    Ordering::Greater => Tie::Before,
                };
                Cursor { tie, ..cursor.clone() }
            });
            let found = run(view, rules, &asked, cursor.as_ref())?;
            page.touched = page.touched.saturating_add(found.touched);
            add_total(&mut page, found.total);
            more = more || found.next.is_some();
            all.extend(found.places.into_iter().zip(found.matches));
        }
        // Stable: each type's own order stays.
        all.sort_by(|(a, one), (b, other)| {
            compare_places(&first.sort, a, b).then(one.kind.cmp(&other.kind))
        });
        more = more || all.len() > first.count;
        all.truncate(first.count);
        let next = all.last().filter(|_| more).map(|(place, last)| {
            let seen = start.map_or(view.seq(), |cursor| cursor.seen);
            let (place, id) = (place.clone(), last.id.clone());
            let cursor = Cursor { place, id, backward: false, seen, tie: Tie::At };
            Place { kind: last.kind, cursor: Some(cursor) }
        });
        page.matches = all.into_iter().map(|(_, found)| found).collect();
        let meter = Meter::new(view, first.limits.rows.saturating_sub(page.touched));
        page.included = meter.settle(include(&meter, rules, first, &page.matches))?;
        page.touched = page.touched.saturating_add(meter.touched());
        Ok((page, next))
    }
}

/// The total is that of all types, as far as each is known.
fn add_total(page: &mut Page, total: Option<u64>) {
    page.total = page.total.zip(total).map(|(sum, total)| sum + total);
}
