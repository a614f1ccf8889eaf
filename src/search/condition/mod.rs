//! Conditions: what a value of a query asks of index rows.
//!
//! Each kind of condition tells the spans of keys among which all rows that it accepts lie, and
//! whether it accepts a row. So the same condition serves a scan of the index and the rows of one
//! resource. One file per search parameter type, as in the index.

mod composite;
mod date;
mod near;
mod number;
mod quantity;
mod reference;
mod string;
mod token;
mod uri;

use std::ops::{Bound, Range};

use crate::fhir::ResourceType;
use crate::repository::key;

pub use composite::Composite;
pub use date::Moment;
pub use near::Near;
pub use number::{Amount, Window};
pub use quantity::{Quantity, Unit};
pub(super) use reference::is_of;
pub use reference::{OneOf, Target};
pub use string::{Mode, Text};
pub use token::Token;
pub use uri::Uri;

/// Keys whose first parts are `whole` and whose next part is as `next` says.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Span {
    /// The first parts.
    pub whole: Vec<Vec<u8>>,
    /// The part after them.
    pub next: Next,
}

/// What is asked of one part.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Next {
    /// It begins with these bytes.
    Beginning(Vec<u8>),
    /// It lies between these.
    Between(Bound<Vec<u8>>, Bound<Vec<u8>>),
}

impl Span {
    /// All keys that begin with these whole parts.
    pub fn of(whole: impl IntoIterator<Item = Vec<u8>>) -> Self {
        Self { whole: whole.into_iter().collect(), next: Next::Beginning(Vec::new()) }
    }

    /// All keys whose first part begins with these bytes.
    pub fn beginning(bytes: &[u8]) -> Self {
        Self { whole: Vec::new(), next: Next::Beginning(bytes.to_vec()) }
    }

    /// All keys whose first part lies between these.
    pub fn between(from: Bound<Vec<u8>>, to: Bound<Vec<u8>>) -> Self {
        Self { whole: Vec::new(), next: Next::Between(from, to) }
    }

    /// What lies in both of two spans that are inclusive or open, with the same whole parts; the first
    /// of them if they are not.
    fn common(&self, other: &Self) -> Self {
        let Next::Between(from, to) = &self.next else { return self.clone() };
        let Next::Between(other_from, other_to) = &other.next else { return self.clone() };
        let from = match (from, other_from) {
            (Bound::Included(one), Bound::Included(other)) => {
                Bound::Included(one.max(other).clone())
            }
            _ => from.clone(),
        };
        let to = match (to, other_to) {
            (Bound::Included(one), Bound::Included(other)) => {
                Bound::Included(one.min(other).clone())
            }
            _ => to.clone(),
        };
        Self { whole: self.whole.clone(), next: Next::Between(from, to) }
    }

    /// The same behind other whole parts.
    #[must_use]
    pub fn behind(mut self, parts: &[Vec<u8>]) -> Self {
        let own = std::mem::replace(&mut self.whole, parts.to_vec());
        self.whole.extend(own);
        self
    }

    /// The rows of the index, for a type and the name of a parameter.
    pub fn range(&self, kind: ResourceType, parameter: &str) -> Range<Vec<u8>> {
        let whole: Vec<&[u8]> = self.whole.iter().map(Vec::as_slice).collect();
        match &self.next {
            Next::Beginning(bytes) => key::index_range(kind, parameter, &whole, bytes),
            Next::Between(from, to) => {
                let bounds = (from.as_ref().map(Vec::as_slice), to.as_ref().map(Vec::as_slice));
                key::index_span(kind, parameter, &whole, bounds)
            }
        }
    }

    /// Whether only the id is left to differ, given how many parts the keys have: then the rows
    /// come in the order of ids.
    pub fn is_point(&self, arity: usize) -> bool {
        self.whole.len() >= arity && self.next == Next::Beginning(Vec::new())
    }
}

/// One condition on the rows of a parameter.
#[derive(Clone, PartialEq, Debug)]
#[allow(missing_docs, reason = "each variant is the condition that its type tells of")]
pub enum Test {
    /// That there is a row at all.
    Any,
    Token(Token),
    Text(Text),
    Moment(Moment),
    /// All of these, of one value.
    Moments(Vec<Moment>),
    Target(Target),
    OneOf(OneOf),
    Amount(Amount),
    Quantity(Box<Quantity>),
    Uri(Uri),
    Near(Near),
    Composite(Composite),
    /// The word is that one.
    Word(Vec<u8>),
}

