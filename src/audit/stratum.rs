//! The named stratifiers: what groups of episodes are compared by.

use std::fmt;

use super::facts::Facts;
use crate::clinical::source::Day;

/// The group of an episode, as code, reference or month.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Stratum<'a> {
    /// A code or a reference.
    Text(&'a str),
    /// A calendar month: year and month.
    Month(i32, u8),
}

impl fmt::Display for Stratum<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Text(text) => f.write_str(text),
            Self::Month(year, month) => write!(f, "{year:04}-{month:02}"),
        }
    }
}

/// What gives the group of an episode; none where the record does not say.
type Of = for<'a> fn(&'a Facts) -> Option<Stratum<'a>>;

/// A named stratifier.
pub struct Stratifier {
    /// Its code in `audit-stratifier`.
    pub code: &'static str,
    /// The group of an episode; none where the record does not say.
    pub of: Of,
    /// Whether its strata are set beside what their case mix lets expect.
    pub is_adjusted: bool,
}

/// Bands of age.
pub(super) const AGE: Stratifier =
    fixed("age-band", |facts| facts.age.map(|age| Stratum::Text(band(age))));
/// Bands of the first disability score.
pub(super) const SEVERITY: Stratifier =
    fixed("baseline-severity", |facts| text(facts.severity.as_deref()));

const fn fixed(code: &'static str, of: Of) -> Stratifier {
    Stratifier { code, of, is_adjusted: false }
}

const fn adjusted(code: &'static str, of: Of) -> Stratifier {
    Stratifier { code, of, is_adjusted: true }
}

/// Every stratifier.
pub const STRATIFIERS: &[Stratifier] = &[
    AGE,
    fixed("sex", |facts| text(facts.sex.as_deref())),
    SEVERITY,
    adjusted("referral-source", |facts| {
        if facts.referred { text(facts.referrer.as_deref()) } else { Some(Stratum::Text("none")) }
    }),
    adjusted("practitioner", |facts| text(facts.practitioner.as_deref())),
    adjusted("site", |facts| text(facts.site.as_deref())),
    adjusted("month", |facts| facts.end.map(month)),
];

/// The stratifier of a code.
pub(super) fn stratifier(code: &str) -> Option<&'static Stratifier> {
    STRATIFIERS.iter().find(|stratifier| stratifier.code == code)
}

/// Bands of age at the start, in whole years (common practice, no source).
fn band(age: i64) -> &'static str {
    match age {
        ..18 => "under-18",
        18..30 => "18-29",
        30..40 => "30-39",
        40..50 => "40-49",
        50..60 => "50-59",
        60..70 => "60-69",
        70.. => "70-and-over",
    }
}

fn text(value: Option<&str>) -> Option<Stratum<'_>> {
    value.map(Stratum::Text)
}

/// The calendar month of a day.
fn month(day: Day) -> Stratum<'static> {
    Stratum::Month(day.0.year(), u8::from(day.0.month()))
}
