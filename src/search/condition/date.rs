//! Dates: <http://hl7.org/fhir/R4/search.html#date>.

use std::ops::Bound;

use super::Span;
use crate::index::date::{Interval, WIDTHS, first_part};
use crate::search::value::Prefix;

/// What is asked of a date.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Moment {
    /// The relation.
    pub prefix: Prefix,
    /// The moments that the query names; for `ap` widened already.
    pub sought: Interval,
    /// Whether all values are instants, which have no width.
    pub instants: bool,
}

impl Moment {
    /// For each class of width, the starts that intervals of the class can have: what ends after a
    /// moment starts at most its width before it.
    pub(super) fn spans(&self) -> Vec<Span> {
        if self.instants {
            return vec![self.exact_span()];
        }
        let Interval { start, end } = self.sought;
        let spans = WIDTHS.iter().enumerate().map(|(class, width)| {
            let ends_from = |end: i64| width.map_or(i64::MIN, |width| end.saturating_sub(width));
            let (from, to) = match self.prefix {
                Prefix::Equal => (start, end),
                Prefix::NotEqual => (i64::MIN, i64::MAX),
                Prefix::Greater => (ends_from(end), i64::MAX),
                Prefix::GreaterOrEqual => (ends_from(end).min(start), i64::MAX),
                Prefix::StartsAfter => (end, i64::MAX),
                Prefix::LessOrEqual => (i64::MIN, end),
                Prefix::Less | Prefix::EndsBefore => (i64::MIN, start),
                Prefix::Approximately => (ends_from(start), end),
            };
            let bound = |moment| Bound::Included(first_part(class, moment));
            Span::between(bound(from), bound(to))
        });
        spans.collect()
    }

    /// The spans in which all rows lie that every one of these accepts.
    pub(super) fn common_spans(all: &[Self]) -> Vec<Span> {
        let each = all.iter().map(|moment| Self { instants: false, ..*moment }.spans());
        let common = each.reduce(|one, other| {
            one.iter().zip(&other).map(|(one, other)| one.common(other)).collect()
        });
        common.unwrap_or_else(|| vec![Span::of([])])
    }

    /// Where the instants lie that are accepted, and no others but for `ne`.
    fn exact_span(&self) -> Span {
        let Interval { start, end } = self.sought;
        let (from, to) = match self.prefix {
            Prefix::NotEqual => (i64::MIN, i64::MAX),
            Prefix::Equal | Prefix::Approximately => (start, end),
            Prefix::Greater | Prefix::StartsAfter => (end.saturating_add(1), i64::MAX),
            Prefix::GreaterOrEqual => (start, i64::MAX),
            Prefix::LessOrEqual => (i64::MIN, end),
            Prefix::Less | Prefix::EndsBefore => (i64::MIN, start.saturating_sub(1)),
        };
        let bound = |moment| Bound::Included(first_part(0, moment));
        Span::between(bound(from), bound(to))
    }

    /// Whether the span has no other values than those that are asked for.
    pub fn is_exact(&self) -> bool {
        self.instants && self.prefix != Prefix::NotEqual
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>]) -> bool {
        let Some(Interval { start, end }) = Interval::from_parts(parts) else { return false };
        let low = (start != i64::MIN).then_some(start);
        let high = (end != i64::MAX).then_some(end);
        self.prefix.holds((low, high), &self.sought.start, &self.sought.end)
    }
}
