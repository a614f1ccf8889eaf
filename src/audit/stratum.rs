//! The named stratifiers: what groups of episodes are compared by.

use super::facts::Facts;
use crate::clinical::source::Day;

/// A named stratifier.
pub struct Stratifier {
    /// Its code in `audit-stratifier`.
    pub code: &'static str,
    /// The group of an episode, as code or reference; none where the record does not say.
    pub of: fn(&Facts) -> Option<String>,
    /// Whether its strata are set beside what their case mix lets expect.
    pub is_adjusted: bool,
}

/// Bands of age.
pub(super) const AGE: Stratifier =
    fixed("age-band", |facts| facts.age.map(|age| band(age).to_owned()));
/// Bands of the first disability score.
pub(super) const SEVERITY: Stratifier = fixed("baseline-severity", |facts| facts.severity.clone());

const fn fixed(code: &'static str, of: fn(&Facts) -> Option<String>) -> Stratifier {
    Stratifier { code, of, is_adjusted: false }
}

const fn adjusted(code: &'static str, of: fn(&Facts) -> Option<String>) -> Stratifier {
    Stratifier { code, of, is_adjusted: true }
}

/// Every stratifier.
pub const STRATIFIERS: &[Stratifier] = &[
    AGE,
    fixed("sex", |facts| facts.sex.clone()),
    SEVERITY,
    adjusted("referral-source", |facts| {
        if facts.referred { facts.referrer.clone() } else { Some("none".to_owned()) }
    }),
    adjusted("practitioner", |facts| facts.practitioner.clone()),
    adjusted("site", |facts| facts.site.clone()),
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

/// A calendar month, as `YYYY-MM`.
fn month(day: Day) -> String {
    format!("{:04}-{:02}", day.0.year(), u8::from(day.0.month()))
}
