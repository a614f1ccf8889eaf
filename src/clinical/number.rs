//! Exact numbers and spans of numbers, as every form of the letter prints them.
//!
//! A number is rounded once, here, to two decimals (half away from zero); JSON, HTML and PDF show
//! that number and no other. No binary floating point touches a clinical number.

use std::fmt;

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Serialize, Serializer};

/// An exact decimal, rounded to two decimals and without trailing zeros.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Number(Decimal);

impl Number {
    /// The number, rounded to two decimals.
    pub fn new(value: Decimal) -> Self {
        let strategy = RoundingStrategy::MidpointAwayFromZero;
        let rounded = value.round_dp_with_strategy(2, strategy).normalize();
        Self(if rounded.is_zero() { Decimal::ZERO } else { rounded })
    }

    /// The decimal itself.
    pub fn get(self) -> Decimal {
        self.0
    }

    /// The number with its sign, also where it is positive.
    pub fn signed(self) -> String {
        if self.0 > Decimal::ZERO { format!("+{}", self.0) } else { self.to_string() }
    }
}

impl<T: Into<Decimal>> From<T> for Number {
    fn from(value: T) -> Self {
        Self::new(value.into())
    }
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl Serialize for Number {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let digits: serde_json::Number =
            serde_json::from_str(&self.0.to_string()).map_err(serde::ser::Error::custom)?;
        digits.serialize(serializer)
    }
}

/// A span from the least to the greatest value that the record allows; one value where both agree.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Span {
    /// The least value.
    pub min: Number,
    /// The greatest value.
    pub max: Number,
}

impl Span {
    /// The span between two values, in either order.
    pub fn new(one: Decimal, other: Decimal) -> Self {
        Self { min: one.min(other).into(), max: one.max(other).into() }
    }

    /// The span of one value.
    pub fn exact(value: impl Into<Decimal>) -> Self {
        let number = Number::new(value.into());
        Self { min: number, max: number }
    }

    /// Least with least, greatest with greatest.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        let min = self.min.get().saturating_add(other.min.get());
        Self::new(min, self.max.get().saturating_add(other.max.get()))
    }
}

impl Default for Span {
    fn default() -> Self {
        Self::exact(Decimal::ZERO)
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.min == self.max {
            self.min.fmt(f)
        } else {
            write!(f, "{}–{}", self.min, self.max)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::str::FromStr;

    #[test]
    fn rounds_once_half_away_from_zero() {
        for (exact, expected) in
            [("35.5555", "35.56"), ("-0.125", "-0.13"), ("20.00", "20"), ("-0.001", "0")]
        {
            let number = Number::new(Decimal::from_str(exact).unwrap());
            assert_eq!(number.to_string(), expected);
            assert_eq!(serde_json::to_string(&number).unwrap(), expected);
        }
        assert_eq!(Number::from(4).signed(), "+4");
        assert_eq!(Span::new(Decimal::from(30), Decimal::from(15)).to_string(), "15–30");
    }
}
