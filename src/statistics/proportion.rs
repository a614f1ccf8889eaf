//! Proportions: their interval, and what missing cases could make of them.

use serde::Serialize;

use super::{Confidence, Interval, Undefined, real};

/// The score interval of a proportion without continuity correction.
///
/// Source: Wilson, J Am Stat Assoc 1927;22:209-212; method 3 of Newcombe, Stat Med
/// 1998;17:857-872.
///
/// # Errors
/// [`Undefined::NoCase`] where `of` is 0, [`Undefined::MoreThanAll`] where `count` exceeds it.
pub fn wilson(count: u64, of: u64, confidence: Confidence) -> Result<Interval, Undefined> {
    share(count, of)?;
    let (x, n, z) = (real(count), real(of), confidence.normal());
    let centre = 2.0 * x + z * z;
    let reach = z * (z * z + 4.0 * x * (n - x) / n).sqrt();
    let scale = 2.0 * (n + z * z);
    let low = if count == 0 { 0.0 } else { (centre - reach) / scale };
    let high = if count == of { 1.0 } else { (centre + reach) / scale };
    Ok(Interval { low, high })
}

/// A proportion as a number from 0 to 1.
///
/// # Errors
/// As for [`wilson`].
pub(super) fn share(count: u64, of: u64) -> Result<f64, Undefined> {
    match of {
        0 => Err(Undefined::NoCase),
        _ if count > of => Err(Undefined::MoreThanAll),
        _ => Ok(real(count) / real(of)),
    }
}

/// What a proportion could be if every missing case were known.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Bounds {
    /// The share if none of the missing cases had the trait.
    pub none: f64,
    /// The share if each of the missing cases had it.
    pub each: f64,
}

/// The proportion with `missing` further cases, of which none or each has the trait (extreme-case
/// bounds: Manski, Am Econ Rev 1990;80:319-323, from memory).
///
/// # Errors
/// As for [`wilson`], over known and missing cases together.
pub fn bounds(count: u64, known: u64, missing: u64) -> Result<Bounds, Undefined> {
    if count > known {
        return Err(Undefined::MoreThanAll);
    }
    let all = known.saturating_add(missing);
    Ok(Bounds { none: share(count, all)?, each: share(count.saturating_add(missing), all)? })
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "these values are exact")]
mod tests {
    use super::*;

    /// Newcombe 1998, Table I, method 3 (values from memory; the peer check holds the formula to a
    /// statistics library).
    #[test]
    fn published_examples_of_the_score_interval() {
        let examples = [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ];
        for (count, of, low, high) in examples {
            let found = wilson(count, of, Confidence::USUAL).unwrap();
            assert!((found.low - low).abs() < 5e-5, "{count}/{of}: {found:?}");
            assert!((found.high - high).abs() < 5e-5, "{count}/{of}: {found:?}");
        }
    }

    #[test]
    fn ends_touch_zero_and_one_exactly() {
        assert_eq!(wilson(0, 7, Confidence::USUAL).unwrap().low, 0.0);
        assert_eq!(wilson(7, 7, Confidence::USUAL).unwrap().high, 1.0);
    }

    #[test]
    fn what_cannot_be_computed_says_why() {
        assert_eq!(wilson(0, 0, Confidence::USUAL), Err(Undefined::NoCase));
        assert_eq!(wilson(2, 1, Confidence::USUAL), Err(Undefined::MoreThanAll));
        assert_eq!(bounds(0, 0, 0), Err(Undefined::NoCase));
        assert_eq!(bounds(3, 2, 9), Err(Undefined::MoreThanAll));
    }

    #[test]
    fn missing_cases_widen_the_bounds() {
        assert_eq!(bounds(6, 8, 2).unwrap(), Bounds { none: 0.6, each: 0.8 });
        assert_eq!(bounds(0, 0, 4).unwrap(), Bounds { none: 0.0, each: 1.0 });
    }
}
