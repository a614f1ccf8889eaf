//! Limits of a funnel plot for proportions.

use serde::Serialize;
use statrs::distribution::{Binomial, Discrete as _, DiscreteCDF as _};

use super::{Confidence, Interval, Undefined, real};

/// Where the share of a group of one size should lie if its true share is the target.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct FunnelLimits {
    /// Cases in the group.
    pub n: u64,
    /// The limits, as shares from 0 to 1.
    pub limits: Interval,
}

/// Exact binomial limits, interpolated between neighbouring counts so that they run smoothly.
///
/// Source: Spiegelhalter, Stat Med 2005;24:1185-1202, appendix A.1.1 (from memory). The usual
/// confidences are 0.95 and 0.998.
///
/// # Errors
/// [`Undefined::NoCase`] where `n` is 0, [`Undefined::NotFinite`] where the target is not from 0
/// to 1.
pub fn funnel_limits(
    target: f64,
    n: u64,
    confidence: Confidence,
) -> Result<FunnelLimits, Undefined> {
    if !(0.0..=1.0).contains(&target) {
        return Err(Undefined::NotFinite);
    }
    if n == 0 {
        return Err(Undefined::NoCase);
    }
    let counts = Binomial::new(target, n).map_err(|_| Undefined::NotFinite)?;
    let at = |probability: f64| (interpolated(&counts, probability) / real(n)).clamp(0.0, 1.0);
    let limits = Interval { low: at(confidence.tail()), high: at(1.0 - confidence.tail()) };
    Ok(FunnelLimits { n, limits })
}

/// The count at which the distribution function, drawn as a line, reaches the probability.
fn interpolated(counts: &Binomial, probability: f64) -> f64 {
    let (mut low, mut high) = (0, counts.n());
    while low < high {
        let middle = low.midpoint(high);
        if counts.cdf(middle) >= probability { high = middle } else { low = middle + 1 }
    }
    let mass = counts.pmf(low);
    let beyond = counts.cdf(low) - probability;
    if mass > 0.0 { real(low) - beyond / mass } else { real(low) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_narrow_with_size_and_enclose_the_target() {
        let mut last = 1.0;
        for n in [5, 20, 80, 320, 5_000, 100_000] {
            let found = funnel_limits(0.6, n, Confidence::USUAL).unwrap().limits;
            assert!(found.low < 0.6 && 0.6 < found.high, "{n}: {found:?}");
            assert!(found.high - found.low < last);
            last = found.high - found.low;
        }
    }

    #[test]
    fn a_target_of_all_or_none_has_no_width() {
        for target in [0.0, 1.0] {
            let found = funnel_limits(target, 9, Confidence::USUAL).unwrap().limits;
            assert!((0.0..=1.0).contains(&found.low) && found.high <= 1.0, "{found:?}");
        }
        assert_eq!(funnel_limits(0.5, 0, Confidence::USUAL), Err(Undefined::NoCase));
        assert_eq!(funnel_limits(1.5, 3, Confidence::USUAL), Err(Undefined::NotFinite));
    }
}