impl Test {
    /// The keys among which all accepted rows lie.
    pub fn spans(&self) -> Vec<Span> {
        match self {
            Self::Any => vec![Span::of([])],
            Self::Token(token) => token.spans(),
            Self::Text(text) => text.spans(),
            Self::Moment(moment) => moment.spans(),
            Self::Moments(all) => Moment::common_spans(all),
            Self::Target(target) => target.spans(),
            Self::OneOf(set) => set.spans(),
            Self::Amount(amount) => amount.spans(),
            Self::Quantity(quantity) => quantity.spans(),
            Self::Uri(uri) => uri.spans(),
            Self::Near(near) => near.spans(),
            Self::Composite(composite) => composite.spans(),
            Self::Word(word) => vec![Span::of([word.clone()])],
        }
    }

    /// Whether a row within the spans is one of those that are asked for.
    pub fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        match self {
            Self::Any => true,
            Self::Token(token) => token.accepts(parts, value),
            Self::Text(text) => text.accepts(parts, value),
            Self::Moment(moment) => moment.accepts(parts),
            Self::Moments(all) => all.iter().all(|moment| moment.accepts(parts)),
            Self::Target(target) => target.accepts(parts, value),
            Self::OneOf(set) => set.accepts(parts),
            Self::Amount(amount) => amount.accepts(parts),
            Self::Quantity(quantity) => quantity.accepts(parts, value),
            Self::Uri(uri) => uri.accepts(parts),
            Self::Near(near) => near.accepts(parts),
            Self::Composite(composite) => composite.accepts(parts, value),
            Self::Word(word) => parts.first() == Some(word),
        }
    }

    /// Whether [`Test::accepts`] looks at the row's value, beside its key.
    pub fn needs_value(&self) -> bool {
        match self {
            Self::Token(token) => token.needs_value(),
            Self::Text(_) | Self::Quantity(_) => true,
            Self::Composite(composite) => composite.0.iter().any(|(_, test)| test.needs_value()),
            Self::Target(target) => target.version.is_some(),
            Self::Any
            | Self::Moment(_)
            | Self::Moments(_)
            | Self::Amount(_)
            | Self::Uri(_)
            | Self::Near(_)
            | Self::OneOf(_)
            | Self::Word(_) => false,
        }
    }

    /// How few rows it can be expected to accept, before anything is counted: 0 for the fewest.
    pub fn rank(&self) -> u8 {
        let spans = self.spans();
        let narrow = |least: usize| spans.iter().all(|span| span.whole.len() >= least);
        match self {
            Self::Target(_) if narrow(1) => 0,
            Self::Composite(_) if narrow(3) => 0,
            Self::Uri(_) if narrow(1) => 1,
            Self::OneOf(_) => 2,
            Self::Token(_) if narrow(2) => 2,
            Self::Token(_) | Self::Composite(_) | Self::Word(_) if narrow(1) => 3,
            Self::Text(text) if text.mode != Mode::Contains => 4,
            Self::Moment(_)
            | Self::Moments(_)
            | Self::Amount(_)
            | Self::Quantity(_)
            | Self::Near(_) => 5,
            Self::Any => 7,
            _ => 6,
        }
    }
}

/// A test with the rows that it is for.
#[derive(Clone, PartialEq, Debug)]
pub struct Condition {
    /// The names under which the rows stand.
    pub sources: Vec<String>,
    /// Only references to this type count.
    pub target: Option<ResourceType>,
    /// How many parts the keys have.
    pub arity: usize,
    /// What is asked of the rows.
    pub test: Test,
}

impl Condition {
    /// The ranges of index rows in which all accepted ones lie.
    pub fn ranges(&self, kind: ResourceType) -> Vec<Range<Vec<u8>>> {
        let spans = self.test.spans();
        let of_source =
            |source: &String| spans.iter().map(|span| span.range(kind, source)).collect();
        self.sources.iter().flat_map(|source| -> Vec<_> { of_source(source) }).collect()
    }

    /// Whether it asks for whole keys.
    pub fn is_equal(&self) -> bool {
        self.test.spans().iter().all(|span| span.is_point(self.arity))
    }

    /// Whether the rows of its only range come in the order of ids.
    pub fn is_point(&self) -> bool {
        let spans = self.test.spans();
        self.sources.len() == 1 && spans.len() == 1 && spans.iter().all(|s| s.is_point(self.arity))
    }

    /// Whether a row under one of its names is one of those that are asked for.
    pub fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let of_target = self.target.is_none_or(|kind| is_of(parts, kind));
        of_target && self.test.accepts(parts, value)
    }
}

/// The text of a part.
fn text(parts: &[Vec<u8>], at: usize) -> &str {
    parts.get(at).and_then(|part| std::str::from_utf8(part).ok()).unwrap_or_default()
}
