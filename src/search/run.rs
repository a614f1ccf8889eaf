//! A query answered: one page of matches.
//!
//! One view, one page. Candidates come from the clause with the fewest rows, the other clauses are
//! asked of the candidates' own rows, and only what goes on the page is loaded. Pages go on from a
//! place in the order, so that whatever is written meanwhile, a match that matched throughout is
//! told once: by id without more; in other orders because those that have changed since the first
//! page keep the place that they had then.
//! Source: <http://hl7.org/fhir/R4/search.html>, <http://hl7.org/fhir/R4/http.html#paging>.

use std::ops::Range;

use crate::fhir::{Id, ResourceType};
use crate::index::Rules;
use crate::repository::{self, Stored, key};
use crate::search::candidates::{Course, Ids, Source, count_up_to, filter};
use crate::search::check::{self, Check};
use crate::search::clause::{Clause, flatten};
use crate::search::contained::Inside;
use crate::search::cursor::{Cursor, Tie};
use crate::search::include::include;
use crate::search::join::Join;
use crate::search::meter::Meter;
use crate::search::plan::{self, Choice};
use crate::search::query::{Query, Total};
use crate::search::read::Rows;
use crate::search::{Error, joint, sort, timeline};
use crate::store::{Seq, View};

/// One page.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Page {
    /// The matches in their order.
    pub matches: Vec<Stored>,
    /// Those that stand in others.
    pub contained: Vec<Inside>,
    /// For a query that is merged with others: the place of each match.
    pub(super) places: Vec<sort::Place>,
    /// What was asked to be told along with them.
    pub included: Vec<Stored>,
    /// How many match in all, where that was asked for or is cheap.
    pub total: Option<u64>,
    /// Where the next page begins, if there is one.
    pub next: Option<Cursor>,
    /// Where the page before ends, if there is one.
    pub previous: Option<Cursor>,
    /// What was touched to answer: look-ups, ranges begun, rows.
    pub touched: u64,
}

/// To how many resources a link of a chain may come down for it to be answered first, before the
/// rest of the query. Beyond that it is asked of each candidate: where many match, a page is soon
/// full. Only if it is not, the link is answered first after all, up to [`Limits::joined`].
///
/// [`Limits::joined`]: crate::search::query::Limits::joined
pub(super) const FEW_JOINED: usize = 500;

/// What may be touched before links are answered first after all.
const SOON_TOUCHED: u64 = 60_000;

/// Answers a query; without a cursor with the first page.
///
/// # Errors
/// [`Error::TooCostly`], [`Error::BadCursor`] for the cursor of another query, [`Error::Expired`],
/// [`Error::Repository`].
pub fn run(
    view: &dyn View,
    rules: &Rules,
    query: &Query,
    cursor: Option<&Cursor>,
) -> Result<Page, Error> {
    let limits = query.limits;
    let mut spent = 0;
    if query.clauses.iter().any(is_linked) {
        let meter = Meter::new(view, SOON_TOUCHED.min(limits.rows));
        let answer = answer(&meter, rules, query, cursor, FEW_JOINED);
        if !meter.is_spent() {
            return answer.map(|page| Page { touched: meter.touched(), ..page });
        }
        spent = meter.touched();
    }
    let meter = Meter::new(view, limits.rows.saturating_sub(spent));
    let answer = answer(&meter, rules, query, cursor, limits.joined);
    let page = meter.settle(answer)?;
    Ok(Page { touched: spent.saturating_add(meter.touched()), ..page })
}

fn is_linked(clause: &Clause) -> bool {
    match clause {
        Clause::Chain { .. } | Clause::Has { .. } => true,
        Clause::Either(clauses) | Clause::Every(clauses) => clauses.iter().any(is_linked),
        _ => false,
    }
}

fn answer(
    view: &dyn View,
    rules: &Rules,
    query: &Query,
    cursor: Option<&Cursor>,
    few: usize,
) -> Result<Page, Error> {
    let join = Join { view, rules, limits: query.limits, few };
    let clauses = query.clauses.iter().map(|clause| join.clause(query.kind, clause));
    let clauses = joint::joined(rules, query.kind, clauses.collect::<Result<Vec<_>, _>>()?);
    let search = Search::of(view, rules, query, flatten(&clauses))?;
    let mut page = Page::default();
    if query.count == 0 {
        page.total = search.total(query)?;
        return Ok(page);
    }
    let by_id = match query.sort.as_slice() {
        _ if query.merged => None,
        [] => Some(false),
        [key] if key.sources.is_empty() => Some(key.descending),
        _ => None,
    };
    let ((found, cursors), total) = match by_id {
        Some(descending) => search.by_id(query, cursor, descending)?,
        None => search.sorted(rules, query, cursor)?,
    };
    page.total = match total {
        Some(all) if query.total != Total::None => Some(all as u64),
        _ => search.total(query)?,
    };
    for (place, id) in found {
        let damaged = repository::Error::Damaged(key::CURRENT);
        page.matches.push(repository::current(view, query.kind, &id)?.ok_or(damaged)?);
        page.places.extend(query.merged.then_some(place));
    }
    page.included = include(view, rules, query, &page.matches)?;
    (page.previous, page.next) = cursors;
    Ok(page)
}

