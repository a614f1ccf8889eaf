//! A control chart of proportions over months, with rules for runs.
//!
//! Sources: p-chart limits: Montgomery, Introduction to Statistical Quality Control; run rules:
//! Nelson, J Qual Technol 1984;16:237-239 (tests 1, 2, 3, 5, 6; from memory).

use serde::Serialize;

use super::{Interval, Undefined, proportion::share, real};

/// Counts of one month (or another span); months without a case carry none.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Month {
    /// Cases with the trait.
    pub count: u64,
    /// Cases.
    pub of: u64,
}

/// A chart: its centre, and for each month in order the share, the limits and the signals.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PChart {
    /// The share over all months.
    pub centre: f64,
    /// One for each month given; none for a month without a case.
    pub points: Vec<Option<Point>>,
    /// What the run rules noticed, by the month that completes the pattern.
    pub signals: Vec<Signal>,
}

/// One month of a chart.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Point {
    /// The share of the month.
    pub share: f64,
    /// Three standard errors each way, cut at 0 and 1.
    pub limits: Interval,
    /// Distance from the centre in standard errors; 0 where the centre is 0 or 1.
    pub distance: f64,
}

/// A pattern that chance seldom makes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Signal {
    /// The month, counted from 0, that completes the pattern.
    pub month: usize,
    /// The rule.
    pub rule: RunRule,
}

/// The rules that a chart is read by.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunRule {
    /// One point beyond three standard errors.
    BeyondLimits,
    /// Nine points in a row on one side of the centre.
    NineOnOneSide,
    /// Six points in a row steadily rising or falling.
    SixInATrend,
    /// Two of three points in a row beyond two standard errors, on one side.
    TwoOfThree,
    /// Four of five points in a row beyond one standard error, on one side.
    FourOfFive,
}

impl RunRule {
    /// All rules with the number of points that each looks at.
    const ALL: [(Self, usize); 5] = [
        (Self::BeyondLimits, 1),
        (Self::NineOnOneSide, 9),
        (Self::SixInATrend, 6),
        (Self::TwoOfThree, 3),
        (Self::FourOfFive, 5),
    ];

    /// Whether the last of the points completes the pattern.
    fn holds(self, points: &[Point]) -> bool {
        match self {
            Self::BeyondLimits => on_one_side(points, 3.0, 1),
            Self::NineOnOneSide => on_one_side(points, 0.0, 9),
            Self::TwoOfThree => on_one_side(points, 2.0, 2),
            Self::FourOfFive => on_one_side(points, 1.0, 4),
            Self::SixInATrend => {
                let steps = || points.iter().zip(points.iter().skip(1));
                steps().all(|(a, b)| a.share < b.share) || steps().all(|(a, b)| a.share > b.share)
            }
        }
    }
}

/// Whether at least `wanted` points lie beyond `distance` on one side, the last of them too.
fn on_one_side(points: &[Point], distance: f64, wanted: usize) -> bool {
    let beyond = |sign: f64| {
        let far = |point: &Point| point.distance * sign > distance;
        points.last().is_some_and(far) && points.iter().filter(|point| far(point)).count() >= wanted
    };
    beyond(1.0) || beyond(-1.0)
}

/// The chart of the months in order. A month without a case is no point: rules look past it.
///
/// # Errors
/// [`Undefined::NoCase`] where no month has a case, [`Undefined::MoreThanAll`] where a count
/// exceeds its cases.
pub fn p_chart(months: &[Month]) -> Result<PChart, Undefined> {
    if months.iter().any(|month| month.count > month.of) {
        return Err(Undefined::MoreThanAll);
    }
    let sum = |part: fn(&Month) -> u64| months.iter().map(part).fold(0, u64::saturating_add);
    let centre = share(sum(|month| month.count), sum(|month| month.of))?;
    let points: Vec<Option<Point>> = months.iter().map(|month| point(month, centre)).collect();
    let signals = signals(&points);
    Ok(PChart { centre, points, signals })
}

