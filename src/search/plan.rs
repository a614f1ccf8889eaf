//! Plans: the order in which the clauses of a query are asked, as a value that can be printed.
//!
//! Clauses that some index range answers come first, those that can be expected to have the fewest
//! rows before others; [`super::run()`] counts the first ones, takes the smallest as its candidates,
//! and asks the others of the candidates' own rows. Clauses that only say what must not be are
//! always asked of candidates.

use std::cmp::Reverse;
use std::fmt;

use crate::search::clause::Clause;
use crate::search::condition::Condition;
use crate::search::query::Query;

/// The order of asking.
#[derive(Clone, PartialEq, Debug)]
pub struct Plan {
    /// The clauses that give candidates, the most promising first.
    pub ranges: Vec<Clause>,
    /// The clauses that can only be asked of candidates.
    pub filters: Vec<Clause>,
    /// What is looked through: the type's name.
    scope: String,
    /// The order of the answer.
    order: String,
}

impl Plan {
    /// The plan of a query.
    pub fn new(query: &Query) -> Self {
        let (mut ranges, filters): (Vec<_>, Vec<_>) =
            query.clauses.iter().cloned().partition(gives_candidates);
        ranges.sort_by_key(rank);
        let keys = query.sort.iter().map(|key| {
            let sign = if key.descending { "-" } else { "" };
            format!("{sign}{}", key.name)
        });
        let order = keys.chain(["_id".to_owned()]).collect::<Vec<_>>().join(", ");
        Self { ranges, filters, scope: query.kind.to_string(), order }
    }
}

fn gives_candidates(clause: &Clause) -> bool {
    match clause {
        Clause::Ids { negated, .. } | Clause::Index { negated, .. } => !negated,
        Clause::Chain { .. } | Clause::Has { .. } => true,
    }
}

/// Ids, then by the worst of the alternatives, then by how many there are.
fn rank(clause: &Clause) -> (u8, Reverse<bool>, usize) {
    match clause {
        Clause::Ids { ids, .. } => (0, Reverse(true), ids.len()),
        Clause::Index { any, .. } => {
            let worst = any.iter().map(|condition| condition.test.rank()).max().unwrap_or(0);
            let points = any.iter().all(Condition::is_point);
            (1 + worst, Reverse(points), any.len())
        }
        Clause::Has { .. } => (4, Reverse(false), 1),
        Clause::Chain { targets, .. } => (5, Reverse(false), targets.len()),
    }
}

/// One line for a clause; no values, as they may be a patient's.
fn describe(clause: &Clause) -> String {
    match clause {
        Clause::Ids { ids, .. } => format!("{} ids", ids.len()),
        Clause::Index { label, any, .. } => {
            let points = any.iter().all(Condition::is_point);
            let sources: Vec<_> = any.first().map(|c| c.sources.join(" + ")).into_iter().collect();
            let shape = if points { "equal" } else { "within a range" };
            format!("{label}: {shape}, {} alternatives, rows of {}", any.len(), sources.join(""))
        }
        Clause::Chain { label, targets, .. } => {
            let inner =
                targets.iter().map(|(kind, clause)| format!("{kind} ({})", describe(clause)));
            format!("{label}: references to {}", inner.collect::<Vec<_>>().join(" or "))
        }
        Clause::Has { label, kind, inner, .. } => {
            format!("{label}: referred to by {kind} ({})", describe(inner))
        }
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.ranges.is_empty() {
            writeln!(f, "candidates: every current {}", self.scope)?;
        }
        for (at, clause) in self.ranges.iter().enumerate() {
            let role = if at == 0 { "candidates" } else { "or, if fewer" };
            writeln!(f, "{role}: {}", describe(clause))?;
        }
        for clause in &self.filters {
            writeln!(f, "without: {}", describe(clause))?;
        }
        writeln!(f, "order: {}", self.order)
    }
}
