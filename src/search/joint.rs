//! Clauses put together: what is asked of several parameters whose values stand in one row.
//!
//! A clause of a joint finds what its parts find, so they are left out; what is asked of parameters
//! that are no part of it, or asked once more, stays. Source of the joints:
//! [`Joint`](crate::definitions::joint::Joint).

use crate::definitions::joint::Joint;
use crate::fhir::{Id, ResourceType};
use crate::index::Rules;
use crate::search::clause::Clause;
use crate::search::condition::{Composite, Condition, Target, Test};

/// The most conditions that a joint clause has: as many keys as are merged.
const MOST: usize = 16;

/// The type that the reference must point to, if one is asked, and what is asked of each part, with how
/// many parts of the key it has.
type Head = (Option<ResourceType>, Vec<(usize, Test)>);

/// The clauses with those that a joint index answers put together.
pub(super) fn joined(rules: &Rules, kind: ResourceType, clauses: Vec<Clause>) -> Vec<Clause> {
    let mut left = Vec::with_capacity(clauses.len());
    flatten(clauses, &mut left);
    let mut whole = Vec::new();
    for joint in rules.joints(kind) {
        let parts: Option<Vec<Vec<usize>>> =
            joint.parameters.iter().map(|parameter| places(joint, parameter, &left)).collect();
        let Some(parts) = parts else { continue };
        let Some(clause) = together(joint, &parts, &left) else { continue };
        whole.push(clause);
        let mut at = 0..;
        left.retain(|_| {
            at.next().is_some_and(|at| !parts.iter().flatten().any(|part| *part == at))
        });
    }
    whole.append(&mut left);
    whole
}

fn flatten(clauses: Vec<Clause>, flat: &mut Vec<Clause>) {
    for clause in clauses {
        match clause {
            Clause::Every(parts) => flatten(parts, flat),
            other => flat.push(other),
        }
    }
}

/// The clauses that ask for that parameter of the joint: one, or all of those that a resource can
/// only meet by the same row. None if there is none.
fn places(joint: &Joint, parameter: &str, clauses: &[Clause]) -> Option<Vec<usize>> {
    let serves = |(_, clause): &(usize, &Clause)| serves(joint, parameter, clause);
    let mut found = clauses.iter().enumerate().filter(serves);
    let first = found.next()?;
    let mut places = vec![first.0];
    if joint.has_once(parameter) && is_moment(first.1) {
        places.extend(found.filter(|(_, clause)| is_moment(clause)).map(|(at, _)| at));
    }
    Some(places)
}

fn is_moment(clause: &Clause) -> bool {
    matches!(conditions(clause), Some([Condition { test: Test::Moment(_), .. }]))
}

/// The conditions of a clause that one of them be met.
fn conditions(clause: &Clause) -> Option<&[Condition]> {
    match clause {
        Clause::Index { any, negated: false, .. } => Some(any),
        _ => None,
    }
}

/// Whether the rows of the joint tell whether the clause holds, as its part for that parameter.
fn serves(joint: &Joint, parameter: &str, clause: &Clause) -> bool {
    let Some(any) = conditions(clause) else { return false };
    let is_first = joint.parameters.first().is_some_and(|first| first == parameter);
    any.len() <= MOST && any.iter().all(|condition| stands(joint, parameter, is_first, condition))
}

fn stands(joint: &Joint, parameter: &str, is_first: bool, condition: &Condition) -> bool {
    let spans = || condition.test.spans();
    let is_narrow = || spans().iter().all(|span| !span.whole.is_empty());
    condition.sources == [parameter]
        // A type is asked of the first part of a row.
        && (is_first || condition.target.is_none())
        && (joint.composite().is_some() || !condition.test.needs_value())
        && !matches!(condition.test, Test::Any | Test::OneOf(_))
        && (!is_first || is_narrow())
        // A row has empty parts for what the resource has no value of.
        && !condition.test.accepts(&vec![Vec::new(); condition.arity], &[])
}

/// One clause of all of these; none if it would have too many conditions.
fn together(joint: &Joint, parts: &[Vec<usize>], clauses: &[Clause]) -> Option<Clause> {
    let mut labels = Vec::new();
    let mut heads: Vec<Head> = vec![(None, Vec::new())];
    for places in parts {
        let own: Vec<&Clause> = places.iter().filter_map(|at| clauses.get(*at)).collect();
        labels.extend(own.iter().filter_map(|clause| label(clause)));
        let any = match own.as_slice() {
            [clause] => conditions(clause)?.to_vec(),
            several => vec![all_of(several)?],
        };
        if heads.len().saturating_mul(any.len()) > MOST {
            return None;
        }
        let longer = |(target, tests): &Head| {
            let with = |condition: &Condition| {
                let own = (condition.arity, condition.test.clone());
                let tests = tests.iter().cloned().chain([own]).collect();
                (target.or(condition.target), tests)
            };
            any.iter().map(with).collect::<Vec<_>>()
        };
        heads = heads.iter().flat_map(longer).collect();
    }
    let source = joint.source();
    let condition = |(target, tests): Head| Condition {
        sources: vec![source.clone()],
        target,
        arity: tests.iter().map(|(arity, _)| arity).sum(),
        test: Test::Composite(Composite(tests)),
    };
    let any = heads.into_iter().map(condition).collect();
    Some(Clause::Index { label: labels.join(" and "), negated: false, any })
}

fn label(clause: &Clause) -> Option<&str> {
    match clause {
        Clause::Index { label, .. } => Some(label),
        _ => None,
    }
}

/// That one value is within all that these clauses ask of the time.
fn all_of(clauses: &[&Clause]) -> Option<Condition> {
    let first = conditions(clauses.first()?)?.first()?.clone();
    let moments = clauses.iter().map(|clause| match conditions(clause)?.first()?.test {
        Test::Moment(moment) => Some(moment),
        _ => None,
    });
    Some(Condition { test: Test::Moments(moments.collect::<Option<_>>()?), ..first })
}

/// A joint whose rows tell which resources of a type point to another under one name and meet
/// a condition on another.
pub(super) struct Pointing<'a> {
    joint: &'static Joint,
    any: &'a [Condition],
}

impl<'a> Pointing<'a> {
    /// The joint for references under these names, and that clause about what points.
    pub(super) fn of(
        rules: &Rules,
        by: ResourceType,
        sources: &[String],
        inner: &'a Clause,
    ) -> Option<Self> {
        let any = conditions(inner)?;
        let [source] = sources else { return None };
        let joint = rules.joints(by).find(|joint| {
            let [first, second, ..] = joint.parameters.as_slice() else { return false };
            joint.composite().is_none() && first == source && serves(joint, second, inner)
        })?;
        Some(Self { joint, any })
    }

    /// The conditions on a row of the joint that points to that resource.
    pub(super) fn conditions(&self, kind: ResourceType, id: &Id) -> Vec<Condition> {
        let target = Target { id: id.to_string(), place: Some(kind.to_string()), version: None };
        let with = |condition: &Condition| {
            let parts =
                vec![(2, Test::Target(target.clone())), (condition.arity, condition.test.clone())];
            Condition {
                sources: vec![self.joint.source()],
                target: None,
                arity: 2 + condition.arity,
                test: Test::Composite(Composite(parts)),
            }
        };
        self.any.iter().map(with).collect()
    }
}
