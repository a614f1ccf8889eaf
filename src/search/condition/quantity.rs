//! Quantities: <http://hl7.org/fhir/R4/search.html#quantity>.

use super::number::Window;
use super::{Next, Span, text};
use crate::index::quantity::{INTERVAL, POINT};
use crate::index::{key, number};
use crate::search::value::Prefix;

/// The unit of a query.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Unit {
    /// None is given: any will do.
    Any,
    /// A code of that system.
    Coded {
        /// The system of units.
        system: String,
        /// The code; none for any of the system.
        code: Option<String>,
    },
    /// A code or a text, whatever the system.
    Named(String),
}

/// What is asked of a quantity.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Quantity {
    /// The relation.
    pub prefix: Prefix,
    /// The number.
    pub sought: Window,
    /// The unit.
    pub unit: Unit,
}

impl Quantity {
    pub(super) fn spans(&self) -> Vec<Span> {
        let (from, to) = self.sought.bounds(self.prefix);
        let points = Span { whole: vec![POINT.to_vec()], next: Next::Between(from, to) };
        vec![points, Span::of([INTERVAL.to_vec()])]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let Some(number) = parts.get(1).map(Vec::as_slice) else { return false };
        let unit = match &self.unit {
            Unit::Any => true,
            Unit::Coded { system, code } => {
                text(parts, 3) == system
                    && code.as_deref().is_none_or(|code| text(parts, 2) == code)
            }
            Unit::Named(name) => {
                text(parts, 2) == name
                    || key::items(value).any(|i| i.strip_prefix('u') == Some(name))
            }
        };
        if !unit {
            return false;
        }
        if parts.first().is_some_and(|kind| kind == POINT) {
            return self.sought.holds(self.prefix, Some(number), Some(number));
        }
        let low = (!number.is_empty()).then_some(number);
        let mut highs =
            key::items(value).filter_map(|item| number::encode(item.strip_prefix('h')?)).peekable();
        if highs.peek().is_none() {
            return self.sought.holds(self.prefix, low, None);
        }
        highs.any(|high| self.sought.holds(self.prefix, low, Some(&high)))
    }
}
