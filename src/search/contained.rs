//! Searches among contained resources: `_contained` and `_containedType`.
//!
//! A contained resource has no rows of its own. The index tells which resources contain one of the
//! type; those are read, and their parts are asked as if they stood alone. Nothing can point to a
//! part from outside, so that searches by what points here are refused, and so are orders and
//! includes. With `both`, the others come first; then the containers by type and id.
//! Source: <http://hl7.org/fhir/R4/search.html#contained>.

use serde_json::Value;

use crate::fhir::{Id, Resource, ResourceType};
use crate::index::{self, CONTAINED, Rules};
use crate::repository::{self, Stored, key};
use crate::search::Error;
use crate::search::clause::{Clause, flatten};
use crate::search::cursor::Cursor;
use crate::search::join::Join;
use crate::search::meter::Meter;
use crate::search::query::{Contained, Query, Total};
use crate::search::read::Rows;
use crate::search::run::{Page, run};
use crate::store::View;

/// One match that stands in another resource.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Inside {
    /// The resource that contains it.
    pub container: Stored,
    /// Its id there; none where the container is to be told.
    pub id: Option<String>,
    /// What is told, as compact JSON.
    pub body: Vec<u8>,
}

/// Where a page ends.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Place {
    /// Among those that stand alone.
    Alone(Cursor),
    /// Among the contained: behind the part of that number of that resource; none: before all.
    Inside(Option<(ResourceType, Id, usize)>),
}

const INSIDE: char = 'c';

impl Place {
    /// The text for a link.
    pub fn to_text(&self) -> String {
        match self {
            Self::Alone(cursor) => cursor.to_text(),
            Self::Inside(None) => INSIDE.to_string(),
            Self::Inside(Some((kind, id, number))) => format!("{INSIDE}{kind}/{id}/{number}"),
        }
    }

    /// Reads a link's text.
    ///
    /// # Errors
    /// [`Error::BadCursor`] for a text that [`Place::to_text`] does not make.
    pub fn parse(text: &str) -> Result<Self, Error> {
        let Some(rest) = text.strip_prefix(INSIDE) else {
            return Cursor::parse(text).map(Self::Alone);
        };
        if rest.is_empty() {
            return Ok(Self::Inside(None));
        }
        let read = || {
            let (kind, rest) = rest.split_once('/')?;
            let (id, number) = rest.split_once('/')?;
            Some((ResourceType::parse(kind)?, Id::parse(id)?, number.parse().ok()?))
        };
        read().map(|place| Self::Inside(Some(place))).ok_or(Error::BadCursor)
    }
}

/// What cannot be asked of contained resources.
///
/// # Errors
/// [`Error::NotSupported`] that names it.
pub(super) fn check(rules: &Rules, query: &Query) -> Result<(), Error> {
    if query.contained == Contained::False {
        return Ok(());
    }
    if rules.pending().values().any(|codes| codes.contains(CONTAINED)) {
        let message = "what is stored is still being indexed for it; try again later";
        return Err(Error::unsupported("_contained", message));
    }
    if !query.sort.is_empty() {
        return Err(Error::unsupported("_sort", "contained resources come by their containers"));
    }
    if !query.includes.is_empty() {
        return Err(Error::unsupported("_include", "it does not go with contained resources"));
    }
    for clause in flatten(&query.clauses) {
        if let Clause::Has { label, .. } | Clause::Listed { label, .. } = clause {
            return Err(Error::unsupported(label, "nothing points to a contained resource"));
        }
    }
    Ok(())
}

/// Answers a query for which contained resources come into question.
///
/// # Errors
/// As [`run`].
pub fn run_contained(
    view: &dyn View,
    rules: &Rules,
    query: &Query,
    from: Option<&Place>,
) -> Result<(Page, Option<Place>), Error> {
    let mut page = Page { total: Some(0), ..Page::default() };
    let mut next = None;
    if query.contained == Contained::Both {
        let inside = matches!(from, Some(Place::Inside(_)));
        let cursor = match from {
            Some(Place::Alone(cursor)) => Some(cursor),
            _ => None,
        };
        // Past them, only their number may still be wanted.
        if !inside || counts(query) {
            let count = if inside { query.count.min(1) } else { query.count };
            let alone = Query { contained: Contained::False, count, ..query.clone() };
            page = run(view, rules, &alone, cursor)?;
        }
        if inside {
            page = Page { total: page.total, touched: page.touched, ..Page::default() };
        }
        next = page.next.take().map(Place::Alone);
    } else if matches!(from, Some(Place::Alone(_))) {
        return Err(Error::BadCursor);
    }
    let meter = Meter::new(view, query.limits.rows.saturating_sub(page.touched));
    let walk = Walk { view: &meter, rules, query };
    let outcome = walk.fill(&mut page, &mut next, from);
    meter.settle(outcome)?;
    page.touched = page.touched.saturating_add(meter.touched());
    Ok((page, next))
}