/// The ranges of rows in one of which a write must fall that makes a resource match which did not:
/// what a conditional create expects no newcomer in.
pub fn watched(query: &Query) -> Vec<Range<Vec<u8>>> {
    let mut ranges = Vec::new();
    query.clauses.iter().for_each(|clause| watch(query.kind, clause, &mut ranges));
    if ranges.is_empty() { vec![key::current_range(query.kind)] } else { ranges }
}

/// Adds the ranges for resources of that type to meet the clause anew.
fn watch(kind: ResourceType, clause: &Clause, ranges: &mut Vec<Range<Vec<u8>>>) {
    let row = |kind, id: &Id| {
        let row = key::current(kind, id);
        let end = [row.as_slice(), &[0]].concat();
        row..end
    };
    let links = |kind, sources: &[String]| -> Vec<Range<Vec<u8>>> {
        sources.iter().map(|source| key::index_range(kind, source, &[], &[])).collect()
    };
    match clause {
        Clause::Index { any, negated: false, .. } => {
            ranges.extend(any.iter().flat_map(|condition| condition.ranges(kind)));
        }
        Clause::Ids { ids, negated: false } => ranges.extend(ids.iter().map(|id| row(kind, id))),
        Clause::Chain { sources, targets, .. } => {
            ranges.extend(links(kind, sources));
            targets.iter().for_each(|(target, inner)| watch(*target, inner, ranges));
        }
        Clause::Has { kind: other, sources, inner, .. } => {
            ranges.extend(links(*other, sources));
            watch(*other, inner, ranges);
        }
        Clause::Either(clauses) | Clause::Every(clauses) => {
            clauses.iter().for_each(|clause| watch(kind, clause, ranges));
        }
        // Rows that are gone can make these true as well, so that any write counts.
        Clause::Index { negated: true, .. } | Clause::Ids { negated: true, .. } => {
            ranges.push(key::current_range(kind));
        }
        Clause::ValueSet { id, .. } => {
            ranges.push(key::current_range(kind));
            ranges.extend(ResourceType::parse("ValueSet").map(|other| row(other, id)));
        }
        Clause::Hierarchy { starts, .. } => {
            ranges.push(key::current_range(kind));
            ranges.extend(starts.iter().map(|(other, _)| key::current_range(*other)));
        }
        Clause::Listed { lists, .. } => {
            ranges.push(key::current_range(kind));
            let list = ResourceType::parse("List");
            ranges.extend(list.iter().flat_map(|list| lists.iter().map(|id| row(*list, id))));
        }
        Clause::Phrase { .. } => ranges.push(key::current_range(kind)),
    }
}

/// The resources that are looked at before their rows are gathered.
const SOON: usize = 20_000;

/// The resources after which it is judged whether that will take long.
const SAMPLE: usize = 64;

/// So few candidates that their own rows are read rather than looked up.
const FEW: usize = 64;

/// The matches of a page with the cursors of the pages before and after.
type Ends = (Vec<(sort::Place, Id)>, (Option<Cursor>, Option<Cursor>));

/// The same, with the number of all matches where they were all looked at.
type Counted = (Ends, Option<usize>);

/// A query's clauses, with one chosen to give the candidates.
struct Search<'a> {
    view: &'a dyn View,
    kind: ResourceType,
    source: Source<'a>,
    /// What the candidates are asked.
    others: Vec<Check<'a>>,
    /// All clauses.
    all: Vec<&'a Clause>,
    /// Whether the candidates are too many to count beforehand.
    large: bool,
    /// Whether looking at them all for their number is too much to do unasked.
    costly: bool,
    /// How many are counted beforehand.
    counted: usize,
}

