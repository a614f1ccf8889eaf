//! What the charts of an audit show, as numbers: the funnel of groups, the course over months.
//!
//! Both take the counts that a report tells, and nothing that it withholds; limits and rules are
//! those of `statistics`. How they are drawn is the matter of pages.

use std::collections::BTreeMap;

use super::table::{Row, Told};
use crate::statistics::{Confidence, Interval, Month, PChart, funnel_limits, p_chart};

/// Why there is no chart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoChart {
    /// The figure of the whole, or of every group, is withheld.
    Withheld,
    /// No group has a known case.
    NoCase,
    /// The figure is no share of cases, which the limits are for.
    NoShare,
    /// More months than a drawing shows.
    TooLong,
}

/// The groups around the share of all, by size.
#[derive(Clone, PartialEq, Debug)]
pub struct Funnel {
    /// The share of all known cases.
    pub target: f64,
    /// The groups that can be drawn.
    pub points: Vec<FunnelPoint>,
    /// The limits at sizes that rise.
    pub lines: Vec<FunnelLine>,
    /// How many of the groups chance alone puts beyond the inner limits, on average.
    pub by_chance: f64,
}

/// One group of a funnel.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FunnelPoint {
    /// Its place among the rows.
    pub row: usize,
    /// Known cases.
    pub n: u64,
    /// The share with the trait.
    pub share: f64,
    /// Where it lies.
    pub zone: Zone,
}

/// Where a group lies beside the limits of its size.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Zone {
    /// Within the inner limits.
    Within,
    /// Beyond the inner limits (95 %), within the outer.
    BeyondInner,
    /// Beyond the outer limits (99.8 %).
    BeyondOuter,
}

impl Zone {
    /// Its name in texts and tables.
    pub fn code(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::BeyondInner => "beyond-95",
            Self::BeyondOuter => "beyond-99.8",
        }
    }
}

/// The limits at one size.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FunnelLine {
    /// Cases.
    pub n: u64,
    /// 95 %.
    pub inner: Interval,
    /// 99.8 %.
    pub outer: Interval,
}

/// How many sizes the limits are computed at, at most.
const SIZES: u64 = 80;

/// The funnel of the rows of a split around the figure of the whole.
///
/// The confidences are the customary ones: Spiegelhalter, Stat Med 2005;24:1185-1202 (from memory).
///
/// # Errors
/// [`NoChart`].
pub fn funnel(whole: &Row, rows: &[Row]) -> Result<Funnel, NoChart> {
    let target = match &whole.figure {
        Told::Withheld => return Err(NoChart::Withheld),
        Told::Proportion { share, .. } => share.ok_or(NoChart::NoCase)?,
        _ => return Err(NoChart::NoShare),
    };
    let known = |(row, one): (usize, &Row)| match one.figure {
        Told::Proportion { of, share: Some(share), .. } => Some((row, of, share)),
        _ => None,
    };
    let known: Vec<(usize, u64, f64)> = rows.iter().enumerate().filter_map(known).collect();
    if known.is_empty() {
        let withheld = rows.iter().any(Row::is_withheld);
        return Err(if withheld { NoChart::Withheld } else { NoChart::NoCase });
    }
    let most = known.iter().map(|(_, n, _)| *n).max().unwrap_or(1);
    // A little beyond the greatest group, so that it does not stand on the edge.
    let end = most + most.div_ceil(8);
    let sizes = (1..=SIZES).map(|at| (at * end).div_ceil(SIZES));
    let mut sizes: Vec<u64> = sizes.collect();
    sizes.dedup();
    let lines = sizes.into_iter().map(|n| limits(target, n)).collect::<Option<_>>();
    let points = known.into_iter().map(|(row, n, share)| {
        let FunnelLine { inner, outer, .. } = limits(target, n)?;
        let beyond = |limits: Interval| share < limits.low || share > limits.high;
        let zone = match (beyond(inner), beyond(outer)) {
            (_, true) => Zone::BeyondOuter,
            (true, false) => Zone::BeyondInner,
            _ => Zone::Within,
        };
        Some(FunnelPoint { row, n, share, zone })
    });
    let points: Option<Vec<FunnelPoint>> = points.collect();
    let (lines, points) = Option::zip(lines, points).ok_or(NoChart::NoCase)?;
    let by_chance = by_chance(points.len());
    Ok(Funnel { target, points, lines, by_chance })
}

