//! Positions: <http://hl7.org/fhir/R4/location.html#search>.

use std::ops::Bound;

use super::Span;
use crate::index::near::Position;

/// That a position is not farther than that.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Near {
    /// From where.
    pub from: Position,
    /// How far at most.
    pub metres: f64,
}

impl Near {
    /// How far, where the query does not say; the standard leaves it to the server.
    pub const DEFAULT_KM: &'static str = "50";

    pub(super) fn spans(&self) -> Vec<Span> {
        let (from, to) = self.from.band(self.metres);
        vec![Span::between(Bound::Included(from), Bound::Included(to))]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>]) -> bool {
        Position::from_parts(parts).is_some_and(|own| self.from.distance(own) <= self.metres)
    }
}
