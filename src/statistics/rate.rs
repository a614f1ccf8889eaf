//! Rates of events in an exposure, with exact Poisson intervals.

use serde::Serialize;
use statrs::function::gamma::checked_gamma_lr;

use super::{Confidence, Interval, Undefined, real, root, root_above};

/// Events in an exposure: `estimate` and `interval` are events for one unit of exposure.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Rate {
    /// Events for one unit of exposure.
    pub estimate: f64,
    /// The exact interval of the rate.
    pub interval: Interval,
}

/// The rate of `events` in `exposure` units (visits, days), with its exact interval.
///
/// # Errors
/// [`Undefined::NoExposure`] where the exposure is not above zero, [`Undefined::NotFinite`] where
/// it is no number.
pub fn rate(events: u64, exposure: f64, confidence: Confidence) -> Result<Rate, Undefined> {
    if !exposure.is_finite() {
        return Err(Undefined::NotFinite);
    }
    if exposure <= 0.0 {
        return Err(Undefined::NoExposure);
    }
    let mean = poisson_mean(events, confidence)?;
    let interval = Interval { low: mean.low / exposure, high: mean.high / exposure };
    Ok(Rate { estimate: real(events) / exposure, interval })
}

/// The exact interval of a Poisson mean of which `events` were seen: the means whose tail
/// probabilities are those of the confidence.
///
/// Source: Garwood, Biometrika 1936;28:437-442 (quantiles of the gamma distribution with shapes
/// `events` and `events + 1`).
///
/// # Errors
/// [`Undefined::NotFinite`] where the distribution cannot be computed.
pub fn poisson_mean(events: u64, confidence: Confidence) -> Result<Interval, Undefined> {
    let tail = confidence.tail();
    let low = if events == 0 { 0.0 } else { gamma_quantile(real(events), tail)? };
    let high = gamma_quantile(real(events) + 1.0, 1.0 - tail)?;
    Ok(Interval { low, high })
}

/// Where the gamma distribution of a shape (rate 1) reaches a probability.
fn gamma_quantile(shape: f64, probability: f64) -> Result<f64, Undefined> {
    // The library's own quantile stops at a relative step of about 1e-8; its distribution
    // function is good to the last digits, so the root is taken of that.
    let beyond = |x: f64| checked_gamma_lr(shape, x).unwrap_or(1.0) - probability;
    let found =
        if beyond(shape) < 0.0 { root_above(shape, beyond) } else { root(0.0, shape, beyond) };
    if found.is_finite() { Ok(found) } else { Err(Undefined::NotFinite) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact 95 % limits of a Poisson count, Pearson & Hartley's Table 40 (values from memory).
    #[test]
    fn published_limits_of_a_count() {
        for (events, low, high) in [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39)] {
            let found = poisson_mean(events, Confidence::USUAL).unwrap();
            assert!((found.low - low).abs() < 5e-4, "{events}: {found:?}");
            assert!((found.high - high).abs() < 5e-3, "{events}: {found:?}");
        }
    }

    #[test]
    fn a_rate_needs_exposure() {
        assert_eq!(rate(0, 0.0, Confidence::USUAL), Err(Undefined::NoExposure));
        assert_eq!(rate(1, f64::NAN, Confidence::USUAL), Err(Undefined::NotFinite));
        let found = rate(2, 1000.0, Confidence::USUAL).unwrap();
        assert!((found.estimate - 0.002).abs() < 1e-15, "{found:?}");
        assert!(found.interval.low < 0.002 && 0.002 < found.interval.high);
    }
}
