//! Indirect standardisation: what a group's outcome is beside what its case mix lets expect.

use serde::Serialize;

use super::{Confidence, Interval, Undefined, poisson_mean, proportion::share, real};

/// One stratum of the case mix: the group's counts beside those of the reference.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stratum {
    /// Cases of the group with the trait.
    pub count: u64,
    /// Cases of the group.
    pub of: u64,
    /// Cases of the reference with the trait.
    pub reference_count: u64,
    /// Cases of the reference.
    pub reference_of: u64,
}

/// Observed beside expected.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Standardised {
    /// Cases of the group with the trait.
    pub observed: u64,
    /// Cases that the reference's shares let expect in the group's case mix.
    pub expected: f64,
    /// Observed over expected, without unit.
    pub ratio: f64,
    /// The interval of the ratio, from the exact Poisson interval of the observed count (wider
    /// than needed where the trait is common).
    pub interval: Interval,
    /// The reference's overall share times the ratio; it can exceed 1 where the ratio is great.
    pub share: f64,
}

/// The indirectly standardised ratio over the strata that the group has cases in.
///
/// Source: Breslow & Day, Statistical Methods in Cancer Research II, IARC 1987, chapter 2; exact
/// limits: Ulm, Am J Epidemiol 1990;131:373-375 (both from memory).
///
/// # Errors
/// [`Undefined::NoCase`] where the group is empty or a stratum has cases of the group but none of
/// the reference, [`Undefined::NothingExpected`] where the reference has no case with the trait
/// in those strata, [`Undefined::MoreThanAll`] where a count exceeds its cases.
pub fn indirect(strata: &[Stratum], confidence: Confidence) -> Result<Standardised, Undefined> {
    let mut observed = 0_u64;
    let mut expected = 0.0;
    let mut reference = (0_u64, 0_u64);
    for stratum in strata {
        if stratum.count > stratum.of || stratum.reference_count > stratum.reference_of {
            return Err(Undefined::MoreThanAll);
        }
        reference.0 = reference.0.saturating_add(stratum.reference_count);
        reference.1 = reference.1.saturating_add(stratum.reference_of);
        if stratum.of > 0 {
            observed = observed.saturating_add(stratum.count);
            expected += real(stratum.of) * share(stratum.reference_count, stratum.reference_of)?;
        }
    }
    if strata.iter().all(|stratum| stratum.of == 0) {
        return Err(Undefined::NoCase);
    }
    if expected <= 0.0 {
        return Err(Undefined::NothingExpected);
    }
    let mean = poisson_mean(observed, confidence)?;
    let ratio = real(observed) / expected;
    Ok(Standardised {
        observed,
        expected,
        ratio,
        interval: Interval { low: mean.low / expected, high: mean.high / expected },
        share: ratio * share(reference.0, reference.1)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stratum(count: u64, of: u64, reference_count: u64, reference_of: u64) -> Stratum {
        Stratum { count, of, reference_count, reference_of }
    }

    #[test]
    fn a_group_like_its_reference_has_a_ratio_of_one() {
        let strata = [stratum(3, 6, 50, 100), stratum(2, 8, 25, 100)];
        let found = indirect(&strata, Confidence::USUAL).unwrap();
        assert_eq!((found.observed, found.expected, found.ratio), (5, 5.0, 1.0));
        assert!((found.share - 0.375).abs() < 1e-15);
    }

    #[test]
    fn what_cannot_be_computed_says_why() {
        let usual = Confidence::USUAL;
        assert_eq!(indirect(&[], usual), Err(Undefined::NoCase));
        assert_eq!(indirect(&[stratum(0, 0, 1, 2)], usual), Err(Undefined::NoCase));
        assert_eq!(indirect(&[stratum(1, 2, 0, 0)], usual), Err(Undefined::NoCase));
        assert_eq!(indirect(&[stratum(1, 2, 0, 9)], usual), Err(Undefined::NothingExpected));
        assert_eq!(indirect(&[stratum(3, 2, 1, 9)], usual), Err(Undefined::MoreThanAll));
    }
}
