//! The named stratifiers: what groups of episodes are compared by.

use super::facts::Facts;
use crate::clinical::source::Day;

/// A named stratifier.
pub struct Stratifier {
    /// Its code in `audit-stratifier`.
    pub code: &'static str,
    /// The group of an episode, as code or reference; none where the record does not say.
    pub of: fn(&Facts) -> Option<String>,
}

/// Every stratifier.
pub const STRATIFIERS: &[Stratifier] = &[
    Stratifier { code: "age-band", of: |facts| facts.age.map(|age| band(age).to_owned()) },
    Stratifier { code: "sex", of: |facts| facts.sex.clone() },
    Stratifier { code: "baseline-severity", of: |facts| facts.severity.clone() },
    Stratifier {
        code: "referral-source",
        of: |facts| {
            if facts.referred { facts.referrer.clone() } else { Some("none".to_owned()) }
        },
    },
    Stratifier { code: "practitioner", of: |facts| facts.practitioner.clone() },
    Stratifier { code: "site", of: |facts| facts.site.clone() },
    Stratifier { code: "month", of: |facts| facts.end.map(month) },
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