/// Whether the number of all matches is wanted.
fn counts(query: &Query) -> bool {
    query.total != Total::None || query.count == 0
}

/// The walk through all containers.
struct Walk<'a> {
    view: &'a dyn View,
    rules: &'a Rules,
    query: &'a Query,
}

impl Walk<'_> {
    /// Fills the page, and counts if that is wanted.
    fn fill(
        &self,
        page: &mut Page,
        next: &mut Option<Place>,
        from: Option<&Place>,
    ) -> Result<(), Error> {
        let Query { kind, limits, count, .. } = *self.query;
        let (view, rules) = (self.view, self.rules);
        let join = Join { view, rules, limits, few: limits.joined };
        let clauses = self.query.clauses.iter().map(|clause| join.clause(kind, clause));
        let clauses = clauses.collect::<Result<Vec<_>, _>>()?;
        let clauses = flatten(&clauses);
        let past = match from {
            Some(Place::Inside(past)) => past.clone(),
            _ => None,
        };
        let counts = counts(self.query);
        let mut last = Place::Inside(None);
        let mut told = 0;
        for container in ResourceType::all() {
            let range = key::index_range(container, CONTAINED, &[kind.as_str().as_bytes()], &[]);
            for row in view.scan(range) {
                let damaged = || repository::Error::Damaged(key::INDEX);
                let (_, id) = key::index_parts(&row?.key).ok_or_else(damaged)?;
                for (number, found) in self.parts(container, &id, &clauses)? {
                    told += 1;
                    let place = (container, id.clone(), number);
                    if past.as_ref().is_some_and(|past| place <= *past) {
                        continue;
                    }
                    if next.is_none() && page.matches.len() + page.contained.len() < count {
                        page.contained.push(found);
                        last = Place::Inside(Some(place));
                    } else if next.is_none() && count > 0 {
                        *next = Some(last.clone());
                    }
                    if next.is_some() && !counts {
                        return Ok(());
                    }
                }
            }
        }
        page.total = page.total.filter(|_| counts).map(|total| total + told);
        Ok(())
    }

    /// The matches in one resource, each with its number there; of a container that is to be told
    /// itself, the first.
    fn parts(
        &self,
        container: ResourceType,
        id: &Id,
        clauses: &[&Clause],
    ) -> Result<Vec<(usize, Inside)>, Error> {
        let Some(stored) = repository::current(self.view, container, id)? else {
            return Ok(Vec::new());
        };
        let whole = self.query.containers;
        let alone = self.query.contained == Contained::Both && container == self.query.kind;
        if whole && alone && Rows::read(self.view, container, id)?.hold(clauses)? {
            // It has been told already.
            return Ok(Vec::new());
        }
        let damaged = || repository::Error::Damaged(key::VERSION);
        let content = stored.content()?.ok_or_else(damaged)?;
        let mut found = Vec::new();
        let parts = content.value().get("contained").and_then(Value::as_array);
        for (number, part) in parts.into_iter().flatten().enumerate() {
            if part.get("resourceType").and_then(Value::as_str) != Some(self.query.kind.as_str()) {
                continue;
            }
            let resource = Resource::from_value(part.clone()).map_err(|_| damaged())?;
            let Some(own) = resource.id_text().and_then(Id::parse) else { continue };
            let entries = index::entries(self.rules, &resource);
            let named = (self.query.kind, &own);
            if !Rows::of_value(self.view, named, part, entries).hold(clauses)? {
                continue;
            }
            let told = match whole {
                true => (None, stored.body.clone().unwrap_or_default()),
                false => (Some(own.to_string()), resource.to_bytes()),
            };
            found.push((number, Inside { container: stored.clone(), id: told.0, body: told.1 }));
            if whole {
                break;
            }
        }
        Ok(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::search::cursor::Tie;

    #[test]
    fn places_as_text() {
        let (kind, id) = (ResourceType::parse("Basic").unwrap(), Id::parse("a.1").unwrap());
        let cursor =
            Cursor { place: Vec::new(), id: id.clone(), backward: false, seen: 3, tie: Tie::At };
        for place in [Place::Alone(cursor), Place::Inside(None), Place::Inside(Some((kind, id, 4)))]
        {
            assert_eq!(Place::parse(&place.to_text()).unwrap(), place);
        }
        for odd in ["", "x", "cBasic", "cBasic/a", "cNobody/a/1", "cBasic/a/x", "cBasic/a_/1"] {
            assert!(Place::parse(odd).is_err(), "{odd}");
        }
    }
}
