//! Criteria that select the one resource of a conditional interaction.
//!
//! Read strictly: a parameter that is unknown, empty or about the answer's form is refused, as
//! ignoring it would select others. What was found holds until the commit, for the commit expects
//! that nothing newer meets the criteria.
//! Source: <http://hl7.org/fhir/R4/http.html#ccreate>.

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use crate::interaction::query;
use crate::interaction::search::setting;
use crate::repository::key;
use crate::search::clause::Clause;
use crate::search::{self, Query, Total};
use crate::store::{Expect, View};

/// What criteria select.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Selected {
    /// The ids, two at most.
    ids: Vec<Id>,
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
    app: &App,
    view: &dyn View,
    kind: ResourceType,
    criteria: &str,
    now: Instant,
) -> Result<Selected, Error> {
    let pairs = query::pairs(criteria);
    let refuse = |text| Err(Error::request("http.criteria", text));
    if pairs.iter().any(|(_, value)| value.trim().is_empty()) {
        return refuse("A criterion without a value selects nothing.");
    }
    let mut query = Query::parse(&setting(app, now, true), kind, &pairs)?;
    if query.clauses.len() != pairs.len() {
        return refuse("The criteria are search parameters with values, one at least.");
    }
    if query.clauses.is_empty() {
        return refuse("The criteria select by one search parameter at least.");
    }
    query.count = 2;
    query.total = Total::None;
    let page = search::run(view, &app.rules, &query, None)?;
    let ids = page.matches.into_iter().map(|stored| stored.id).collect();
    let ranges = query.clauses.iter().flat_map(|clause| watched(kind, clause));
    let expects = ranges.map(|range| Expect::NoneNewer(range, view.seq())).collect();
    Ok(Selected { ids, expects })
}

/// The rows of which one must be new for a resource to meet the clause that did not before.
fn watched(kind: ResourceType, clause: &Clause) -> Vec<std::ops::Range<Vec<u8>>> {
    match clause {
        Clause::Index { negated: false, any, .. } => {
            any.iter().flat_map(|condition| condition.ranges(kind)).collect()
        }
        // What makes these hold may be the loss of a row, or a row of another type.
        Clause::Index { .. } | Clause::Ids { .. } | Clause::Chain { .. } | Clause::Has { .. } => {
            vec![key::current_range(kind)]
        }
    }
}
