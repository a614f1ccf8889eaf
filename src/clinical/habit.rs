//! Self-manipulation: how often a day, first and latest, trend, days without, days not reported.
//!
//! Zero is a value. No instrument for counting it is published; the count is what the patient told.
//! A count covers the days of its period, or its own day where no period is recorded. Days between
//! two counts that neither covers are not reported: they are listed, and they end a run of days
//! without, for silence is not a count of none. Rules: common practice, no source.

use rust_decimal::Decimal;
use serde::Serialize;

use crate::clinical::element::{at, text, ucum};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::series::{Ends, ends};
use crate::clinical::source::{Day, Source, sources};
use crate::clinical::trend::{Trend, trend};
use crate::fhir::Resource;

/// One count.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Reading {
    /// When, by whom, where stated.
    pub seen: Seen,
    /// Times a day.
    per_day: Number,
    /// First day of the period counted, where one is recorded.
    from: Option<Day>,
}

impl Reading {
    /// The count of a self-manipulation Observation; a gap where it cannot be read.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "self-manipulation", gaps)?;
        let value = resource.value();
        let per_day = ucum(at(value, "/valueQuantity")).and_then(|(count, unit)| match unit {
            "/d" | "1/d" | "{times}/d" => Some(count),
            "/wk" | "1/wk" | "{times}/wk" => Some(count / Decimal::from(7)),
            _ => None,
        });
        let Some(per_day) = per_day.filter(|count| *count >= Decimal::ZERO) else {
            let kind = GapKind::NotReadable;
            gaps.push(Gap::at(kind, "self-manipulation", "Observation.value", &seen.source));
            return None;
        };
        let from = text(value, "/effectivePeriod/start").and_then(Day::parse);
        Some(Self { seen, per_day: per_day.into(), from })
    }
}

/// The course of the habit.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Habit {
    /// Every count, by the last day it covers.
    pub counts: Vec<Count>,
    /// The first count.
    pub first: Count,
    /// The latest count on a later day.
    pub latest: Option<Count>,
    /// Latest minus first, times a day.
    pub change: Option<Number>,
    /// The day of the first count of zero.
    pub first_zero: Option<Day>,
    /// The trend of the counts.
    pub trend: Option<Trend>,
    /// The longest run of reported days without.
    pub longest_without: Option<Run>,
    /// Days from the last day of the latest count that is not zero to the last day reported; none
    /// where every count is zero.
    pub days_since_last: Option<i64>,
    /// Days between counts that none covers.
    pub not_reported: Vec<Run>,
    /// Whether counts of one moment disagree.
    pub contradicted: bool,
    /// The counts.
    pub sources: Vec<Source>,
}

/// Times a day, as counted up to a day.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Count {
    /// First day of the period counted, where one is recorded.
    pub from: Option<Day>,
    /// The last day that the count covers.
    pub day: Day,
    /// Times a day.
    pub per_day: Number,
}

/// Days in a row.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Run {
    /// The first day.
    pub from: Day,
    /// The last day.
    pub to: Day,
    /// How many days, both ends included.
    pub days: i64,
}

impl Run {
    fn new(from: Day, to: Day) -> Self {
        Self { from, to, days: to.since(from) + 1 }
    }
}

/// The course, from counts sorted by moment; none without a count.
pub fn habit(readings: &[Reading]) -> Option<Habit> {
    let series: Vec<&Reading> = readings.iter().collect();
    let (first, latest, contradicted) =
        match ends(&series, |r| r.seen.at, |a, b| a.per_day == b.per_day) {
            Ends::None => return None,
            Ends::One(first) => (first, None, false),
            Ends::Two(first, latest) => (first, Some(latest), false),
            Ends::Contradicted(first, latest) => (first, Some(latest), true),
        };
    let count = |r: &Reading| Count { from: r.from, day: r.seen.at.day, per_day: r.per_day };
    let change = latest
        .filter(|_| !contradicted)
        .map(|latest| Number::new(latest.per_day.get() - first.per_day.get()));
    let zero = readings.iter().find(|reading| reading.per_day == Number::from(0));
    let counts: Vec<Count> = readings.iter().map(count).collect();
    let values: Vec<(Day, Number)> = counts.iter().map(|c| (c.day, c.per_day)).collect();
    let none = Number::from(0);
    let last_day = counts.last().map(|count| count.day);
    let last_with = counts.iter().rfind(|count| count.per_day != none);
    Some(Habit {
        trend: trend(&values).filter(|_| !contradicted),
        longest_without: longest_without(&counts),
        days_since_last: last_day.zip(last_with).map(|(day, last)| day.since(last.day)),
        not_reported: not_reported(&counts),
        counts,
        first: count(first),
        latest: latest.map(count),
        change,
        first_zero: zero.map(|reading| reading.seen.at.day),
        contradicted,
        sources: sources(readings.iter().map(|reading| &reading.seen.source)),
    })
}

/// The days between two counts that neither covers.
fn between(before: &Count, after: &Count) -> Option<Run> {
    let from = before.day.0.next_day().map(Day)?;
    let to = after.from.unwrap_or(after.day).0.previous_day().map(Day)?;
    (from <= to).then(|| Run::new(from, to))
}

fn not_reported(counts: &[Count]) -> Vec<Run> {
    counts.iter().zip(counts.iter().skip(1)).filter_map(|(a, b)| between(a, b)).collect()
}

/// The longest run of days that counts of zero cover one after the other; of equal ones the first.
fn longest_without(counts: &[Count]) -> Option<Run> {
    let mut runs: Vec<Run> = Vec::new();
    let mut before: Option<&Count> = None;
    for count in counts {
        let none = count.per_day == Number::from(0);
        let goes_on = before.is_some_and(|before| between(before, count).is_none());
        match runs
            .last_mut()
            .filter(|run| none && goes_on && before.is_some_and(|b| b.day == run.to))
        {
            Some(run) => *run = Run::new(run.from, count.day),
            None if none => runs.push(Run::new(count.from.unwrap_or(count.day), count.day)),
            None => {}
        }
        before = Some(count);
    }
    runs.into_iter().rev().max_by_key(|run| run.days)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(all: &[(&str, &str, u8)]) -> Vec<Count> {
        let day = |text: &str| Day::parse(text);
        let one = |(from, to, n): &(&str, &str, u8)| Count {
            from: day(from),
            day: day(to).unwrap(),
            per_day: Number::from(*n),
        };
        all.iter().map(one).collect()
    }

    /// By hand: seven days without, two not reported, then eight days without; a week with some.
    #[test]
    fn days_without_and_days_not_reported() {
        let counts = counts(&[
            ("2026-07-13", "2026-07-19", 2),
            ("2026-07-20", "2026-07-26", 0),
            ("2026-07-29", "2026-08-04", 0),
            ("2026-08-05", "2026-08-05", 0),
            ("2026-08-06", "2026-08-06", 1),
            ("", "2026-08-10", 0),
        ]);
        let run = longest_without(&counts).unwrap();
        assert_eq!((run.from.to_string(), run.days), ("2026-07-29".to_owned(), 8));
        let gaps: Vec<String> =
            not_reported(&counts).iter().map(|run| format!("{} {}", run.from, run.days)).collect();
        assert_eq!(gaps, ["2026-07-27 2", "2026-08-07 3"]);
        assert_eq!(longest_without(&counts[..1]), None);
    }
}
