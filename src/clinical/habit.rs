//! Self-manipulation: how often a day, first and latest, and when it first stopped.
//!
//! Zero is a value. No instrument for counting it is published; the count is what the patient told.

use rust_decimal::Decimal;
use serde::Serialize;

use crate::clinical::element::{at, text, ucum};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::series::{Ends, ends};
use crate::clinical::source::{Day, Source, sources};
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
    Some(Habit {
        counts: readings.iter().map(count).collect(),
        first: count(first),
        latest: latest.map(count),
        change,
        first_zero: zero.map(|reading| reading.seen.at.day),
        contradicted,
        sources: sources(readings.iter().map(|reading| &reading.seen.source)),
    })
}