impl<'a> Search<'a> {
    fn of(
        view: &'a dyn View,
        rules: &Rules,
        query: &Query,
        clauses: Vec<&'a Clause>,
    ) -> Result<Self, Error> {
        let kind = query.kind;
        let choice = Choice::of(view, kind, plan::limits(query, &clauses), clauses)?;
        let counts = query.count == 0 || query.total == Total::Accurate;
        let source = match (choice.found, choice.source) {
            (Some(found), _) => Some(Source::Found(found)),
            // Read along the index of time, unless all are counted, there are no candidates.
            (None, _) if choice.large && !counts && timeline::serves(&query.sort) => None,
            (None, Some(clause)) => Source::of(view, kind, clause)?,
            (None, None) => None,
        };
        let source = source.unwrap_or(Source::All);
        let all: Vec<&Clause> = choice.order.iter().map(|(clause, _)| *clause).collect();
        let is_source =
            |clause: &Clause| choice.source.is_some_and(|source| std::ptr::eq(source, clause));
        let others: Vec<&Clause> = all.iter().copied().filter(|one| !is_source(one)).collect();
        let rows = choice.order.first().and_then(|(_, rows)| *rows);
        // So few that finding out the keys of other clauses is not worth it.
        let few = rows.is_some_and(|rows| !rows.more && rows.counted <= FEW);
        let check = |clause: &'a Clause| match clause {
            Clause::Index { .. } if few => Ok(Check::Rows(clause)),
            clause => Check::of(view, rules, kind, clause),
        };
        let linked = others.iter().any(|clause| is_linked(clause));
        let others = others.into_iter().map(check).collect::<Result<_, _>>()?;
        let (large, counted) = (choice.large, query.limits.counted);
        let costly = large || linked && !few;
        Ok(Self { view, kind, source, others, all, large, costly, counted })
    }

    fn matches<'s>(&'s self, course: Course<'s>) -> Result<Ids<'s>, Error> {
        let ids = self.source.ids(self.view, self.kind, course)?;
        Ok(filter(self.view, self.kind, ids, &self.others))
    }

    fn total(&self, query: &Query) -> Result<Option<u64>, Error> {
        match query.total {
            _ if query.count == 0 => {}
            Total::None => return Ok(None),
            Total::IfCheap if self.costly => return Ok(None),
            Total::IfCheap | Total::Accurate => {}
        }
        let mut total = 0;
        for id in self.matches(Course::ALL)? {
            id?;
            total += 1;
        }
        Ok(Some(total))
    }

    fn by_id(
        &self,
        query: &Query,
        cursor: Option<&Cursor>,
        descending: bool,
    ) -> Result<Counted, Error> {
        let backward = cursor.is_some_and(|cursor| cursor.backward);
        let past = cursor.map(|cursor| &cursor.id);
        let course = Course { past, descending: descending != backward };
        let end = |found: Vec<Id>| {
            let found = found.into_iter().map(|id| (sort::Place::new(), id)).collect();
            cut(found, query.count, cursor, self.view.seq())
        };
        if !self.costly && query.total != Total::None {
            let mut all = self.matches(Course::ALL)?.collect::<Result<Vec<_>, _>>()?;
            let total = all.len();
            if course.descending {
                all.reverse();
            }
            all.retain(|id| course.wants(id));
            return Ok((end(all), Some(total)));
        }
        if let Some(found) = self.by_id_soon(query.count, course)? {
            return Ok((end(found), None));
        }
        let found = self.matches(course)?.take(query.count.saturating_add(1));
        Ok((end(found.collect::<Result<_, _>>()?), None))
    }

    /// A page of a search whose narrowest clause has many rows that are not in the order of ids:
    /// most resources may match, and then the page is full after a few, none of which had to be
    /// gathered. None when it is not.
    fn by_id_soon(&self, count: usize, course: Course<'_>) -> Result<Option<Vec<Id>>, Error> {
        let gathered = self.large && matches!(self.source, Source::Ranges(_));
        let Some(source) = self.all.first().filter(|_| gathered) else { return Ok(None) };
        // What has ranges has too many keys for its rows to be looked up one by one.
        let source = Check::Rows(source);
        let mut found = Vec::new();
        for (looked_at, id) in Source::All.ids(self.view, self.kind, course)?.enumerate() {
            if looked_at == SOON || looked_at == SAMPLE && self.is_rare(found.len(), count)? {
                return Ok(None);
            }
            let id = id?;
            let checks = std::iter::once(&source).chain(&self.others);
            if check::hold(self.view, self.kind, &id, checks)? {
                found.push(id);
            }
            if found.len() > count {
                break;
            }
        }
        Ok(Some(found))
    }

    /// Whether, by what a sample has found, filling a page would take more than gathering does.
    fn is_rare(&self, found: usize, count: usize) -> Result<bool, Error> {
        let Some(source) = self.all.first() else { return Ok(false) };
        let expected = count.saturating_mul(SAMPLE).checked_div(found).unwrap_or(usize::MAX);
        let rows = self.counted.saturating_mul(4);
        Ok(expected > rows && count_up_to(self.view, self.kind, source, rows)? < rows)
    }

    /// A page along the index of `_lastUpdated`.
    fn by_time(
        &self,
        query: &Query,
        cursor: Option<&Cursor>,
        seen: Seq,
        moved: &sort::Moved,
    ) -> Result<Ends, Error> {
        let mut found = Vec::new();
        let within = timeline::range(self.kind, &self.all, &query.sort, cursor);
        let is_met = self.all.iter().all(|clause| timeline::is_met(clause));
        for row in timeline::places(self.view, within, &query.sort, cursor, moved) {
            let (place, id) = row?;
            // A row of the index tells of a resource as it is now, and that it is there.
            let matches = if is_met && !moved.contains_key(&id) {
                true
            } else {
                let rows = Rows::read(self.view, self.kind, &id)?;
                rows.is_there() && rows.hold(&self.all)?
            };
            if matches {
                found.push((place, id));
            }
            if found.len() > query.count {
                break;
            }
        }
        Ok(cut(found, query.count, cursor, seen))
    }

    fn sorted(
        &self,
        rules: &Rules,
        query: &Query,
        cursor: Option<&Cursor>,
    ) -> Result<Counted, Error> {
        let keys = query.sort.as_slice();
        if cursor.is_some_and(|cursor| cursor.place.len() != keys.len()) {
            return Err(Error::BadCursor);
        }
        let seen = cursor.map_or(self.view.seq(), |cursor| cursor.seen);
        let moved = sort::places_at(self.view, rules, self.kind, keys, seen)?;
        if self.large && timeline::serves(keys) {
            if cursor.is_some_and(|cursor| !timeline::fits(cursor)) {
                return Err(Error::BadCursor);
            }
            let page = self.by_time(query, cursor, seen, &moved)?;
            // The only page tells how many there are.
            let (found, (_, next)) = &page;
            let total = (cursor.is_none() && next.is_none()).then_some(found.len());
            return Ok((page, total));
        }
        let sources: Vec<String> = keys.iter().flat_map(|key| key.sources.clone()).collect();
        let mut found = Vec::new();
        for id in self.source.ids(self.view, self.kind, Course::ALL)? {
            let id = id?;
            let Some(rows) = check::rows(self.view, self.kind, &id, &self.others)? else {
                continue;
            };
            if found.len() == query.limits.sorted {
                let message = format!("more than {} matches would be sorted", query.limits.sorted);
                return Err(Error::costly(Some("_sort"), &message));
            }
            let own = moved.get(&id).cloned().flatten();
            let place = if let Some(place) = own {
                place
            } else {
                sort::place(keys, &id, &rows.entries(&sources)?)
            };
            drop(rows);
            found.push((place, id));
        }
        found.sort_by(|a, b| sort::compare(keys, (&a.0, &a.1), (&b.0, &b.1)));
        let (from, to) = match cursor {
            None => (0, query.count),
            Some(cursor) => {
                let before =
                    |item: &(sort::Place, Id)| sort::to_cursor(keys, (&item.0, &item.1), cursor);
                if cursor.backward {
                    let end = found.partition_point(|item| before(item).is_lt());
                    (end.saturating_sub(query.count), end)
                } else {
                    let start = found.partition_point(|item| before(item).is_le());
                    (start, start.saturating_add(query.count))
                }
            }
        };
        let to = to.min(found.len());
        let page = found.get(from..to).unwrap_or_default();
        Ok((ends(page, (from > 0, to < found.len()), seen), Some(found.len())))
    }
}

/// A page from what was found past the cursor, one more than the page holds where there is more.
fn cut(
    mut found: Vec<(sort::Place, Id)>,
    count: usize,
    cursor: Option<&Cursor>,
    seen: Seq,
) -> Ends {
    let backward = cursor.is_some_and(|cursor| cursor.backward);
    let more = found.len() > count;
    found.truncate(count);
    if backward {
        found.reverse();
    }
    // The page that the cursor came from is there in any case.
    let (before, after) = if backward { (more, true) } else { (cursor.is_some(), more) };
    ends(&found, (before, after), seen)
}

/// The ids of a page, with cursors to the pages before and after where there are such.
fn ends(page: &[(sort::Place, Id)], (before, after): (bool, bool), seen: Seq) -> Ends {
    let end = |item: Option<&(sort::Place, Id)>, backward| {
        item.map(|(place, id)| {
            let (place, id) = (place.clone(), id.clone());
            Cursor { place, id, backward, seen, tie: Tie::At }
        })
    };
    let previous = end(page.first().filter(|_| before), true);
    let next = end(page.last().filter(|_| after), false);
    (page.to_vec(), (previous, next))
}
