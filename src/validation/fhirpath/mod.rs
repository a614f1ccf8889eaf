//! FHIRPath over JSON in place, for invariants: all functions of the language and of FHIR R4.
//!
//! An expression is parsed once and evaluated on the resource where it lies; nothing is copied but
//! references. Types come from the element model, so `is`, `as`, `ofType` and choice elements are
//! exact. What cannot be evaluated is a [`Fault`] with its reason, never a guess. What an
//! expression may ask of the world (references, terminology, profiles, the time) is a [`Host`].
//! Source: <http://hl7.org/fhirpath/N1/>, <http://hl7.org/fhir/R4/fhirpath.html>.

use std::borrow::Cow;
use std::cell::Cell;
use std::cmp::Ordering;

use serde_json::Value;

mod eval;
mod function;
mod item;
mod kind;
mod lex;
mod operator;
mod parse;
mod path;
mod quantity;
mod temporal;
mod transition;
#[cfg(test)]
mod published;
#[cfg(test)]
mod tests;

pub(super) use item::{Element, Item};
pub(super) use kind::Kind;
pub use path::{Constant, Focus, Path, Scope, Shape};
pub use transition::Transition;

use crate::fhir::Instant;
use crate::terminology::Membership;
use function::Entry;

/// Why an expression cannot be read or evaluated: a sentence.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0}")]
pub(super) struct Fault(pub(super) Cow<'static, str>);

impl Fault {
    fn new(text: impl Into<Cow<'static, str>>) -> Self {
        Self(text.into())
    }
}

/// A collection, or why there is none.
type Answer<'v> = Result<Vec<Item<'v>>, Fault>;

/// An expression ready for evaluation.
#[derive(Debug)]
pub(super) struct Expression {
    root: Node,
}

#[derive(Debug)]
enum Node {
    /// `$this`, or the start of a path.
    This,
    Index,
    Total,
    Nothing,
    Literal(Item<'static>),
    /// `%name`.
    Constant(String),
    /// The name at the start of a path: a type's, or an element of `$this`.
    Head(String),
    Member(Box<Node>, String),
    At(Box<Node>, Box<Node>),
    Call(Box<Node>, &'static Entry, Vec<Node>),
    /// `is`, `as` and `ofType`.
    Type(Box<Node>, TypeTest, TypeName),
    Negate(Box<Node>),
    Pair(Box<Node>, Operator, Box<Node>),
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum TypeTest {
    Is,
    As,
    OfType,
}

/// A type, by namespace and name: `FHIR.Patient`, `System.String`.
#[derive(Clone, PartialEq, Eq, Debug)]
struct TypeName {
    system: bool,
    name: String,
}

/// What stands between two expressions.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Operator {
    Equal,
    NotEqual,
    Equivalent,
    NotEquivalent,
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    And,
    Or,
    Xor,
    Implies,
    Union,
    In,
    Contains,
    Add,
    Subtract,
    Concatenate,
    Multiply,
    Divide,
    WholeDivide,
    Modulo,
}

/// What an expression can ask of the world around the resource. By itself it knows nothing of it.
pub(super) trait Host {
    /// The resource that the text of a reference, standing in the resource `from` (none: the one
    /// that is checked), leads to.
    fn resolve<'v>(&'v self, _from: Option<&Value>, _text: &str) -> Option<&'v Value> {
        None
    }

    /// Whether a code is in a value set.
    fn member_of(&self, _value_set: &str, _system: Option<&str>, _code: &str) -> Membership {
        Membership::Unknown
    }

    /// Whether the value conforms to the profile; none where the profile is not known.
    fn conforms(&self, _value: &Value, _canonical: &str) -> Option<bool> {
        None
    }

    /// Whether the one code subsumes the other in their system; none where it cannot be told.
    fn subsumes(&self, _system: &str, _general: &str, _special: &str) -> Option<bool> {
        None
    }

    /// Whether the text is a narrative as the standard allows it.
    fn is_narrative(&self, text: &str) -> bool;

    /// The present, where there is one.
    fn now(&self) -> Option<Instant> {
        None
    }
}

/// How much work an expression may still make; for those that anyone may send. The units are items
/// that are looked at, and bytes of texts that are made.
#[derive(Debug)]
pub struct Work(Cell<u64>);

impl Work {
    /// So many units.
    pub fn of(units: u64) -> Self {
        Self(Cell::new(units))
    }

    /// Takes some away.
    ///
    /// # Errors
    /// A sentence when there are not so many left; then none are.
    pub(super) fn spend(&self, units: usize) -> Result<(), Fault> {
        let left = u64::try_from(units).ok().and_then(|units| self.0.get().checked_sub(units));
        self.0.set(left.unwrap_or_default());
        left.map(drop).ok_or_else(|| Fault::new("the expression makes too much work"))
    }
}

/// What an expression sees.
pub(super) struct Env<'v> {
    /// The value that the invariant stands on: `%context`.
    pub(super) focus: Item<'v>,
    /// `%resource`: the resource that it is in.
    pub(super) resource: Option<Item<'v>>,
    /// `%rootResource`: the same, or the container of a contained one.
    pub(super) root_resource: Option<Item<'v>>,
    /// The world around.
    pub(super) host: &'v dyn Host,
    /// What it may cost, where that has an end.
    pub(super) work: Option<&'v Work>,
    /// The constants of a view definition.
    pub(super) constants: &'v [Constant],
    /// `%rowIndex`, where rows are made.
    pub(super) row: Option<usize>,
    /// `%previous` and `%current`, where it is about a change.
    pub(super) change: Option<[Option<Item<'v>>; 2]>,
}

impl<'v> Env<'v> {
    /// What an expression on `focus` sees in that world.
    pub(super) fn new(focus: Item<'v>, host: &'v dyn Host) -> Self {
        let (resource, root_resource) = (None, None);
        let (work, row, change) = (None, None, None);
        Self { focus, resource, root_resource, host, work, constants: &[], row, change }
    }

    fn spend(&self, units: usize) -> Result<(), Fault> {
        self.work.map_or(Ok(()), |work| work.spend(units))
    }

    /// Accounts for what a part of an expression found.
    fn account(&self, found: &[Item<'v>]) -> Result<(), Fault> {
        let Some(work) = self.work else { return Ok(()) };
        let cost = |item: &Item<'_>| match item {
            Item::Text(Cow::Owned(text)) => 1 + text.len(),
            _ => 1,
        };
        work.spend(1 + found.iter().map(cost).sum::<usize>())
    }
}

/// The order of two values of one FHIR type, named as at the end of `value[x]`; none where there is
/// no order, or where it is not known.
pub(super) fn order_of(a: &Value, b: &Value, kind: &str) -> Option<Ordering> {
    let first = kind.chars().next().map(|c| c.to_ascii_lowercase().to_string());
    let lower = first.map(|first| first + kind.get(1..).unwrap_or_default());
    let kind = Kind::of(kind).or_else(|| Kind::of(lower.as_deref()?));
    let item =
        |value| Item::Element(Element { value: Some(value), sibling: None, kind, resource: None });
    let (a, b) = (item(a), item(b));
    if operator::equal(&a, &b) == Some(true) {
        return Some(Ordering::Equal);
    }
    operator::compare(&a, &b).ok().flatten()
}

impl Expression {
    /// Reads an expression.
    ///
    /// # Errors
    /// [`Fault`] says what is wrong with it.
    pub(super) fn parse(text: &str) -> Result<Self, Fault> {
        Ok(Self { root: parse::parse(text, false)? })
    }

    /// What the expression gives.
    pub(super) fn evaluate<'v>(&'v self, env: &Env<'v>) -> Answer<'v> {
        self.root.eval(env, &eval::Frame::of(&env.focus))
    }

    /// Whether an invariant holds. Nothing counts as holding: it means that the parts do not say, as
    /// when a date is known to the month, or an element that is spoken of is not there.
    ///
    /// # Errors
    /// [`Fault`] where it cannot be evaluated.
    pub(super) fn holds<'v>(&'v self, env: &Env<'v>) -> Result<bool, Fault> {
        Ok(eval::truth(&self.evaluate(env)?)?.unwrap_or(true))
    }
}
