//! First and latest of a series of readings of the same thing.
//!
//! The first is the earliest reading, the latest the last one, on different days; two readings of
//! one moment that disagree are a contradiction, and no change is computed from them.

use crate::clinical::source::Moment;

/// The two ends of a series.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ends<'a, T> {
    /// Nothing was read.
    None,
    /// One day only: the first reading of it.
    One(&'a T),
    /// First and latest, on different days.
    Two(&'a T, &'a T),
    /// Readings that disagree at the first or at the latest moment (one of each pair is given).
    Contradicted(&'a T, &'a T),
}

/// The ends of a series that is sorted by moment.
pub fn ends<'a, T>(
    sorted: &[&'a T],
    at: impl Fn(&T) -> Moment,
    same: impl Fn(&T, &T) -> bool,
) -> Ends<'a, T> {
    let (Some(first), Some(latest)) = (sorted.first(), sorted.last()) else { return Ends::None };
    let one_day = at(first).day == at(latest).day;
    let disagrees = |end: &T| {
        let near = |other: &T| {
            if one_day { at(other).day == at(end).day } else { at(other) == at(end) }
        };
        sorted.iter().any(|other| near(other) && !same(other, end))
    };
    if disagrees(first) || disagrees(latest) {
        Ends::Contradicted(first, latest)
    } else if one_day {
        Ends::One(first)
    } else {
        Ends::Two(first, latest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(readings: &[(&str, u8)], expected: &str) {
        let all: Vec<&(&str, u8)> = readings.iter().collect();
        let at = |reading: &(&str, u8)| Moment::parse(reading.0).unwrap();
        let found = match ends(&all, at, |a, b| a.1 == b.1) {
            Ends::None => "none".to_owned(),
            Ends::One(one) => format!("{}", one.1),
            Ends::Two(first, latest) => format!("{} {}", first.1, latest.1),
            Ends::Contradicted(..) => "contradicted".to_owned(),
        };
        assert_eq!(found, expected, "{readings:?}");
    }

    #[test]
    fn ends_of_a_series() {
        check(&[], "none");
        check(&[("2026-03-02", 2)], "2");
        check(&[("2026-03-02", 2), ("2026-03-02", 2)], "2");
        check(&[("2026-03-02", 2), ("2026-03-02", 4)], "contradicted");
        check(&[("2026-03-02", 2), ("2026-03-09", 3)], "2 3");
        check(&[("2026-03-02", 2), ("2026-03-09", 3), ("2026-03-09", 4)], "contradicted");
        let pre_post =
            [("2026-03-02T09:00:00Z", 2), ("2026-03-02T09:40:00Z", 3), ("2026-03-09", 3)];
        check(&pre_post, "2 3");
    }
}
