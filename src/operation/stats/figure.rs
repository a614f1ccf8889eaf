//! The statistics of a list of numbers, exact as far as decimals go.
//!
//! No binary floating point: sums, products and roots are decimals of 28 digits; what would need
//! more is no figure. Results are rounded to twelve significant digits.
//! Source: <http://hl7.org/fhir/R4/valueset-observation-statistics.html> names them; how those are
//! computed of which it does not say: NIST/SEMATECH e-Handbook of Statistical Methods,
//! percentiles by p(N+1) (<https://www.itl.nist.gov/div898/handbook/prc/section2/prc252.htm>),
//! standard deviation with N−1 (<https://www.itl.nist.gov/div898/handbook/eda/section3/eda356.htm>),
//! skewness and kurtosis with N (<https://www.itl.nist.gov/div898/handbook/eda/section3/eda35b.htm>).

use rust_decimal::{Decimal, RoundingStrategy};

/// A code of the value set.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Statistic {
    /// The code.
    pub(super) code: &'static str,
    /// Its display in the code system.
    pub(super) display: &'static str,
    /// What is computed.
    pub(super) kind: Kind,
}

/// What is computed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    /// Values that were used.
    Count,
    /// Values that there are.
    TotalCount,
    /// The mean.
    Average,
    /// The sum.
    Sum,
    /// The variance, with N−1.
    Variance,
    /// Its root.
    Deviation,
    /// The value below which that share lies, in hundredths; 0 and 100 are the least and greatest.
    Percentile(u8),
    /// Half the distance between the quartiles.
    QuartileDeviation,
    /// The skewness.
    Skew,
    /// The kurtosis; that of a normal distribution is 3.
    Kurtosis,
    /// A line through the values over time.
    Regression,
}

macro_rules! statistics {
    ($($code:literal $display:literal $kind:expr;)*) => {
        &[$(Statistic { code: $code, display: $display, kind: $kind }),*]
    };
}

/// All codes of <http://terminology.hl7.org/CodeSystem/observation-statistics> 4.0.1.
pub(super) const ALL: &[Statistic] = statistics! {
    "average" "Average" Kind::Average;
    "maximum" "Maximum" Kind::Percentile(100);
    "minimum" "Minimum" Kind::Percentile(0);
    "count" "Count" Kind::Count;
    "total-count" "Total Count" Kind::TotalCount;
    "median" "Median" Kind::Percentile(50);
    "std-dev" "Standard Deviation" Kind::Deviation;
    "sum" "Sum" Kind::Sum;
    "variance" "Variance" Kind::Variance;
    "20-percent" "20th Percentile" Kind::Percentile(20);
    "80-percent" "80th Percentile" Kind::Percentile(80);
    "4-lower" "Lower Quartile" Kind::Percentile(25);
    "4-upper" "Upper Quartile" Kind::Percentile(75);
    "4-dev" "Quartile Deviation" Kind::QuartileDeviation;
    "5-1" "1st Quintile" Kind::Percentile(20);
    "5-2" "2nd Quintile" Kind::Percentile(40);
    "5-3" "3rd Quintile" Kind::Percentile(60);
    "5-4" "4th Quintile" Kind::Percentile(80);
    "skew" "Skew" Kind::Skew;
    "kurtosis" "Kurtosis" Kind::Kurtosis;
    "regression" "Regression" Kind::Regression;
};

/// A value at a time, in days.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Point {
    /// The time.
    pub(super) at: Decimal,
    /// The value.
    pub(super) value: Decimal,
}

/// A figure of the values; none where there are too few, or it has no place in a decimal.
pub(super) fn figure(kind: Kind, points: &[Point]) -> Option<Decimal> {
    let mut values: Vec<Decimal> = points.iter().map(|point| point.value).collect();
    values.sort();
    let figure = match kind {
        Kind::Count | Kind::TotalCount => count(values.len())?,
        Kind::Average => mean(&values)?,
        Kind::Sum => sum(values.iter().copied())?,
        Kind::Variance => variance(&values)?,
        Kind::Deviation => root(variance(&values)?)?,
        Kind::Percentile(share) => percentile(&values, share)?,
        Kind::QuartileDeviation => {
            let distance = percentile(&values, 75)?.checked_sub(percentile(&values, 25)?)?;
            distance.checked_div(Decimal::TWO)?
        }
        Kind::Skew => {
            let second = moment(&values, 2)?;
            let third = moment(&values, 3)?;
            third.checked_div(second)?.checked_div(root(second)?)?
        }
        Kind::Kurtosis => {
            let second = moment(&values, 2)?;
            moment(&values, 4)?.checked_div(second)?.checked_div(second)?
        }
        Kind::Regression => return None,
    };
    Some(round(figure))
}

