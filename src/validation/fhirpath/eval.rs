//! The evaluation of compiled expressions.

use std::borrow::Cow;
use std::cmp::Ordering;

use rust_decimal::Decimal;
use serde_json::Value;

use super::item::Item;
use super::{Function, Node, Operator};
use crate::validation::catalog::Context;

/// What an expression sees.
pub(in crate::validation) struct Env<'v> {
    /// The value that the invariant stands on.
    pub(in crate::validation) focus: &'v Value,
    /// The names of types, by which choice elements are known.
    pub(in crate::validation) context: &'v Context,
}

/// A collection; none where the engine must be asked.
type Answer<'v> = Option<Vec<Item<'v>>>;

impl Node {
    /// Whether the invariant holds; nothing counts as holding. None where the engine must be asked.
    pub(in crate::validation) fn holds(&self, env: &Env<'_>) -> Option<bool> {
        let focus = [Item::Place(env.focus, None)];
        Some(truth(&self.eval(env, &focus)?)?.unwrap_or(true))
    }

    fn eval<'v>(&'v self, env: &Env<'v>, focus: &[Item<'v>]) -> Answer<'v> {
        match self {
            Self::This => Some(focus.to_vec()),
            // Only at the root of a resource is it known.
            Self::Resource => {
                env.focus.get("resourceType")?;
                Some(vec![Item::Place(env.focus, None)])
            }
            Self::Nothing => Some(Vec::new()),
            Self::Bool(value) => Some(vec![Item::Bool(*value)]),
            Self::Number(number) => Some(vec![Item::Number(*number)]),
            Self::Text(text) => Some(vec![Item::Text(Cow::Borrowed(text))]),
            Self::Member(left, name) => {
                let mut found = Vec::new();
                for item in left.eval(env, focus)? {
                    item.members(name, env.context, &mut found);
                }
                Some(found)
            }
            Self::At(left, at) => {
                Some(left.eval(env, focus)?.into_iter().skip(*at).take(1).collect())
            }
            Self::Call(left, function) => {
                let left = left.eval(env, focus)?;
                function.call(env, focus, left)
            }
            Self::Pair(left, operator, right) => {
                let left = left.eval(env, focus)?;
                operator.apply(left, || right.eval(env, focus))
            }
        }
    }
}

impl Function {
    fn call<'v>(&'v self, env: &Env<'v>, focus: &[Item<'v>], left: Vec<Item<'v>>) -> Answer<'v> {
        let bool = |value: bool| Some(vec![Item::Bool(value)]);
        match self {
            Self::Exists => bool(!left.is_empty()),
            Self::Empty => bool(left.is_empty()),
            Self::Not => match truth(&left)? {
                Some(value) => bool(!value),
                None => Some(Vec::new()),
            },
            Self::Count => Some(vec![Item::Number(Decimal::from(left.len()))]),
            Self::First => Some(left.into_iter().take(1).collect()),
            Self::Tail => Some(left.into_iter().skip(1).collect()),
            Self::IsDistinct => bool(is_distinct(&left)?),
            Self::HasValue => bool(matches!(left.as_slice(), [only] if only.has_value())),
            Self::Where(criteria) => {
                let mut found = Vec::new();
                for item in left {
                    let one = [item];
                    if truth(&criteria.eval(env, &one)?)? == Some(true) {
                        found.extend(one);
                    }
                }
                Some(found)
            }
            Self::Select(projection) => {
                let mut found = Vec::new();
                for item in left {
                    found.extend(projection.eval(env, &[item])?);
                }
                Some(found)
            }
            Self::All(criteria) => {
                for item in left {
                    if truth(&criteria.eval(env, &[item])?)? != Some(true) {
                        return bool(false);
                    }
                }
                bool(true)
            }
            Self::StartsWith(part) | Self::Contains(part) => {
                self.find(&left, &part.eval(env, focus)?)
            }
            Self::Intersect(other) => {
                let other = other.eval(env, focus)?;
                let mut found = Vec::new();
                for item in left {
                    if has(&other, &item)? && !has(&found, &item)? {
                        found.push(item);
                    }
                }
                Some(found)
            }
            Self::Combine(other) => {
                let other = other.eval(env, focus)?;
                Some(left.into_iter().chain(other).collect())
            }
        }
    }

    /// The functions that look for a text in a text.
    fn find<'v>(&self, left: &[Item<'v>], part: &[Item<'v>]) -> Answer<'v> {
        let (text, part) = match (left, part) {
            ([], _) | (_, []) => return Some(Vec::new()),
            ([text], [part]) => (text.text()?, part.text()?),
            _ => return None,
        };
        let starts = matches!(self, Self::StartsWith(_));
        let found = if starts { text.starts_with(part) } else { text.contains(part) };
        Some(vec![Item::Bool(found)])
    }
}

