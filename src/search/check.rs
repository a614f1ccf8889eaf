//! Checks: whether a candidate meets a clause, in the cheapest way that there is.
//!
//! A clause whose rows have few distinct keys is asked by looking up the candidate's own row under
//! each: ranges are merged without reading one of them, and without what else is known of the
//! candidate. What points to the candidate is asked in the same ways. All other clauses are asked of
//! the candidate's rows, which are read once.

use std::collections::BTreeSet;

use crate::fhir::{Id, ResourceType};
use crate::index::Rules;
use crate::repository::{self, key, read};
use crate::search::Error;
use crate::search::candidates::{WholeKey, distinct_keys};
use crate::search::clause::Clause;
use crate::search::joint::Pointing;
use crate::search::read::Rows;
use crate::store::View;

/// How a clause is asked of candidates.
pub(super) enum Check<'a> {
    /// By their id.
    Ids(&'a BTreeSet<Id>, bool),
    /// By looking up rows.
    Keys(Vec<WholeKey<'a>>, bool),
    /// By asking the resources of that type that point to the candidate under these names.
    Pointing(ResourceType, &'a [String], Box<Check<'a>>),
    /// The same where rows of a joint have both the reference and what is asked.
    Joint(ResourceType, Pointing<'a>),
    /// By their rows.
    Rows(&'a Clause),
}

impl<'a> Check<'a> {
    /// The way for a clause that has been joined.
    pub(super) fn of(
        view: &dyn View,
        rules: &Rules,
        kind: ResourceType,
        clause: &'a Clause,
    ) -> Result<Self, Error> {
        Ok(match clause {
            Clause::Ids { ids, negated } => Self::Ids(ids, *negated),
            Clause::Index { any, negated, .. } => match distinct_keys(view, kind, any)? {
                Some(keys) => Self::Keys(keys, *negated),
                None => Self::Rows(clause),
            },
            Clause::Has { kind: by, sources, inner, .. } => {
                if let Some(joint) = Pointing::of(rules, *by, sources, inner) {
                    return Ok(Self::Joint(*by, joint));
                }
                Self::Pointing(*by, sources, Box::new(Self::of(view, rules, *by, inner)?))
            }
            _ => Self::Rows(clause),
        })
    }
}

/// Whether all of them hold for a current resource; the cheap ones are asked first.
pub(super) fn hold<'c, 'a: 'c>(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    checks: impl IntoIterator<Item = &'c Check<'a>>,
) -> Result<bool, Error> {
    match left(view, kind, id, checks)? {
        None => Ok(false),
        Some(of_rows) => Ok(of_rows.is_empty() || Rows::read(view, kind, id)?.hold(&of_rows)?),
    }
}

/// The rows of a current resource for which all of them hold.
pub(super) fn rows<'r>(
    view: &'r dyn View,
    kind: ResourceType,
    id: &'r Id,
    checks: &[Check<'_>],
) -> Result<Option<Rows<'r>>, Error> {
    let Some(of_rows) = left(view, kind, id, checks)? else { return Ok(None) };
    let rows = Rows::read(view, kind, id)?;
    Ok(rows.hold(&of_rows)?.then_some(rows))
}

/// The clauses that are left to be asked of rows; none where one of the others does not hold.
fn left<'c, 'a: 'c>(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    checks: impl IntoIterator<Item = &'c Check<'a>>,
) -> Result<Option<Vec<&'a Clause>>, Error> {
    let mut of_rows = Vec::new();
    for check in checks {
        match check {
            Check::Rows(clause) => of_rows.push(*clause),
            check if !check.holds(view, kind, id)? => return Ok(None),
            _ => {}
        }
    }
    Ok(Some(of_rows))
}

impl Check<'_> {
    fn holds(&self, view: &dyn View, kind: ResourceType, id: &Id) -> Result<bool, Error> {
        match self {
            Self::Ids(ids, negated) => Ok(ids.contains(id) != *negated),
            Self::Keys(keys, negated) => {
                for key in keys {
                    if key.has(view, id)? {
                        return Ok(!negated);
                    }
                }
                Ok(*negated)
            }
            Self::Pointing(by, sources, inner) => {
                for source in *sources {
                    for pointing in read::pointing(view, *by, source, (kind, id)) {
                        if inner.holds(view, *by, &pointing?)? {
                            return Ok(true);
                        }
                    }
                }
                Ok(false)
            }
            Self::Joint(by, joint) => {
                for condition in joint.conditions(kind, id) {
                    for range in condition.ranges(*by) {
                        for row in view.scan(range) {
                            let row = row?;
                            let parts = key::index_parts(&row.key);
                            let (parts, _) = parts.ok_or(repository::Error::Damaged(key::INDEX))?;
                            if condition.accepts(&parts, &row.value) {
                                return Ok(true);
                            }
                        }
                    }
                }
                Ok(false)
            }
            Self::Rows(clause) => Rows::read(view, kind, id)?.hold(&[clause]),
        }
    }
}
