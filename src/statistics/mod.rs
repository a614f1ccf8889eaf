//! Statistics of an outcome audit: intervals, paired change, limits of funnel and control charts.
//!
//! Pure arithmetic over counts and binary floating point: nothing clinical, no resources. Every
//! function answers with a number or with the reason why there is none ([`Undefined`]); none
//! answers NaN or an infinity, and none divides by zero. Distributions come from a library; the
//! exact numbers of single patients stay with `clinical`, which does not use floating point.

mod change;
mod control;
mod funnel;
mod median;
mod noncentral;
mod proportion;
mod rate;
mod standardise;

use serde::Serialize;
use statrs::distribution::{ContinuousCDF as _, Normal};

pub use change::{PairedChange, ResponseMean, paired_change};
pub use control::{Month, PChart, Point, RunRule, Signal, p_chart};
pub use funnel::{FunnelLimits, funnel_limits};
pub use median::{Spread, spread};
pub use proportion::{Bounds, bounds, wilson};
pub use rate::{Rate, poisson_mean, rate};
pub use standardise::{Standardised, Stratum, indirect};

/// Why there is no number.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, thiserror::Error)]
#[serde(rename_all = "kebab-case")]
pub enum Undefined {
    /// Nothing was counted.
    #[error("no case: there is nothing to compute from")]
    NoCase,
    /// One value has no spread.
    #[error("one case: a spread, and an interval, need two")]
    OneCase,
    /// All values are the same, so that a ratio to their spread has no meaning.
    #[error("all values are equal: there is no spread to compare with")]
    NoSpread,
    /// No exposure to count events in.
    #[error("no exposure: there was nothing in which an event could happen")]
    NoExposure,
    /// The reference expects no event at all.
    #[error("the reference expects none: there is nothing to compare with")]
    NothingExpected,
    /// More cases have the trait than there are cases.
    #[error("the numerator is greater than the denominator")]
    MoreThanAll,
    /// A number that is none: not finite, or outside its domain.
    #[error("a value is not a finite number in its domain")]
    NotFinite,
    /// Too few cases for an interval at this confidence.
    #[error("too few cases for an interval at this confidence")]
    TooFew,
}

/// A two-sided interval, both ends in the unit of the estimate.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Interval {
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// The confidence of an interval: a probability between 0 and 1, both excluded.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(transparent)]
pub struct Confidence(f64);

impl Confidence {
    /// The customary 95 %.
    pub const USUAL: Self = Self(0.95);

    /// A confidence, where the value is a probability between 0 and 1.
    ///
    /// # Errors
    /// [`Undefined::NotFinite`] for any other value.
    pub fn new(value: f64) -> Result<Self, Undefined> {
        let inside = value > 0.0 && value < 1.0;
        if inside { Ok(Self(value)) } else { Err(Undefined::NotFinite) }
    }

    /// The probability.
    pub fn get(self) -> f64 {
        self.0
    }

    /// The probability beyond each end.
    fn tail(self) -> f64 {
        (1.0 - self.0) / 2.0
    }

    /// How many standard errors each way, by the normal distribution (1.96 for 95 %).
    fn normal(self) -> f64 {
        -Normal::standard().inverse_cdf(self.tail())
    }
}

/// A count as a real number; counts here stay far below 2^53.
#[expect(clippy::cast_precision_loss, reason = "counts of cases stay far below 2^53")]
fn real(count: u64) -> f64 {
    count as f64
}

/// The root of a function that rises through zero between `low` and `high`, to the last bits.
fn root(mut low: f64, mut high: f64, rising: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let middle = low.midpoint(high);
        if middle <= low || middle >= high {
            break;
        }
        if rising(middle) < 0.0 { low = middle } else { high = middle }
    }
    low.midpoint(high)
}

/// The root of a rising function above `start`, found by doubling the reach first.
fn root_above(start: f64, rising: impl Fn(f64) -> f64) -> f64 {
    let mut reach = 1.0;
    while rising(start + reach) < 0.0 && reach < 1e12 {
        reach *= 2.0;
    }
    root(start, start + reach, rising)
}