fn point(month: &Month, centre: f64) -> Option<Point> {
    let share = share(month.count, month.of).ok()?;
    let error = (centre * (1.0 - centre) / real(month.of)).sqrt();
    let reach = 3.0 * error;
    let limits = Interval { low: (centre - reach).max(0.0), high: (centre + reach).min(1.0) };
    let distance = if error > 0.0 { (share - centre) / error } else { 0.0 };
    Some(Point { share, limits, distance })
}

fn signals(points: &[Option<Point>]) -> Vec<Signal> {
    let known: Vec<(usize, Point)> =
        points.iter().enumerate().filter_map(|(at, point)| Some((at, (*point)?))).collect();
    let shares: Vec<Point> = known.iter().map(|(_, point)| *point).collect();
    let mut found = Vec::new();
    for (end, (month, _)) in known.iter().enumerate() {
        for (rule, span) in RunRule::ALL {
            let window = (end + 1).checked_sub(span).and_then(|start| shares.get(start..=end));
            if window.is_some_and(|points| rule.holds(points)) {
                found.push(Signal { month: *month, rule });
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn months(counts: &[u64], of: u64) -> Vec<Month> {
        counts.iter().map(|count| Month { count: *count, of }).collect()
    }

    /// Montgomery's frozen orange juice cans, first 30 samples of 50: centre 0.2313, limits 0.0524
    /// and 0.4102, samples 15 and 23 outside (values from memory).
    #[test]
    fn published_chart() {
        let counts = [
            12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15,
            9, 12, 7, 13, 9, 6,
        ];
        let chart = p_chart(&months(&counts, 50)).unwrap();
        assert!((chart.centre - 0.2313).abs() < 5e-5);
        let first = chart.points[0].unwrap();
        assert!((first.limits.low - 0.0524).abs() < 5e-5, "{first:?}");
        assert!((first.limits.high - 0.4102).abs() < 5e-5, "{first:?}");
        let outside: Vec<usize> = chart
            .signals
            .iter()
            .filter(|signal| signal.rule == RunRule::BeyondLimits)
            .map(|signal| signal.month + 1)
            .collect();
        assert_eq!(outside, [15, 23]);
    }

    #[test]
    fn each_run_rule_is_noticed_at_its_last_point() {
        let rules = |counts: &[u64]| -> Vec<(usize, RunRule)> {
            let chart = p_chart(&months(counts, 100)).unwrap();
            chart.signals.iter().map(|signal| (signal.month, signal.rule)).collect()
        };
        let side = [51, 52, 51, 52, 51, 52, 51, 52, 51, 40, 49, 48, 50, 49, 49, 50, 49, 48, 49, 50];
        assert!(rules(&side).contains(&(8, RunRule::NineOnOneSide)));
        assert!(rules(&[50, 46, 48, 50, 51, 53, 54, 50]).contains(&(6, RunRule::SixInATrend)));
        let thirds = [50, 62, 50, 62, 45, 45, 45, 45, 45, 45];
        assert!(rules(&thirds).contains(&(3, RunRule::TwoOfThree)));
        let fifths = [57, 57, 50, 57, 57, 45, 46, 45, 46, 45, 46];
        assert!(rules(&fifths).contains(&(4, RunRule::FourOfFive)));
        assert_eq!(rules(&[50, 50, 50, 50, 50, 50, 50, 50, 50, 50]), []);
    }

    #[test]
    fn empty_months_are_no_points() {
        let chart = p_chart(&[Month { count: 1, of: 2 }, Month { count: 0, of: 0 }]).unwrap();
        assert!(chart.points[0].is_some() && chart.points[1].is_none());
        assert_eq!(p_chart(&[]), Err(Undefined::NoCase));
        assert_eq!(p_chart(&months(&[0, 0], 0)), Err(Undefined::NoCase));
        assert_eq!(p_chart(&months(&[3], 2)), Err(Undefined::MoreThanAll));
        let all = p_chart(&months(&[4, 4, 4], 4)).unwrap();
        assert!(all.signals.is_empty() && all.points.iter().flatten().all(|p| p.distance == 0.0));
    }
}
