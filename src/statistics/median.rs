//! Median and quartiles of values in any order, with a distribution-free interval of the median.

use serde::Serialize;
use statrs::distribution::{Binomial, DiscreteCDF as _};

use super::{Confidence, Interval, Undefined, real};

/// Median, quartiles and the interval of the median, in the unit of the values.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Spread {
    /// Values.
    pub n: u64,
    /// The least value.
    pub min: f64,
    /// The first quartile.
    pub first_quartile: f64,
    /// The median.
    pub median: f64,
    /// The third quartile.
    pub third_quartile: f64,
    /// The greatest value.
    pub max: f64,
    /// Order statistics whose coverage is at least the confidence.
    pub interval: Result<Interval, Undefined>,
}

/// Median and quartiles (linear interpolation between order statistics: type 7 of Hyndman & Fan,
/// Am Stat 1996;50:361-365) with the sign-test interval of the median (Conover, Practical
/// Nonparametric Statistics, from memory).
///
/// # Errors
/// [`Undefined::NoCase`] without a value, [`Undefined::NotFinite`] where a value is none. Fewer
/// values than the confidence needs (6 for 95 %) leave the interval undefined.
pub fn spread(values: &[f64], confidence: Confidence) -> Result<Spread, Undefined> {
    if values.iter().any(|value| !value.is_finite()) {
        return Err(Undefined::NotFinite);
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (Some(&min), Some(&max)) = (sorted.first(), sorted.last()) else {
        return Err(Undefined::NoCase);
    };
    let at = |quarters: usize| quantile(&sorted, quarters);
    Ok(Spread {
        n: sorted.len() as u64,
        min,
        first_quartile: at(1),
        median: at(2),
        third_quartile: at(3),
        max,
        interval: median_interval(&sorted, confidence),
    })
}

/// The quantile at so many quarters; the values are sorted and not none.
fn quantile(sorted: &[f64], quarters: usize) -> f64 {
    let place = (sorted.len().saturating_sub(1)) * quarters;
    let value = |at: usize| sorted.get(at).or(sorted.last()).copied().unwrap_or_default();
    let (low, high) = (value(place / 4), value(place / 4 + 1));
    low + (high - low) * real((place % 4) as u64) / 4.0
}

fn median_interval(sorted: &[f64], confidence: Confidence) -> Result<Interval, Undefined> {
    let n = sorted.len() as u64;
    let halves = Binomial::new(0.5, n).map_err(|_| Undefined::NotFinite)?;
    // The greatest k with P(X < k) within the tail: the k-th least and the k-th greatest value.
    let (mut low, mut high) = (0, n);
    while low < high {
        let k = low + (high - low).div_ceil(2);
        if halves.cdf(k - 1) <= confidence.tail() { low = k } else { high = k - 1 }
    }
    let k = usize::try_from(low).map_err(|_| Undefined::NotFinite)?;
    let ends = k.checked_sub(1).and_then(|at| {
        Some(Interval { low: *sorted.get(at)?, high: *sorted.get(sorted.len().checked_sub(k)?)? })
    });
    ends.ok_or(Undefined::TooFew)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quartiles_interpolate() {
        let found = spread(&[4.0, 1.0, 3.0, 2.0], Confidence::USUAL).unwrap();
        assert_eq!((found.first_quartile, found.median, found.third_quartile), (1.75, 2.5, 3.25));
        assert_eq!(found.interval, Err(Undefined::TooFew));
    }

    /// Ten values: the 2nd and the 9th (Conover's table: coverage 97.9 %; from memory).
    #[test]
    fn the_interval_of_ten_values_is_the_second_to_the_ninth() {
        let values: Vec<f64> = (1..=10).map(f64::from).collect();
        let found = spread(&values, Confidence::USUAL).unwrap();
        assert_eq!(found.interval, Ok(Interval { low: 2.0, high: 9.0 }));
    }

    #[test]
    fn few_or_no_values() {
        assert_eq!(spread(&[], Confidence::USUAL), Err(Undefined::NoCase));
        assert_eq!(spread(&[f64::INFINITY], Confidence::USUAL), Err(Undefined::NotFinite));
        let one = spread(&[7.0], Confidence::USUAL).unwrap();
        assert_eq!((one.min, one.median, one.max), (7.0, 7.0, 7.0));
        assert_eq!(one.interval, Err(Undefined::TooFew));
        let equal = spread(&[3.0; 8], Confidence::USUAL).unwrap();
        assert_eq!(equal.interval, Ok(Interval { low: 3.0, high: 3.0 }));
    }
}
