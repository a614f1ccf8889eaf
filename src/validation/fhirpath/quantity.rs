//! Amounts with units: of UCUM, or of the calendar.
//!
//! Source: <http://hl7.org/fhirpath/N1/#quantity>, <http://hl7.org/fhir/R4/fhirpath.html#types>.

use std::borrow::Cow;
use std::cmp::Ordering;
use std::fmt;

use rust_decimal::Decimal;
use serde_json::Value;

use super::item::decimal;
use crate::fhir::json::At;
use crate::terminology::ucum;

#[derive(Clone, PartialEq, Eq, Debug)]
pub(in crate::validation) struct Quantity<'v> {
    pub(super) value: Decimal,
    pub(super) unit: Unit<'v>,
}

#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Unit<'v> {
    /// A code of UCUM.
    Code(Cow<'v, str>),
    /// A word of the calendar, in the singular.
    Calendar(&'static str),
    /// A code of another system, or a unit in words: comparable to the same only.
    Other(Cow<'v, str>),
}

/// The words of the calendar, with the unit of UCUM, and whether the two are the same length.
const CALENDAR: [(&str, &str, bool); 8] = [
    ("year", "a", false),
    ("month", "mo", false),
    ("week", "wk", true),
    ("day", "d", true),
    ("hour", "h", true),
    ("minute", "min", true),
    ("second", "s", true),
    ("millisecond", "ms", true),
];

impl Unit<'_> {
    /// The unit of a calendar word, in singular or plural.
    pub(super) fn calendar(word: &str) -> Option<Self> {
        let singular = word.strip_suffix('s').unwrap_or(word);
        let found = CALENDAR.iter().find(|(name, ..)| *name == singular);
        found.map(|(name, ..)| Unit::Calendar(name))
    }

    pub(super) fn text(&self) -> &str {
        match self {
            Self::Code(text) | Self::Other(text) => text,
            Self::Calendar(word) => word,
        }
    }

    /// The same, on its own.
    pub(super) fn owned<'o>(self) -> Unit<'o> {
        match self {
            Self::Code(text) => Unit::Code(Cow::Owned(text.into_owned())),
            Self::Other(text) => Unit::Other(Cow::Owned(text.into_owned())),
            Self::Calendar(word) => Unit::Calendar(word),
        }
    }

    /// The calendar word, for arithmetic with dates: not for years and months of UCUM, which have
    /// another length.
    pub(super) fn of_calendar(&self) -> Option<&'static str> {
        let by_code = |(_, code, same): &&(&str, &str, bool)| *same && *code == self.text();
        match self {
            Self::Calendar(word) => Some(word),
            Self::Code(code) => match Unit::calendar(code) {
                Some(Unit::Calendar(word)) => Some(word),
                _ => CALENDAR.iter().find(by_code).map(|(word, ..)| *word),
            },
            Self::Other(_) => None,
        }
    }

    /// The code of UCUM of the same length; with `is_loose`, of about the same length.
    fn code(&self, is_loose: bool) -> Option<&str> {
        match self {
            Self::Code(code) => Some(code),
            Self::Calendar(word) => {
                let found = CALENDAR.iter().find(|(name, ..)| name == word)?;
                (found.2 || is_loose).then_some(found.1)
            }
            Self::Other(_) => None,
        }
    }
}

impl<'v> Quantity<'v> {
    /// That of a FHIR Quantity; none where it has no value, or one that is only a limit.
    pub(super) fn of(value: &'v Value) -> Option<Self> {
        if value.get("comparator").is_some() {
            return None;
        }
        let Value::Number(number) = value.at("value") else { return None };
        let number = decimal(number.as_str())?;
        let text = |name: &str| value.at(name).as_str();
        let unit = match (text("system"), text("code"), text("unit")) {
            (Some(ucum::SYSTEM), Some(code), _) => Unit::Code(Cow::Borrowed(code)),
            (Some(system), Some(code), _) => Unit::Other(Cow::Owned(format!("{system}|{code}"))),
            (_, _, Some(unit)) => Unit::Other(Cow::Borrowed(unit)),
            _ => Unit::Code(Cow::Borrowed("1")),
        };
        Some(Self { value: number, unit })
    }

    /// A number without a unit.
    pub(super) fn plain(value: Decimal) -> Self {
        Self { value, unit: Unit::Code(Cow::Borrowed("1")) }
    }

