//! Criteria that select the resource of a conditional interaction.
//!
//! Read strictly: a parameter that is unknown, empty or about the answer's form is refused, as
//! ignoring it would select others. What was found holds until the commit, for the commit expects
//! that nothing newer meets the criteria.
//! Source: <http://hl7.org/fhir/R4/http.html#ccreate>.

use crate::app::Held;
use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use crate::interaction::query;
use crate::interaction::search::setting;
use crate::search::{self, Query, Total};
use crate::store::{Expect, View};

/// What criteria select.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Selected {
    /// The ids, as many as were asked for at most.
    pub(super) ids: Vec<Id>,
    /// What makes that hold until the commit.
    pub(super) expects: Vec<Expect>,
}

impl Selected {
    /// The one resource that was selected, if any.
    ///
    /// # Errors
    /// [`Error::MultipleMatches`] when there are several.
    pub(super) fn one(&self) -> Result<Option<&Id>, Error> {
        match self.ids.as_slice() {
            [] => Ok(None),
            [id] => Ok(Some(id)),
            _ => Err(Error::MultipleMatches),
        }
    }
}

/// The resources of that type that the criteria select: what follows the `?` in a URL.
///
/// # Errors
/// [`Error::Request`] for empty criteria, [`Error::Search`], or a failure of the store.
pub(super) fn select(
    held: &Held,
    view: &dyn View,
    kind: ResourceType,
    criteria: &str,
    now: Instant,
) -> Result<Selected, Error> {
    // Two are enough to know that there are several.
    select_up_to(held, view, kind, (criteria, 2), now)
}

/// The same, up to so many of them.
///
/// # Errors
/// As [`select`].
pub(super) fn select_up_to(
    held: &Held,
    view: &dyn View,
    kind: ResourceType,
    (criteria, most): (&str, usize),
    now: Instant,
) -> Result<Selected, Error> {
    let pairs = query::pairs(criteria);
    let refuse = |text| Err(Error::request("http.criteria", text));
    if pairs.iter().any(|(_, value)| value.trim().is_empty()) {
        return refuse("A criterion without a value selects nothing.");
    }
    let mut query = Query::parse(&setting(held, now, true), kind, &pairs)?;
    if query.clauses.len() != pairs.len() {
        return refuse("The criteria are search parameters with values, one at least.");
    }
    if query.clauses.is_empty() {
        return refuse("The criteria select by one search parameter at least.");
    }
    query.count = most;
    query.total = Total::None;
    let page = search::run(view, &held.rules, &query, None)?;
    let ids = page.matches.into_iter().map(|stored| stored.id).collect();
    let expects = search::watched(&query)
        .into_iter()
        .map(|range| Expect::NoneNewer(range, view.seq()))
        .collect();
    Ok(Selected { ids, expects })
}
