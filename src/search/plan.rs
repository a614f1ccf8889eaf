//! Plans: how a query is answered, as a value that can be printed.
//!
//! The clauses that an index range answers are counted side by side, a few rows at a time, until
//! one is at its end: that one gives the candidates. Rows of few distinct keys come in the order of
//! ids and are merged from the middle of a page; the other clauses are looked up or asked of the
//! candidates' rows. Nothing of a type is scanned when an index serves.

use std::cmp::Reverse;
use std::fmt;

use crate::fhir::{Id, ResourceType};
use crate::index::Rules;
use crate::search::candidates::{Source, count_up_to, gather_few};
use crate::search::check::Check;
use crate::search::clause::{Clause, flatten};
use crate::search::condition::Condition;
use crate::search::join::Join;
use crate::search::meter::Meter;
use crate::search::query::{Contained, Limits, Query};
use crate::search::{Error, joint, run, timeline};
use crate::store::View;

/// How a query is answered.
#[derive(Clone, PartialEq, Debug)]
pub struct Plan {
    /// The clauses in the order in which they are asked; the first gives the candidates, unless its
    /// role is another.
    pub steps: Vec<Step>,
    /// How a page comes about.
    pub way: Way,
    /// What is looked through: the type's name.
    scope: String,
    /// Whether what other resources contain is looked through.
    contained: Contained,
    /// The order of the answer.
    order: String,
}

/// One clause of a plan.
#[derive(Clone, PartialEq, Debug)]
pub struct Step {
    /// What it is for.
    pub role: Role,
    /// The clause; no values, as they may be a patient's.
    pub what: String,
    /// How many rows it has, as far as they were counted.
    pub rows: Option<Rows>,
}

/// A number of rows.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Rows {
    /// How many were counted.
    pub counted: usize,
    /// Whether there are more.
    pub more: bool,
}

/// What a clause is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Role {
    /// Its rows give the candidates.
    Candidates,
    /// It is asked by looking up the candidate under its few keys.
    Looked,
    /// It is asked of the candidate's rows.
    Asked,
}

/// How a page comes about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Way {
    /// Candidates are read in the order of ids, no more than the page needs.
    InOrder,
    /// Candidates are gathered and sorted by id; where they are many, resources are looked at in
    /// the order of ids first, in case the page is soon full.
    Gathered,
    /// The index of `_lastUpdated` is read along.
    ByTime,
    /// All matches are sorted.
    Sorted,
}

impl Plan {
    /// The plan by which [`run`](super::run()) answers the query on that view.
    ///
    /// # Errors
    /// As [`run`](super::run()).
    pub fn of(view: &dyn View, rules: &Rules, query: &Query) -> Result<Self, Error> {
        let meter = Meter::new(view, query.limits.rows);
        let planned = Self::planned(&meter, rules, query);
        meter.settle(planned)
    }

    fn planned(view: &dyn View, rules: &Rules, query: &Query) -> Result<Self, Error> {
        let join = Join { view, rules, limits: query.limits, few: run::FEW_JOINED };
        let clauses = query.clauses.iter().map(|clause| join.clause(query.kind, clause));
        let clauses = joint::joined(rules, query.kind, clauses.collect::<Result<Vec<_>, _>>()?);
        let flat = flatten(&clauses);
        let choice = Choice::of(view, query.kind, limits(query, &flat), flat)?;
        let mut steps = Vec::new();
        for (clause, rows) in &choice.order {
            let source = choice.source.is_some_and(|source| std::ptr::eq(source, *clause));
            let role = match Check::of(view, rules, query.kind, clause)? {
                _ if source => Role::Candidates,
                Check::Rows(_) | Check::Pointing(..) => Role::Asked,
                Check::Ids(..) | Check::Keys(..) | Check::Joint(..) => Role::Looked,
            };
            steps.push(Step { role, what: describe(clause), rows: *rows });
        }
        let keys = query.sort.iter().map(|key| {
            let sign = if key.descending { "-" } else { "" };
            format!("{sign}{}", key.name)
        });
        let order = keys.chain(["_id".to_owned()]).collect::<Vec<_>>().join(", ");
        let source =
            choice.source.map(|clause| Source::of(view, query.kind, clause)).transpose()?;
        let way = match query.sort.as_slice() {
            keys if choice.large && timeline::serves(keys) => Way::ByTime,
            [key] if !key.sources.is_empty() => Way::Sorted,
            [_, _, ..] => Way::Sorted,
            _ if matches!(source, Some(Some(Source::Ranges(_)))) => Way::Gathered,
            _ => Way::InOrder,
        };
        Ok(Self { steps, way, scope: query.kind.to_string(), contained: query.contained, order })
    }
}

