//! The named quantities that continuous and ratio measures add up or average.

use super::facts::{Facts, Pair};

/// A named quantity of an episode.
pub struct Quantity {
    /// Its code in `audit-criterion`.
    pub code: &'static str,
    /// Its UCUM unit.
    pub unit: &'static str,
    /// Its value; none where the record does not say.
    pub of: fn(&Facts) -> Option<f64>,
    /// The scores at both ends, where it is a change of a score.
    pub pair: Option<fn(&Facts) -> Option<Pair>>,
}

/// Every quantity.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        code: "disability-change",
        unit: "%",
        of: |facts| facts.disability?.change(),
        pair: Some(|facts| facts.disability),
    },
    Quantity {
        code: "pain-change",
        unit: "{score}",
        of: |facts| facts.pain?.change(),
        pair: Some(|facts| facts.pain),
    },
    Quantity {
        code: "function-change",
        unit: "{score}",
        of: |facts| facts.function?.change(),
        pair: Some(|facts| facts.function),
    },
    plain("attended-visits", "{visit}", |facts| Some(facts.attended.into())),
    plain("days", "d", |facts| i32::try_from(facts.days()?).ok().map(f64::from)),
    plain("adverse-events", "{event}", |facts| Some(facts.adverse_events.into())),
];

const fn plain(code: &'static str, unit: &'static str, of: fn(&Facts) -> Option<f64>) -> Quantity {
    Quantity { code, unit, of, pair: None }
}

/// The quantity of a code.
pub(super) fn quantity(code: &str) -> Option<&'static Quantity> {
    QUANTITIES.iter().find(|quantity| quantity.code == code)
}