impl Operator {
    fn apply<'v>(self, left: Vec<Item<'v>>, right: impl FnOnce() -> Answer<'v>) -> Answer<'v> {
        if matches!(self, Self::And | Self::Or | Self::Xor | Self::Implies) {
            return self.connect(truth(&left)?, right);
        }
        let right = right()?;
        let bool = |value: bool| Some(vec![Item::Bool(value)]);
        match self {
            Self::Union => {
                let mut found = Vec::new();
                for item in left.into_iter().chain(right) {
                    if !has(&found, &item)? {
                        found.push(item);
                    }
                }
                Some(found)
            }
            Self::In => match left.as_slice() {
                [] => Some(Vec::new()),
                [only] => bool(has(&right, only)?),
                _ => None,
            },
            Self::Equal | Self::NotEqual => match equal(&left, &right)? {
                Some(value) => bool(value == (self == Self::Equal)),
                None => Some(Vec::new()),
            },
            Self::Concatenate => {
                let one = |side: &[Item<'v>]| match side {
                    [] => Some(String::new()),
                    [only] => only.text().map(str::to_owned),
                    _ => None,
                };
                Some(vec![Item::Text(Cow::Owned(one(&left)? + &one(&right)?))])
            }
            _ => {
                let (a, b) = match (left.as_slice(), right.as_slice()) {
                    ([], _) | (_, []) => return Some(Vec::new()),
                    ([a], [b]) => (a, b),
                    _ => return None,
                };
                if self == Self::Add {
                    return Some(vec![Item::Number(a.number()?.checked_add(b.number()?)?)]);
                }
                let Some(order) = a.compare(b)? else { return Some(Vec::new()) };
                bool(match self {
                    Self::Less => order == Ordering::Less,
                    Self::LessOrEqual => order != Ordering::Greater,
                    Self::Greater => order == Ordering::Greater,
                    _ => order != Ordering::Less,
                })
            }
        }
    }

    /// Three-valued logic (<http://hl7.org/fhirpath/N1/#boolean-logic>); what decides alone is not
    /// asked further.
    fn connect<'v>(self, left: Option<bool>, right: impl FnOnce() -> Answer<'v>) -> Answer<'v> {
        let decided = match (self, left) {
            (Self::And, Some(false)) => Some(false),
            (Self::Or, Some(true)) | (Self::Implies, Some(false)) => Some(true),
            _ => None,
        };
        if let Some(value) = decided {
            return Some(vec![Item::Bool(value)]);
        }
        let right = truth(&right()?)?;
        let value = match (self, left, right) {
            (Self::And, _, Some(false)) | (Self::Or, Some(false), Some(false)) => Some(false),
            (Self::And, Some(true), Some(true)) | (Self::Or | Self::Implies, _, Some(true)) => {
                Some(true)
            }
            (Self::Implies, Some(true), right) => right,
            (Self::Xor, Some(a), Some(b)) => Some(a != b),
            _ => None,
        };
        Some(value.map(Item::Bool).into_iter().collect())
    }
}

/// The boolean that a collection stands for: an inner none for nothing, none for several items.
#[expect(clippy::option_option, reason = "the outer none asks the engine, the inner is nothing")]
fn truth(items: &[Item<'_>]) -> Option<Option<bool>> {
    match items {
        [] => Some(None),
        [only] => Some(Some(only.truth())),
        _ => None,
    }
}

#[expect(clippy::option_option, reason = "the outer none asks the engine, the inner is nothing")]
fn equal(left: &[Item<'_>], right: &[Item<'_>]) -> Option<Option<bool>> {
    if left.is_empty() || right.is_empty() {
        return Some(None);
    }
    if left.len() != right.len() {
        return Some(Some(false));
    }
    for (a, b) in left.iter().zip(right) {
        if !a.equals(b)? {
            return Some(Some(false));
        }
    }
    Some(Some(true))
}

fn has(items: &[Item<'_>], wanted: &Item<'_>) -> Option<bool> {
    for item in items {
        if item.equals(wanted)? {
            return Some(true);
        }
    }
    Some(false)
}

fn is_distinct(items: &[Item<'_>]) -> Option<bool> {
    for (at, item) in items.iter().enumerate() {
        if has(items.get(..at)?, item)? {
            return Some(false);
        }
    }
    Some(true)
}