/// Which clause gives the candidates.
pub(super) struct Choice<'a> {
    /// The clause; none: every resource of the type is a candidate.
    pub(super) source: Option<&'a Clause>,
    /// All clauses in the order in which they are asked, with their rows where these were counted.
    pub(super) order: Vec<(&'a Clause, Option<Rows>)>,
    /// Whether the candidates are too many to count beforehand.
    pub(super) large: bool,
    /// The candidates in the order of ids, where they are so few that they were all read.
    pub(super) found: Option<Vec<Id>>,
}

/// How many rows are counted of each clause in the first round, and how many times more in each
/// round after it.
const FIRST_ROUND: usize = 64;
const GROWTH: usize = 4;

/// What a choice among those clauses for that query may count.
pub(super) fn limits(query: &Query, clauses: &[&Clause]) -> Limits {
    let of_time = clauses.iter().all(|clause| timeline::is_met(clause));
    let told = match timeline::serves(&query.sort) {
        // Read along the index of time, a page is full before anything is counted.
        true if of_time => 1,
        // Few must be told from many, of which most are passed over.
        true => query.limits.counted,
        false => query.limits.told,
    };
    Limits { told, ..query.limits }
}

impl<'a> Choice<'a> {
    /// Counts what the clauses have, within the limits, and chooses.
    pub(super) fn of(
        view: &dyn View,
        kind: ResourceType,
        limits: Limits,
        clauses: Vec<&'a Clause>,
    ) -> Result<Self, Error> {
        let (mut giving, mut others): (Vec<_>, Vec<_>) =
            clauses.into_iter().partition(|clause| clause.gives_candidates());
        giving.sort_by_key(|clause| rank(clause));
        others.sort_by_key(|clause| rank(clause));
        // Where there is nothing to choose, counting only tells whether a total is cheap.
        let most = if giving.len() == 1 { limits.told } else { limits.counted };
        if let Some(Clause::Index { any, .. }) = giving.first() {
            let (rows, found) = gather_few(view, kind, any, FIRST_ROUND.min(most))?;
            if !rows.more || giving.len() == 1 && rows.counted >= most {
                let source = giving.first().copied();
                let first = giving.iter().take(1).map(|clause| (*clause, Some(rows)));
                let rest = giving.iter().skip(1).chain(&others).map(|clause| (*clause, None));
                let found = (!rows.more).then_some(found);
                return Ok(Self {
                    source,
                    order: first.chain(rest).collect(),
                    large: rows.more,
                    found,
                });
            }
        }
        let mut round = FIRST_ROUND.min(most);
        let mut counted: Vec<(&Clause, Rows)>;
        // The first was counted so far above.
        let mut known = matches!(giving.first(), Some(Clause::Index { .. })).then_some(round);
        loop {
            counted = Vec::new();
            let mut least = round;
            for clause in &giving {
                let count = match known.take() {
                    Some(known) => known,
                    None => count_up_to(view, kind, clause, least)?,
                };
                let more = count >= least;
                counted.push((clause, Rows { counted: count, more }));
                // Of the others it only matters whether they have fewer.
                least = least.min(count.saturating_add(1));
                if count < FIRST_ROUND && !more {
                    break;
                }
            }
            if round >= most || counted.iter().any(|(_, rows)| !rows.more) {
                break;
            }
            round = round.saturating_mul(GROWTH).min(most);
        }
        let asked = counted.len();
        // Stable: of those with equally many the one that was expected to have the fewest.
        counted.sort_by_key(|(_, rows)| (rows.more, rows.counted));
        let source = counted.first().map(|(clause, _)| *clause);
        let large = match counted.first() {
            Some((_, rows)) => rows.more,
            None => Source::All.count(view, kind, most)? >= most,
        };
        let order = counted.into_iter().map(|(clause, rows)| (clause, Some(rows)));
        let rest = giving.into_iter().skip(asked).chain(others).map(|clause| (clause, None));
        Ok(Self { source, order: order.chain(rest).collect(), large, found: None })
    }
}