/// How many of so many looks lie outside 95 % limits by chance alone, on average.
#[expect(clippy::cast_precision_loss, reason = "groups are few")]
pub fn by_chance(looks: usize) -> f64 {
    looks as f64 * (1.0 - Confidence::USUAL.get())
}

fn limits(target: f64, n: u64) -> Option<FunnelLine> {
    // Interpolated limits can miss a target of none or all; a group that is like the target never lies
    // beyond them.
    let around =
        |found: Interval| Interval { low: found.low.min(target), high: found.high.max(target) };
    let at = |confidence| funnel_limits(target, n, confidence).ok().map(|f| around(f.limits));
    Some(FunnelLine { n, inner: at(Confidence::USUAL)?, outer: at(Confidence::new(0.998).ok()?)? })
}

/// The months from the first to the last that has cases, in order.
#[derive(Clone, PartialEq, Debug)]
pub struct Trend {
    /// Each month, as `YYYY-MM`, with its place among the rows; none for one without cases.
    pub months: Vec<(String, Option<usize>)>,
    /// Months whose figure is withheld: they are no points.
    pub withheld: usize,
    /// Limits and signals, where the figure is a share and no month is withheld.
    pub chart: Option<PChart>,
}

/// How many months a drawing shows.
const MOST_MONTHS: usize = 120;

/// The course over the rows of the split by months.
///
/// # Errors
/// [`NoChart`].
pub fn trend(rows: &[Row]) -> Result<Trend, NoChart> {
    let named =
        rows.iter().enumerate().filter_map(|(at, row)| Some((month(row.value.as_deref()?)?, at)));
    let named: BTreeMap<i32, usize> = named.collect();
    let (Some((first, _)), Some((last, _))) = (named.first_key_value(), named.last_key_value())
    else {
        return Err(NoChart::NoCase);
    };
    let months: Vec<(String, Option<usize>)> = (*first..=*last)
        .take(MOST_MONTHS + 1)
        .map(|month| {
            let text = format!("{:04}-{:02}", month.div_euclid(12), month.rem_euclid(12) + 1);
            (text, named.get(&month).copied())
        })
        .collect();
    if months.len() > MOST_MONTHS {
        return Err(NoChart::TooLong);
    }
    let row = |at: &Option<usize>| at.and_then(|at| rows.get(at));
    if !months.iter().any(|(_, at)| row(at).is_some_and(|row| row.estimate().is_some())) {
        let withheld = rows.iter().any(Row::is_withheld);
        return Err(if withheld { NoChart::Withheld } else { NoChart::NoCase });
    }
    let withheld = months.iter().filter(|(_, at)| row(at).is_some_and(Row::is_withheld)).count();
    let counts = months.iter().map(|(_, at)| match row(at).map(|row| &row.figure) {
        Some(Told::Proportion { count, of, .. }) => Month { count: *count, of: *of },
        _ => Month { count: 0, of: 0 },
    });
    let counts: Vec<Month> = counts.collect();
    // What is withheld is not withheld at random: a centre without it would be off.
    let chart = if withheld == 0 { p_chart(&counts).ok() } else { None };
    Ok(Trend { months, withheld, chart })
}

/// The number of a month, counted from the year 0.
fn month(text: &str) -> Option<i32> {
    let (year, month) = text.split_once('-')?;
    let (year, month): (i32, i32) = (year.parse().ok()?, month.parse().ok()?);
    (1..=12).contains(&month).then_some(year * 12 + month - 1)
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "these values are exact")]
mod tests {
    use super::*;

    fn row(value: &str, count: u64, of: u64) -> Row {
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let share = (of > 0).then(|| count as f64 / of as f64);
        Row {
            value: Some(value.to_owned()),
            place: String::new(),
            counts: Vec::new(),
            missing: Some(0),
            figure: Told::Proportion { count, of, share, interval: None, bounds: None },
            undefined: Vec::new(),
            members: BTreeMap::new(),
            missing_members: Vec::new(),
        }
    }