/// The line of least squares: what it gains a day, and where it stands at time 0.
pub(super) fn regression(points: &[Point]) -> Option<(Decimal, Decimal)> {
    let x: Vec<Decimal> = points.iter().map(|point| point.at).collect();
    let y: Vec<Decimal> = points.iter().map(|point| point.value).collect();
    let (mean_x, mean_y) = (mean(&x)?, mean(&y)?);
    let mut products = Decimal::ZERO;
    let mut squares = Decimal::ZERO;
    for (x, y) in x.iter().zip(&y) {
        let (x, y) = (x.checked_sub(mean_x)?, y.checked_sub(mean_y)?);
        products = products.checked_add(x.checked_mul(y)?)?;
        squares = squares.checked_add(x.checked_mul(x)?)?;
    }
    let gradient = products.checked_div(squares)?;
    let intercept = mean_y.checked_sub(gradient.checked_mul(mean_x)?)?;
    Some((round(gradient), round(intercept)))
}

fn round(figure: Decimal) -> Decimal {
    let strategy = RoundingStrategy::MidpointAwayFromZero;
    figure.round_sf_with_strategy(12, strategy).unwrap_or(figure).normalize()
}

fn count(values: usize) -> Option<Decimal> {
    u64::try_from(values).ok().map(Decimal::from)
}

fn sum(mut values: impl Iterator<Item = Decimal>) -> Option<Decimal> {
    values.try_fold(Decimal::ZERO, Decimal::checked_add)
}

fn mean(values: &[Decimal]) -> Option<Decimal> {
    sum(values.iter().copied())?.checked_div(count(values.len())?)
}

/// The mean of that power of the distances from the mean.
fn moment(values: &[Decimal], power: u32) -> Option<Decimal> {
    let mean = mean(values)?;
    let mut total = Decimal::ZERO;
    for value in values {
        let distance = value.checked_sub(mean)?;
        let mut product = Decimal::ONE;
        for _ in 0..power {
            product = product.checked_mul(distance)?;
        }
        total = total.checked_add(product)?;
    }
    total.checked_div(count(values.len())?)
}

fn variance(values: &[Decimal]) -> Option<Decimal> {
    let n = count(values.len())?;
    moment(values, 2)?.checked_mul(n)?.checked_div(n.checked_sub(Decimal::ONE)?)
}

/// Y(p) = Y[k] + d (Y[k+1] − Y[k]) with p (N+1) = k + d; the least or greatest beyond the ends.
fn percentile(sorted: &[Decimal], share: u8) -> Option<Decimal> {
    let share = Decimal::new(i64::from(share), 2);
    let place = share.checked_mul(count(sorted.len())?.checked_add(Decimal::ONE)?)?;
    let k = usize::try_from(i128::try_from(place.floor()).ok()?).ok()?;
    if k == 0 {
        return sorted.first().copied();
    }
    let Some(above) = sorted.get(k) else { return sorted.last().copied() };
    let below = sorted.get(k - 1)?;
    let step = above.checked_sub(*below)?.checked_mul(place.fract())?;
    below.checked_add(step)
}

/// The square root, by Newton's method.
fn root(square: Decimal) -> Option<Decimal> {
    if square.is_zero() {
        return Some(square);
    }
    if square.is_sign_negative() {
        return None;
    }
    // Never below the root, by the means of 1 and the square; it falls from there, by half at first.
    let mut guess = square.checked_div(Decimal::TWO)?.checked_add(Decimal::ONE)?;
    for _ in 0..256 {
        let next = guess.checked_add(square.checked_div(guess)?)?.checked_div(Decimal::TWO)?;
        if next >= guess {
            return Some(next.min(guess));
        }
        guess = next;
    }
    Some(guess)
}

#[cfg(test)]
mod tests {
    use std::str::FromStr;

    use super::*;

    fn decimal(text: &str) -> Decimal {
        Decimal::from_str(text).unwrap()
    }

    fn points(values: &str) -> Vec<Point> {
        let values = values.split(' ').map(decimal).enumerate();
        values.map(|(at, value)| Point { at: count(at).unwrap(), value }).collect()
    }

