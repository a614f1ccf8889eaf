//! Change of a score from start to end, in the same cases.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF as _, StudentsT};

use super::{Confidence, Interval, Undefined, noncentral, real, root};

/// The paired change of a score: end minus start, in the unit of the score.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct PairedChange {
    /// Pairs.
    pub n: u64,
    /// Mean at the start.
    pub start: f64,
    /// Mean at the end.
    pub end: f64,
    /// Mean change.
    pub mean: f64,
    /// Standard deviation of the change (n - 1).
    pub deviation: f64,
    /// The interval of the mean change, by Student's t.
    pub interval: Interval,
    /// Standardised response mean: mean change over the deviation of the change.
    pub response: Result<ResponseMean, Undefined>,
    /// Effect size: mean change over the deviation at the start; no interval.
    pub effect: Result<f64, Undefined>,
}

/// A change in standard deviations of the change, without unit, with its exact interval.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct ResponseMean {
    /// The estimate.
    pub estimate: f64,
    /// The interval, by inverting the noncentral t distribution.
    pub interval: Interval,
}

/// The change from start to end over pairs `(start, end)`.
///
/// Sources: standardised response mean and effect size: Norman, Wyrwich & Patrick, Qual Life Res
/// 2007;16:815-822; the interval of a standardised mean: Steiger & Fouladi 1997 (from memory).
///
/// # Errors
/// [`Undefined::NoCase`] or [`Undefined::OneCase`] for fewer than two pairs,
/// [`Undefined::NotFinite`] where a value is none. Equal changes leave `response` undefined, equal
/// starts leave `effect` undefined.
pub fn paired_change(
    pairs: &[(f64, f64)],
    confidence: Confidence,
) -> Result<PairedChange, Undefined> {
    if pairs.iter().any(|(start, end)| !start.is_finite() || !end.is_finite()) {
        return Err(Undefined::NotFinite);
    }
    let starts: Vec<f64> = pairs.iter().map(|pair| pair.0).collect();
    let ends: Vec<f64> = pairs.iter().map(|pair| pair.1).collect();
    let changes: Vec<f64> = pairs.iter().map(|(start, end)| end - start).collect();
    let n = pairs.len() as u64;
    let (mean, deviation) = mean_and_deviation(&changes)?;
    let (start, start_deviation) = mean_and_deviation(&starts)?;
    let freedom = real(n) - 1.0;
    let t = StudentsT::new(0.0, 1.0, freedom).map_err(|_| Undefined::NotFinite)?;
    let reach = t.inverse_cdf(1.0 - confidence.tail()) * deviation / real(n).sqrt();
    Ok(PairedChange {
        n,
        start,
        end: mean_and_deviation(&ends)?.0,
        mean,
        deviation,
        interval: Interval { low: mean - reach, high: mean + reach },
        response: standardised(n, mean, deviation, confidence),
        effect: ratio(mean, start_deviation),
    })
}

/// Mean and standard deviation (n - 1), in two passes.
fn mean_and_deviation(values: &[f64]) -> Result<(f64, f64), Undefined> {
    match values.len() {
        0 => return Err(Undefined::NoCase),
        1 => return Err(Undefined::OneCase),
        _ => {}
    }
    let n = real(values.len() as u64);
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    // Equal values must give exactly no spread, also where their mean is rounded.
    let equal = values.windows(2).all(|pair| pair.first() == pair.last());
    Ok((mean, if equal { 0.0 } else { (squares / (n - 1.0)).sqrt() }))
}

fn ratio(mean: f64, deviation: f64) -> Result<f64, Undefined> {
    let found = mean / deviation;
    if deviation > 0.0 && found.is_finite() { Ok(found) } else { Err(Undefined::NoSpread) }
}

/// The standardised mean with the interval of all noncentralities that the seen t is compatible
/// with.
fn standardised(
    n: u64,
    mean: f64,
    deviation: f64,
    confidence: Confidence,
) -> Result<ResponseMean, Undefined> {
    let estimate = ratio(mean, deviation)?;
    let scale = real(n).sqrt();
    let (t, freedom) = (estimate * scale, real(n) - 1.0);
    // The probability falls as the noncentrality rises. The reach allows for the deviation being
    // uncertain too: its share of the standard error is t / sqrt(2 (n - 1)).
    let reach = 40.0 + t.abs() * (1.0 + 10.0 / freedom.sqrt());
    let at = |probability: f64| {
        root(t - reach, t + reach, |delta| probability - noncentral::cdf(t, freedom, delta)) / scale
    };
    let interval = Interval { low: at(1.0 - confidence.tail()), high: at(confidence.tail()) };
    Ok(ResponseMean { estimate, interval })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Student's own sleep data (Biometrika 1908;6:1-25, as carried by R's `sleep`): mean of the
    /// ten differences 1.58, t = 4.0621 with 9 degrees of freedom, 95 % interval 0.7001 to 2.4599.
    #[test]
    fn students_sleep_data() {
        let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
        let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
        let pairs: Vec<(f64, f64)> = first.into_iter().zip(second).collect();
        let found = paired_change(&pairs, Confidence::USUAL).unwrap();
        assert!((found.mean - 1.58).abs() < 1e-12, "{found:?}");
        assert!((found.interval.low - 0.700_114_2).abs() < 1e-6, "{found:?}");
        assert!((found.interval.high - 2.459_885_8).abs() < 1e-6, "{found:?}");
        let t = found.response.unwrap().estimate * 10.0_f64.sqrt();
        assert!((t - 4.062_128).abs() < 1e-6, "{t}");
    }

    #[test]
    fn what_cannot_be_computed_says_why() {
        let usual = Confidence::USUAL;
        assert_eq!(paired_change(&[], usual), Err(Undefined::NoCase));
        assert_eq!(paired_change(&[(1.0, 2.0)], usual), Err(Undefined::OneCase));
        assert_eq!(paired_change(&[(1.0, f64::NAN), (0.0, 0.0)], usual), Err(Undefined::NotFinite));
        let equal = paired_change(&[(5.0, 3.0), (6.0, 4.0), (9.0, 7.0)], usual).unwrap();
        assert_eq!(equal.response, Err(Undefined::NoSpread));
        assert!(equal.effect.is_ok());
        assert_eq!(equal.interval, Interval { low: -2.0, high: -2.0 });
        let same = paired_change(&[(5.0, 3.0), (5.0, 4.0)], usual).unwrap();
        assert_eq!(same.effect, Err(Undefined::NoSpread));
    }
}