    fn withheld(value: &str) -> Row {
        Row { figure: Told::Withheld, ..row(value, 0, 0) }
    }

    /// Limits of 40 cases around one half by the normal approximation are 0.345 to 0.655 (95 %) and
    /// 0.256 to 0.744 (99.8 %); the exact ones are near them.
    #[test]
    fn a_group_lies_within_or_beyond_the_limits_of_its_size() {
        let rows = [row("a", 20, 40), row("b", 27, 40), row("c", 35, 40), withheld("d")];
        let found = funnel(&row("all", 100, 200), &rows).unwrap();
        let zones: Vec<(usize, Zone)> = found.points.iter().map(|p| (p.row, p.zone)).collect();
        assert_eq!(zones, [(0, Zone::Within), (1, Zone::BeyondInner), (2, Zone::BeyondOuter)]);
        assert_eq!(found.lines.first().map(|line| line.n), Some(1));
        assert_eq!(found.lines.last().map(|line| line.n), Some(45));
        let line = limits(0.5, 40).unwrap();
        assert!((line.inner.low - 0.345).abs() < 0.02 && (line.inner.high - 0.655).abs() < 0.02);
        assert!((line.outer.low - 0.256).abs() < 0.02 && (line.outer.high - 0.744).abs() < 0.02);
        assert!((found.by_chance - 0.15).abs() < 1e-12);
    }

    #[test]
    fn without_numbers_there_is_no_chart() {
        let whole = row("all", 3, 9);
        assert_eq!(funnel(&withheld("all"), &[]), Err(NoChart::Withheld));
        assert_eq!(funnel(&row("all", 0, 0), &[]), Err(NoChart::NoCase));
        assert_eq!(funnel(&whole, &[]), Err(NoChart::NoCase));
        assert_eq!(funnel(&whole, &[withheld("a")]), Err(NoChart::Withheld));
        let cohort = Row { figure: Told::Cohort, ..row("all", 0, 0) };
        assert_eq!(funnel(&cohort, &[]), Err(NoChart::NoShare));
        assert_eq!(trend(&[]), Err(NoChart::NoCase));
        assert_eq!(trend(&[row("soon", 1, 2)]), Err(NoChart::NoCase));
        assert_eq!(trend(&[withheld("2026-01")]), Err(NoChart::Withheld));
        assert_eq!(trend(&[row("1990-01", 1, 2), row("2026-01", 1, 2)]), Err(NoChart::TooLong));
    }

    #[test]
    fn equal_groups_and_one_case_have_a_funnel() {
        for (whole, rows) in [
            (row("all", 9, 9), vec![row("a", 4, 4), row("b", 5, 5)]),
            (row("all", 0, 9), vec![row("a", 0, 4), row("b", 0, 5)]),
            (row("all", 1, 1), vec![row("a", 1, 1)]),
        ] {
            let found = funnel(&whole, &rows).unwrap();
            assert!(found.points.iter().all(|point| point.zone == Zone::Within), "{found:?}");
            let finite = |i: Interval| i.low.is_finite() && i.high.is_finite();
            assert!(found.lines.iter().all(|line| finite(line.inner) && finite(line.outer)));
        }
    }

    #[test]
    fn months_without_cases_stand_between() {
        let rows = [row("2025-11", 5, 10), row("2026-02", 5, 10), withheld("2026-01")];
        let found = trend(&rows).unwrap();
        let months: Vec<(&str, Option<usize>)> =
            found.months.iter().map(|(month, at)| (month.as_str(), *at)).collect();
        let expected =
            [("2025-11", Some(0)), ("2025-12", None), ("2026-01", Some(2)), ("2026-02", Some(1))];
        assert_eq!(months, expected);
        assert_eq!(found.withheld, 1);
        assert_eq!(found.chart, None, "the centre of some months is not that of all");
        let chart = trend(&rows[..2]).unwrap().chart.unwrap();
        assert_eq!(chart.centre, 0.5);
        assert_eq!(chart.points.iter().filter(|point| point.is_some()).count(), 2);
    }
}