    fn check(code: &str, values: &str, expected: &str) {
        let statistic = ALL.iter().find(|statistic| statistic.code == code).unwrap();
        let found = figure(statistic.kind, &points(values)).map(|figure| figure.to_string());
        assert_eq!(found.unwrap_or_default(), expected, "{code} {values}");
    }

    /// NIST/SEMATECH e-Handbook 7.2.5.2, twelve resistivities: the 90th percentile is 95.1981.
    #[test]
    fn percentiles_of_the_handbook() {
        let values = "95.1772 95.1567 95.1937 95.1959 95.1442 95.0610 95.1591 95.1195 95.1065 \
                      95.0925 95.1990 95.1682";
        let sorted = figure(Kind::Percentile(90), &points(values)).unwrap();
        assert_eq!(sorted.round_dp(4).to_string(), "95.1981");
        // The rest by the same rule, worked by hand: 0.2 (13) = 2.6, 0.25 (13) = 3.25 and so on.
        check("20-percent", values, "95.1009");
        check("4-lower", values, "95.10975");
        check("4-upper", values, "95.189575");
        check("4-dev", values, "0.0399125");
        check("median", values, "95.1579");
        check("minimum", values, "95.061");
        check("maximum", values, "95.199");
    }

    /// NIST Statistical Reference Datasets, `NumAcc1`: certified mean 10000002, standard deviation 1;
    /// `NumAcc2`: 1.2 and 0.1 (<https://www.itl.nist.gov/div898/strd/univ/homepage.html>).
    #[test]
    fn certified_mean_and_deviation() {
        let values = "10000001 10000003 10000002";
        check("average", values, "10000002");
        check("std-dev", values, "1");
        let many = format!("1.2{}", " 1.1 1.3".repeat(500));
        check("average", &many, "1.2");
        check("std-dev", &many, "0.1");
        check("count", &many, "1001");
    }

    /// Anscombe, Graphs in Statistical Analysis, The American Statistician 27 (1973) 17-21, first
    /// set: mean of y 7.5, line y = 3 + 0.5 x, each to the digits printed there.
    #[test]
    fn a_line() {
        let x = ["10", "8", "13", "9", "11", "14", "6", "4", "12", "7", "5"];
        let y = "8.04 6.95 7.58 8.81 8.33 9.96 7.24 4.26 10.84 4.82 5.68";
        let points: Vec<Point> = points(y)
            .into_iter()
            .zip(x)
            .map(|(point, x)| Point { at: decimal(x), ..point })
            .collect();
        let (gradient, intercept) = regression(&points).unwrap();
        assert_eq!(
            (gradient.round_dp(2), intercept.round_dp(2)),
            (decimal("0.50"), decimal("3.00"))
        );
        let mean = figure(Kind::Average, &points).unwrap();
        assert_eq!(mean.round_dp(1), decimal("7.5"));
        let same = vec![Point { at: Decimal::ONE, value: Decimal::ONE }; 3];
        assert_eq!(regression(&same), None, "no time has passed");
    }

    /// One success in four trials has the moments of a Bernoulli distribution with p = 1/4:
    /// skewness (1 − 2p) / √(pq), kurtosis 3 + (1 − 6pq) / (pq).
    #[test]
    fn shape() {
        check("skew", "0 0 0 1", "1.15470053838");
        check("kurtosis", "0 0 0 1", "2.33333333333");
        check("skew", "1 2 3", "0");
        check("skew", "2 2 2", "");
        check("kurtosis", "2", "");
    }

    #[test]
    fn too_few() {
        check("average", "2", "2");
        check("variance", "2", "");
        check("std-dev", "2", "");
        check("median", "2", "2");
        check("5-4", "2 4", "4");
        assert_eq!(figure(Kind::Average, &[]), None);
        assert_eq!(figure(Kind::Percentile(50), &[]), None);
        assert_eq!(figure(Kind::Sum, &[]), Some(Decimal::ZERO));
    }

    #[test]
    fn roots() {
        for (square, expected) in [("4", "2"), ("0.0004", "0.02"), ("0", "0")] {
            assert_eq!(root(decimal(square)).unwrap().normalize(), decimal(expected));
        }
        // √2 to 27 digits (OEIS A002193).
        let two = root(Decimal::TWO).unwrap();
        assert_eq!(two.round_dp(26).to_string(), "1.41421356237309504880168872");
        assert_eq!(root(decimal("-1")), None);
        assert!(root(Decimal::MAX).is_some() && root(Decimal::new(1, 28)).is_some());
    }
}
