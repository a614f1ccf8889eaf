//! Numbers: <http://hl7.org/fhir/R4/search.html#number>.

use std::ops::Bound;

use rust_decimal::Decimal;

use super::Span;
use crate::index::number::encode;
use crate::index::quantity;
use crate::search::value::Prefix;

/// A number of a query with the values that it stands for at its precision, encoded as in keys.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Window {
    /// The number itself.
    pub exact: Vec<u8>,
    /// The least value that rounds to it, included.
    pub first: Vec<u8>,
    /// The least value that does not any more, excluded.
    pub last: Vec<u8>,
    /// The three as text.
    texts: [String; 3],
}

impl Window {
    /// The window of a number: half of the last digit given to either side; for `ap` a tenth of the
    /// number. `1e2` stands for 95 to 105, as the page says.
    pub fn parse(text: &str, prefix: Prefix) -> Option<Self> {
        let exact = encode(text)?;
        let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
        let exponent: i32 = exponent.parse().ok()?;
        let decimals = mantissa.split_once('.').map_or(0, |(_, fraction)| fraction.len());
        let decimals = i32::try_from(decimals).ok()?;
        let number = shift(Decimal::from_str_exact(mantissa).ok()?, exponent)?;
        let half = if decimals == 0 && exponent > 0 {
            shift(Decimal::new(5, 2), exponent)?
        } else {
            shift(Decimal::new(5, 1), exponent - decimals)?
        };
        let margin = match prefix {
            Prefix::Approximately => (number.abs() * Decimal::new(1, 1)).max(half),
            _ => half,
        };
        let ends = [number.checked_sub(margin)?, number.checked_add(margin)?];
        let [first, last] = ends.map(|end| end.to_string());
        let texts = [text.to_owned(), first, last];
        Some(Self { exact, first: encode(&texts[1])?, last: encode(&texts[2])?, texts })
    }

    /// The window in base units, with these.
    pub fn in_base_units(&self, code: &str, system: &str) -> Option<(Self, String)> {
        let base = |text: &String| quantity::in_base_units(text, code, system);
        let [exact, first, last] = &self.texts;
        let ((exact, units), (first, _), (last, _)) = (base(exact)?, base(first)?, base(last)?);
        let (own, from, to) = (encode(&exact)?, encode(&first)?, encode(&last)?);
        Some((Self { exact: own, first: from, last: to, texts: [exact, first, last] }, units))
    }

    /// Whether a target that spans from `low` to `high` stands in the relation to the number.
    /// Precision is for `eq`, `ne` and `ap` only.
    pub fn holds(&self, prefix: Prefix, low: Option<&[u8]>, high: Option<&[u8]>) -> bool {
        let within = low.is_some_and(|low| low >= self.first.as_slice())
            && high.is_some_and(|high| high < self.last.as_slice());
        match prefix {
            Prefix::Equal => within,
            Prefix::NotEqual => !within,
            Prefix::Approximately => {
                low.is_none_or(|low| low < self.last.as_slice())
                    && high.is_none_or(|high| high >= self.first.as_slice())
            }
            _ => prefix.holds((low, high), &self.exact.as_slice(), &self.exact.as_slice()),
        }
    }

    /// The points that can stand in the relation to the number.
    pub fn bounds(&self, prefix: Prefix) -> (Bound<Vec<u8>>, Bound<Vec<u8>>) {
        let exact = || self.exact.clone();
        match prefix {
            Prefix::Equal | Prefix::Approximately => {
                (Bound::Included(self.first.clone()), Bound::Excluded(self.last.clone()))
            }
            Prefix::NotEqual => (Bound::Unbounded, Bound::Unbounded),
            Prefix::Greater | Prefix::StartsAfter => (Bound::Excluded(exact()), Bound::Unbounded),
            Prefix::GreaterOrEqual => (Bound::Included(exact()), Bound::Unbounded),
            Prefix::Less | Prefix::EndsBefore => (Bound::Unbounded, Bound::Excluded(exact())),
            Prefix::LessOrEqual => (Bound::Unbounded, Bound::Included(exact())),
        }
    }
}

/// The number times ten to that power; none where it leaves the range of the decimals.
fn shift(number: Decimal, power: i32) -> Option<Decimal> {
    let ten = Decimal::TEN;
    let mut shifted = number;
    if !(-28..=28).contains(&power) {
        return number.is_zero().then_some(number);
    }
    for _ in 0..power.unsigned_abs() {
        shifted = if power > 0 { shifted.checked_mul(ten)? } else { shifted.checked_div(ten)? };
    }
    Some(shifted)
}

/// What is asked of a number.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Amount {
    /// The relation.
    pub prefix: Prefix,
    /// The number.
    pub sought: Window,
}

impl Amount {
    pub(super) fn spans(&self) -> Vec<Span> {
        let (from, to) = self.sought.bounds(self.prefix);
        vec![Span::between(from, to)]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>]) -> bool {
        let own = parts.first().map(Vec::as_slice);
        own.is_some() && self.sought.holds(self.prefix, own, own)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(query: &str, number: &str, expected: bool) {
        let (prefix, text) = Prefix::take(query);
        let amount = Amount { prefix, sought: Window::parse(text, prefix).unwrap() };
        let parts = [encode(number).unwrap()];
        assert_eq!(amount.accepts(&parts), expected, "{query} {number}");
    }

    /// The table of <http://hl7.org/fhir/R4/search.html#number>.
    #[test]
    fn precision_as_published() {
        for (query, least, beyond) in
            [("100", "99.5", "100.5"), ("100.00", "99.995", "100.005"), ("1e2", "95", "105")]
        {
            check(query, least, true);
            check(query, beyond, false);
        }
        check("lt100", "99.999", true);
        check("lt100", "100", false);
        check("le100", "100", true);
        check("gt100", "100.0001", true);
        check("gt100", "100", false);
        check("ge100", "100", true);
        check("ne100", "99.5", false);
        check("ne100", "99", true);
        check("ap100", "91", true);
        check("ap100", "120", false);
        check("-5", "-5.4", true);
    }

    #[test]
    fn what_is_no_number() {
        for text in ["", "x", "1e", "1e400", "--1", "1 "] {
            assert!(Window::parse(text, Prefix::Equal).is_none(), "{text}");
        }
    }
}