    /// Reads `5 'mg'`, `3 days` or a number.
    pub(super) fn parse(text: &str) -> Option<Self> {
        let end = text.find(|c: char| !c.is_ascii_digit() && !"+-.".contains(c));
        let (number, unit) = text.split_at_checked(end.unwrap_or(text.len()))?;
        if number.starts_with('.') || number.ends_with('.') {
            return None;
        }
        let value: Decimal = number.parse().ok()?;
        let unit = match unit.trim() {
            "" if unit.is_empty() => Unit::Code(Cow::Borrowed("1")),
            quoted if quoted.starts_with('\'') => {
                let code = quoted.strip_prefix('\'')?.strip_suffix('\'')?;
                Unit::Code(Cow::Owned(code.to_owned()))
            }
            word => Unit::calendar(word)?,
        };
        Some(Self { value, unit })
    }

    /// Whether the two measure the same kind of thing; none where a unit is not known.
    pub(super) fn is_comparable(&self, other: &Self) -> Option<bool> {
        if self.unit == other.unit {
            return Some(true);
        }
        ucum::comparable(self.unit.code(false)?, other.unit.code(false)?).ok()
    }

    /// The order of the two; none where their units cannot be compared.
    pub(super) fn compare(&self, other: &Self) -> Option<Ordering> {
        self.ordered(other, false)
    }

    fn ordered(&self, other: &Self, is_loose: bool) -> Option<Ordering> {
        if self.unit == other.unit {
            return Some(self.value.cmp(&other.value));
        }
        let (a, b) = (self.unit.code(is_loose)?, other.unit.code(is_loose)?);
        if a == b {
            return Some(self.value.cmp(&other.value));
        }
        let (a, b) = (ucum::canonical(self.value, a)?, ucum::canonical(other.value, b)?);
        (a.unit == b.unit).then(|| a.value.cmp(&b.value))
    }

    /// Whether the two are the same amount; none where that cannot be told.
    pub(super) fn equals(&self, other: &Self) -> Option<bool> {
        if let Some(order) = self.compare(other) {
            return Some(order == Ordering::Equal);
        }
        // Units of different kinds are not the same; a year of the calendar and one of UCUM may be.
        match self.is_comparable(other) {
            Some(false) => Some(false),
            _ => None,
        }
    }

    /// Whether the two are about the same amount, years and months included.
    pub(super) fn equivalent(&self, other: &Self) -> bool {
        self.ordered(other, true) == Some(Ordering::Equal)
    }

    /// The sum, in the unit of the first.
    pub(super) fn plus(&self, other: &Self, sign: Decimal) -> Option<Self> {
        let added = if self.unit == other.unit {
            other.value
        } else {
            let (a, b) = (self.unit.code(false)?, other.unit.code(false)?);
            let (one, b) = (ucum::canonical(Decimal::ONE, a)?, ucum::canonical(other.value, b)?);
            // On scales with a zero of their own (degrees Celsius) a sum has no meaning.
            let has_zero = ucum::canonical(Decimal::ZERO, a)?.value.is_zero();
            (has_zero && one.unit == b.unit).then(|| b.value.checked_div(one.value))??
        };
        let value = self.value.checked_add(added.checked_mul(sign)?)?;
        Some(Self { value, unit: self.unit.clone() })
    }

    /// The product or quotient, its unit in the notation of UCUM.
    pub(super) fn times(&self, other: &Self, is_divided: bool) -> Option<Self> {
        let (a, b) = (self.unit.code(false)?, other.unit.code(false)?);
        let value = if is_divided {
            self.value.checked_div(other.value)?
        } else {
            self.value.checked_mul(other.value)?
        };
        let unit = match (a, b) {
            (a, "1") => a.to_owned(),
            ("1", b) if !is_divided => b.to_owned(),
            (a, b) if a == b && is_divided => "1".to_owned(),
            (a, b) => format!("({a}){}({b})", if is_divided { "/" } else { "." }),
        };
        Some(Self { value, unit: Unit::Code(Cow::Owned(unit)) })
    }

    /// The same, on its own.
    pub(super) fn owned<'o>(self) -> Quantity<'o> {
        Quantity { value: self.value, unit: self.unit.owned() }
    }

    /// The same with another number.
    pub(super) fn with(&self, value: Decimal) -> Self {
        Self { value, unit: self.unit.clone() }
    }
}

impl fmt::Display for Quantity<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.unit {
            Unit::Code(code) | Unit::Other(code) => write!(f, "{} '{code}'", self.value),
            Unit::Calendar(word) if self.value == Decimal::ONE => {
                write!(f, "{} {word}", self.value)
            }
            Unit::Calendar(word) => write!(f, "{} {word}s", self.value),
        }
    }
}
