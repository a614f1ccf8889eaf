//! Checks: whether a candidate meets a clause, in the cheapest way that there is.
//!
//! A clause whose rows have few distinct keys is asked by looking up the candidate's own row under
//! each: ranges are merged without reading one of them, and without what else is known of the
//! candidate. All other clauses are asked of the candidate's rows, which are read once.

use std::collections::BTreeSet;

use crate::fhir::{Id, ResourceType};
use crate::search::Error;
use crate::search::candidates::{WholeKey, distinct_keys};
use crate::search::clause::Clause;
use crate::search::read::Rows;
use crate::store::View;

/// How a clause is asked of candidates.
pub(super) enum Check<'a> {
    /// By their id.
    Ids(&'a BTreeSet<Id>, bool),
    /// By looking up rows.
    Keys(Vec<WholeKey<'a>>, bool),
    /// By their rows.
    Rows(&'a Clause),
}

impl<'a> Check<'a> {
    /// The way for a clause that has been joined.
    pub(super) fn of(
        view: &dyn View,
        kind: ResourceType,
        clause: &'a Clause,
    ) -> Result<Self, Error> {
        Ok(match clause {
            Clause::Ids { ids, negated } => Self::Ids(ids, *negated),
            Clause::Index { any, negated, .. } => match distinct_keys(view, kind, any)? {
                Some(keys) => Self::Keys(keys, *negated),
                None => Self::Rows(clause),
            },
            _ => Self::Rows(clause),
        })
    }
}

/// Whether all of them hold for a current resource; the cheap ones are asked first.
pub(super) fn hold(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    checks: &[Check<'_>],
) -> Result<bool, Error> {
    let mut of_rows = Vec::new();
    for check in checks {
        match check {
            Check::Ids(ids, negated) if ids.contains(id) == *negated => return Ok(false),
            Check::Ids(..) => {}
            Check::Keys(keys, negated) => {
                let mut held = false;
                for key in keys {
                    held = held || key.has(view, kind, id)?;
                }
                if held == *negated {
                    return Ok(false);
                }
            }
            Check::Rows(clause) => of_rows.push(*clause),
        }
    }
    Ok(of_rows.is_empty() || Rows::read(view, kind, id)?.hold(&of_rows)?)
}