impl Clause {
    /// Whether rows tell for which resources it holds.
    pub(super) fn gives_candidates(&self) -> bool {
        matches!(self, Self::Ids { negated: false, .. } | Self::Index { negated: false, .. })
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
        Clause::Chain { targets, .. } => (10, Reverse(false), targets.len()),
        Clause::Phrase { .. } => (12, Reverse(false), 1),
        _ => (11, Reverse(false), 1),
    }
}

/// What a clause is, in one line.
fn describe(clause: &Clause) -> String {
    match clause {
        Clause::Ids { ids, negated } => {
            format!("{}{} ids", if *negated { "none of " } else { "" }, ids.len())
        }
        Clause::Index { label, any, negated } => {
            let points = any.iter().all(Condition::is_equal);
            let sources: Vec<_> = any.first().map(|c| c.sources.join(" + ")).into_iter().collect();
            let shape = if points { "equal" } else { "within a range" };
            let shape = if *negated { "none of what it names" } else { shape };
            format!("{label}: {shape}, {} alternatives, index {}", any.len(), sources.join(""))
        }
        Clause::Chain { label, targets, .. } => {
            let inner =
                targets.iter().map(|(kind, clause)| format!("{kind} ({})", describe(clause)));
            format!("{label}: references to {}", inner.collect::<Vec<_>>().join(" or "))
        }
        Clause::Has { label, kind, inner, .. } => {
            format!("{label}: referred to by {kind} ({})", describe(inner))
        }
        Clause::Phrase { label, words, .. } => {
            format!("{label}: {} words side by side, read in the resource", words.len())
        }
        Clause::Every(clauses) => clauses.iter().map(describe).collect::<Vec<_>>().join(", and "),
        Clause::Either(clauses) => clauses.iter().map(describe).collect::<Vec<_>>().join(", or "),
        Clause::ValueSet { label, .. } => format!("{label}: codes of a stored value set"),
        Clause::Hierarchy { label, .. } => format!("{label}: references into a hierarchy"),
        Clause::Listed { label, lists } => format!("{label}: items of {} Lists", lists.len()),
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.contained != Contained::False {
            let scope = &self.scope;
            writeln!(f, "contained: read in every resource that has a {scope} inside, index #")?;
        }
        if self.contained == Contained::True {
            return Ok(());
        }
        if !self.steps.iter().any(|step| step.role == Role::Candidates) {
            writeln!(f, "candidates: every current {}", self.scope)?;
        }
        for step in &self.steps {
            let role = match step.role {
                Role::Candidates => "candidates",
                Role::Looked => "looked up",
                Role::Asked => "asked of rows",
            };
            write!(f, "{role}: {}", step.what)?;
            match step.rows {
                Some(Rows { counted, more: false }) => writeln!(f, ", {counted} rows")?,
                Some(Rows { counted, more: true }) => writeln!(f, ", {counted} rows or more")?,
                None => writeln!(f)?,
            }
        }
        writeln!(f, "order: {}", self.order)?;
        let way = match self.way {
            Way::InOrder => "read in the order of ids, no more than the page needs",
            Way::Gathered => "gathered and sorted by id, unless a page is soon full without",
            Way::ByTime => "read along the index of _lastUpdated",
            Way::Sorted => "all matches sorted",
        };
        writeln!(f, "page: {way}")
    }
}
