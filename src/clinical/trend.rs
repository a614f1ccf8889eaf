//! The trend of a series: Theil-Sen slope with an exact 95 % interval.
//!
//! The slope is the median of the slopes between every two days; the interval leaves out as many
//! slopes at either end as Kendall's distribution allows for 2.5 %, so it never covers less than
//! 95 %. Below five values no such interval exists, and none is given. A trend describes what was
//! reported; it foretells nothing. Not done here: no correction for ties, which makes the interval
//! wider, never narrower; no more than the latest 200 days, as the work grows with their square.
//! Several values of one day count as one, their mean: between them there is no slope.
//! Sources: Theil 1950; Sen 1968, J Am Stat Assoc 63:1379-89 (from memory, unconfirmed); the number
//! of permutations by inversions is OEIS A008302.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::Serialize;

use crate::clinical::number::Number;
use crate::clinical::outcome::mean;
use crate::clinical::source::Day;

/// The most values that a trend uses.
const MOST: usize = 200;

/// The trend of a series of counts.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Trend {
    /// The method, by name.
    pub method: &'static str,
    /// The slope, for each week.
    pub per_week: Number,
    /// The ends of the 95 % interval of the slope; none below five values.
    pub interval: Option<[Number; 2]>,
    /// How many days with a value it rests on.
    pub values: usize,
}

/// The trend of values by day; none where fewer than two days have one.
pub fn trend(values: &[(Day, Number)]) -> Option<Trend> {
    let values = by_day(values);
    let values = values.get(values.len().saturating_sub(MOST)..).unwrap_or_default();
    let mut slopes = Vec::new();
    for (at, (day, value)) in values.iter().enumerate() {
        for (later, other) in values.iter().skip(at + 1) {
            let days = Decimal::from(later.since(*day));
            let weekly = (other - value).checked_mul(Decimal::from(7));
            slopes.extend(weekly.and_then(|rise| rise.checked_div(days)));
        }
    }
    slopes.sort_unstable();
    let left_out = left_out(values.len());
    let ends = left_out.and_then(|left| {
        Some([*slopes.get(left)?, *slopes.get(slopes.len().checked_sub(left + 1)?)?])
    });
    Some(Trend {
        method: "theil-sen",
        per_week: median(&slopes)?.into(),
        interval: ends.map(|ends| ends.map(Number::new)),
        values: values.len(),
    })
}

/// One value for each day: the mean of its values.
fn by_day(values: &[(Day, Number)]) -> Vec<(Day, Decimal)> {
    let mut days: BTreeMap<Day, Vec<Decimal>> = BTreeMap::new();
    for (day, value) in values {
        days.entry(*day).or_default().push(value.get());
    }
    days.into_iter().filter_map(|(day, values)| Some((day, mean(values.iter())?))).collect()
}

fn median(sorted: &[Decimal]) -> Option<Decimal> {
    let upper = *sorted.get(sorted.len() / 2)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get((sorted.len() / 2).checked_sub(1)?)?;
    Some((lower + upper) / Decimal::TWO)
}

/// How many slopes are left out at either end: the most inversions of a random order of `n` that are
/// reached with a probability of at most 2.5 %; none where even one order in all is likelier.
fn left_out(n: usize) -> Option<usize> {
    // The share of orders by inversions grows from one value to the next; only its tail is needed.
    let mut shares = vec![1.0_f64];
    for values in 2..=n {
        let pairs = values * (values - 1) / 2;
        let of = f64::from(u32::try_from(values).ok()?);
        let mut next = Vec::with_capacity(pairs + 1);
        let mut window = 0.0;
        for inversions in 0..=pairs {
            window += shares.get(inversions).copied().unwrap_or_default();
            if let Some(gone) = inversions.checked_sub(values) {
                window -= shares.get(gone).copied().unwrap_or_default();
            }
            next.push(window / of);
        }
        shares = next;
    }
    let mut sum = 0.0;
    let within = shares.iter().take_while(|share| {
        sum += **share;
        sum <= 0.025
    });
    within.count().checked_sub(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(counts: &[u8]) -> Vec<(Day, Number)> {
        let first = Day::parse("2026-03-02").unwrap();
        let day = |week: usize| Day(first.0 + time::Duration::weeks(i64::try_from(week).unwrap()));
        counts.iter().enumerate().map(|(at, n)| (day(at), Number::from(*n))).collect()
    }

    fn text(trend: &Trend) -> String {
        let ends = trend.interval.map(|[low, high]| format!(" {low} {high}"));
        format!("{}{}", trend.per_week, ends.unwrap_or_default())
    }

    /// By hand: the ten slopes of 15, 8, 3, 1, 0 are -7 -6 -5 -4.67 -3.75 -3.5 -2.67 -2 -1.5 -1;
    /// the middle of the fifth and the sixth is -3.625; of five values none is left out.
    #[test]
    fn a_falling_series() {
        assert_eq!(text(&trend(&values(&[15, 8, 3, 1, 0])).unwrap()), "-3.63 -7 -1");
        assert_eq!(text(&trend(&values(&[4, 4, 4, 4, 4])).unwrap()), "0 0 0");
        assert_eq!(text(&trend(&values(&[10, 2, 0, 0])).unwrap()), "-2.67");
        assert!(trend(&values(&[3])).is_none());
    }

    /// Several values of one day are one, and leave the interval as it is.
    #[test]
    fn values_of_one_day() {
        let mut twice = values(&[15, 8, 3, 1, 0]);
        twice.extend(values(&[15, 8, 3, 1, 0]));
        assert_eq!(text(&trend(&twice).unwrap()), "-3.63 -7 -1");
        let mut mixed = values(&[14, 8, 3, 1, 0]);
        mixed.insert(0, values(&[16]).remove(0));
        assert_eq!(text(&trend(&mixed).unwrap()), "-3.63 -7 -1", "the mean of 14 and 16 is 15");
        assert_eq!(trend(&mixed).unwrap().values, 5);
    }

    /// Orders of n by inversions (OEIS A008302): n = 5 has 1, 4, 9 …; n = 6 has 1, 5, 14 …; n = 8
    /// has 1, 7, 27, 76, 174, 343 … So 1/120, not 5/120; 6/720, not 20/720; 76/5040; 628/40320.
    #[test]
    fn slopes_left_out_follow_from_inversions() {
        for (n, expected) in [(4, None), (5, Some(0)), (6, Some(1)), (7, Some(3)), (8, Some(5))] {
            assert_eq!(left_out(n), expected, "{n}");
        }
        assert!(left_out(200).is_some());
    }
}
