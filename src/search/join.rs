//! Joins: chains and reverse chains, asked of the store and put in terms of one type.
//!
//! The inner clause is answered first, down to the ids that it holds for; their number is limited.
//! Source: <http://hl7.org/fhir/R4/search.html#chaining>, <http://hl7.org/fhir/R4/search.html#has>.

use std::collections::BTreeSet;

use crate::fhir::{Id, ResourceType};
use crate::search::Error;
use crate::search::clause::Clause;
use crate::search::condition::{Condition, OneOf, Test};
use crate::search::query::Limits;
use crate::search::read::Rows;
use crate::search::run::holding;
use crate::store::View;

/// The clause without chains, for resources of that type.
///
/// # Errors
/// [`Error::TooCostly`] when a link comes down to too many resources; [`Error::Repository`].
pub(super) fn join(
    view: &dyn View,
    limits: Limits,
    kind: ResourceType,
    clause: &Clause,
) -> Result<Clause, Error> {
    match clause {
        Clause::Ids { .. } | Clause::Index { .. } => Ok(clause.clone()),
        Clause::Chain { label, sources, targets } => {
            let mut set = BTreeSet::new();
            for (target, inner) in targets {
                let ids = inner_ids(view, limits, *target, inner, label)?;
                set.extend(ids.into_iter().map(|id| (id.to_string(), *target)));
            }
            let (sources, test) = (sources.clone(), Test::OneOf(OneOf(set)));
            let condition = Condition { sources, target: None, arity: 2, test };
            Ok(Clause::Index { label: label.clone(), negated: false, any: vec![condition] })
        }
        Clause::Has { label, kind: other, sources, inner } => {
            let mut ids = BTreeSet::new();
            for from in inner_ids(view, limits, *other, inner, label)? {
                let rows = Rows::read(view, *other, &from)?;
                for entry in rows.of(sources) {
                    let text = |at: usize| {
                        let part = entry.parts.get(at).map(Vec::as_slice).unwrap_or_default();
                        std::str::from_utf8(part).unwrap_or_default()
                    };
                    if text(1) == kind.as_str() {
                        ids.extend(Id::parse(text(0)));
                    }
                }
            }
            Ok(Clause::Ids { ids, negated: false })
        }
    }
}

fn inner_ids(
    view: &dyn View,
    limits: Limits,
    kind: ResourceType,
    inner: &Clause,
    label: &str,
) -> Result<Vec<Id>, Error> {
    let inner = join(view, limits, kind, inner)?;
    let ids =
        holding(view, kind, &inner)?.take(limits.joined + 1).collect::<Result<Vec<_>, _>>()?;
    if ids.len() > limits.joined {
        let message = format!("a link of the chain comes down to more than {}", limits.joined);
        return Err(Error::costly(Some(label), &message));
    }
    Ok(ids)
}
