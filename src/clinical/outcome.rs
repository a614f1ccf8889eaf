//! Outcome scores: Neck Disability Index, pain rating, patient-specific function, rating of change.
//!
//! Totals are put on one scale first (the index in percent), then compared: first, latest, best,
//! change, and the judgement of a named threshold set. The rating of change is shown as an anchor
//! and never judged. Item wording is nowhere.
//! Rules: percent = 100 x points / (5 x answered items), as the author's note has a missing item
//! take the mean of the others; no score with more than two items missing (from memory,
//! unconfirmed); bands of Vernon & Mior 1991, J Manipulative Physiol Ther 14:409-15, on points of
//! 50, rounded half up; the patient-specific score is the mean of the same activities at both ends
//! (Stratford 1995, from memory). Pain ratings of different kinds (now, at rest, worst, average,
//! provoked) are different measures; a rating of no stated kind is one of pain now.

use std::collections::BTreeMap;

use rust_decimal::{Decimal, RoundingStrategy};
use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{LOINC, at, code_in, decimal, items, own_code, text, ucum};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::series::{Ends, ends};
use crate::clinical::source::{Day, Source, sources};
use crate::clinical::threshold::{Judgement, ThresholdSet};
use crate::fhir::Resource;

/// The measures, in the order of the letter.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// Neck Disability Index, in percent; lower is better.
    Ndi,
    /// Pain rating 0-10; lower is better.
    Nprs,
    /// Patient-specific function 0-10; higher is better.
    Psfs,
    /// Global rating of change -7 to +7; higher is better.
    Grc,
}

impl Measure {
    /// The measure of an Observation's code.
    pub fn of_code(code: &Value) -> Option<Self> {
        match (code_in(code, LOINC), own_code(code, "finding")) {
            (Some("82237-9"), _) => Some(Self::Ndi),
            (Some("72514-3"), _) => Some(Self::Nprs),
            (_, Some("psfs-score")) => Some(Self::Psfs),
            (_, Some("global-rating-of-change")) => Some(Self::Grc),
            _ => None,
        }
    }

    fn lower_is_better(self) -> bool {
        matches!(self, Self::Ndi | Self::Nprs)
    }
}

/// One score on one day.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Reading {
    /// When, by whom, where stated.
    pub seen: Seen,
    /// The measure.
    pub measure: Measure,
    /// The kind of a pain rating, as its code in `finding`.
    kind: Option<&'static str>,
    /// The score on the measure's scale (the index in percent), exact.
    value: Decimal,
    /// The UCUM unit of the total, as recorded.
    unit: Option<String>,
    /// Points as recorded or added up, where the scale is points of 50.
    points: Option<Decimal>,
    /// Items answered, where items were recorded.
    answered: Option<u32>,
    /// Activities and their scores.
    activities: BTreeMap<String, Decimal>,
    /// The activities in the record's words, in its order.
    names: Vec<String>,
}

/// A number in `valueInteger`, `valueQuantity` (UCUM `{score}` or `1`) or `valueDecimal`.
pub fn plain_number(holder: &Value) -> Option<Decimal> {
    let integer = decimal(at(holder, "/valueInteger"));
    integer.or_else(|| {
        ucum(at(holder, "/valueQuantity"))
            .and_then(|(n, unit)| matches!(unit, "{score}" | "1").then_some(n))
    })
}

impl Reading {
    /// The score of an Observation; a gap where it cannot be read.
    pub fn of(resource: &Resource, measure: Measure, gaps: &mut Vec<Gap>) -> Option<Self> {
        let about = about(measure);
        let seen = Seen::of(resource, about, gaps)?;
        let read = match measure {
            Measure::Ndi => disability(resource.value(), &seen, gaps),
            Measure::Nprs => within(resource.value(), 0, 10).map(Parts::plain),
            Measure::Psfs => function(resource.value()),
            Measure::Grc => within(resource.value(), -7, 7).map(Parts::plain),
        };
        let Some(parts) = read else {
            gaps.push(Gap::at(GapKind::NotReadable, about, "Observation.value", &seen.source));
            return None;
        };
        let Parts { value, points, answered, activities, names } = parts;
        let kind = (measure == Measure::Nprs).then(|| pain_kind(at(resource.value(), "/code")));
        let total = ucum(at(resource.value(), "/valueQuantity"));
        let unit = total.map(|(_, unit)| unit.to_owned());
        Some(Self { seen, measure, kind, value, unit, points, answered, activities, names })
    }
}

/// The kind of a pain rating; pain now where none is stated.
pub(super) fn pain_kind(code: &Value) -> &'static str {
    let kinds = ["pain-now", "pain-at-rest", "pain-worst", "pain-average", "pain-provoked"];
    let stated = own_code(code, "finding");
    kinds.into_iter().find(|kind| Some(*kind) == stated).unwrap_or("pain-now")
}

/// The code under which gaps speak of a measure.
pub fn about(measure: Measure) -> &'static str {
    match measure {
        Measure::Ndi => "ndi",
        Measure::Nprs => "nprs",
        Measure::Psfs => "psfs",
        Measure::Grc => "grc",
    }
}

struct Parts {
    value: Decimal,
    points: Option<Decimal>,
    answered: Option<u32>,
    activities: BTreeMap<String, Decimal>,
    names: Vec<String>,
}

impl Parts {
    fn plain(value: Decimal) -> Self {
        let (activities, names) = (BTreeMap::new(), Vec::new());
        Self { value, points: None, answered: None, activities, names }
    }
}

fn within(value: &Value, least: i64, most: i64) -> Option<Decimal> {
    plain_number(value).filter(|n| *n >= Decimal::from(least) && *n <= Decimal::from(most))
}

/// The LOINC codes of the ten items.
const ITEMS: [&str; 10] = [
    "82227-0", "82228-8", "82229-6", "82230-4", "82231-2", "82232-0", "82233-8", "82234-6",
    "82235-3", "82236-1",
];

/// Percent by the author's rule: 100 x points / (5 x answered); none with more than two missing.
pub fn disability_percent(points: u32, answered: u32) -> Option<Decimal> {
    let most = answered.checked_mul(5)?;
    let possible = (8..=10).contains(&answered) && points <= most;
    possible.then(|| Decimal::from(points) * Decimal::ONE_HUNDRED / Decimal::from(most))
}

/// The band of a percent, on points of 50 rounded half up.
pub fn disability_band(percent: Decimal) -> &'static str {
    let points =
        (percent / Decimal::TWO).round_dp_with_strategy(0, RoundingStrategy::MidpointAwayFromZero);
    match points {
        points if points <= Decimal::from(4) => "none",
        points if points <= Decimal::from(14) => "mild",
        points if points <= Decimal::from(24) => "moderate",
        points if points <= Decimal::from(34) => "severe",
        _ => "complete",
    }
}

/// The index: from its items where they are there (a total that differs is a gap), else its total.
fn disability(value: &Value, seen: &Seen, gaps: &mut Vec<Gap>) -> Option<Parts> {
    let total = ucum(at(value, "/valueQuantity")).filter(|(n, _)| *n >= Decimal::ZERO);
    let total = total.and_then(|(n, unit)| match unit {
        "{score}" if n <= Decimal::from(50) => Some((n, n * Decimal::TWO, true)),
        "%" if n <= Decimal::ONE_HUNDRED => Some((n, n, false)),
        _ => None,
    });
    let mut scored: BTreeMap<&str, u32> = BTreeMap::new();
    for part in items(value, "/component") {
        let item = code_in(at(part, "/code"), LOINC).filter(|code| ITEMS.contains(code));
        let score = plain_number(part).and_then(|n| u32::try_from(n).ok()).filter(|n| *n <= 5);
        if let Some((item, score)) = item.zip(score) {
            scored.insert(item, score);
        }
    }
    if scored.is_empty() {
        let (recorded, percent, points) = total?;
        return Some(Parts { points: points.then_some(recorded), ..Parts::plain(percent) });
    }
    let answered = u32::try_from(scored.len()).ok()?;
    let sum: u32 = scored.values().sum();
    let percent = disability_percent(sum, answered)?;
    if let Some((recorded, as_percent, points)) = total {
        let near = |a: Decimal, b: Decimal| (a - b).abs() <= Decimal::ONE;
        let sum_given = points && recorded == Decimal::from(sum);
        if !sum_given && !near(as_percent, percent) {
            let kind = GapKind::Contradiction;
            gaps.push(Gap::at(kind, "ndi", "Observation.component", &seen.source));
        }
    }
    Some(Parts {
        value: percent,
        points: Some(Decimal::from(sum)),
        answered: Some(answered),
        ..Parts::plain(Decimal::ZERO)
    })
}

/// The patient-specific score: the mean of its activities, else its total.
fn function(value: &Value) -> Option<Parts> {
    let activity = |part: &Value| {
        own_code(at(part, "/code"), "finding").filter(|code| *code == "psfs-activity")?;
        let name = text(part, "/code/text")?.trim().to_owned();
        Some((name, within(part, 0, 10)?))
    };
    let found: Vec<(String, Decimal)> = items(value, "/component").filter_map(activity).collect();
    let names = found.iter().map(|(name, _)| name.clone()).collect();
    let activities: BTreeMap<String, Decimal> =
        found.into_iter().map(|(name, score)| (name.to_lowercase(), score)).collect();
    let value = mean(activities.values()).or_else(|| within(value, 0, 10))?;
    Some(Parts { activities, names, ..Parts::plain(value) })
}

/// The mean of values; none of nothing.
pub(super) fn mean<'a>(values: impl ExactSizeIterator<Item = &'a Decimal>) -> Option<Decimal> {
    let count = Decimal::from(values.len());
    (!count.is_zero()).then(|| values.sum::<Decimal>() / count)
}

/// The course of one measure.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Outcome {
    /// The measure.
    pub measure: Measure,
    /// The kind of a pain rating, as its code in `finding`.
    pub kind: Option<&'static str>,
    /// Every score, by day.
    pub scores: Vec<Score>,
    /// The first score.
    pub first: Score,
    /// The latest score on a later day.
    pub latest: Option<Score>,
    /// The best score.
    pub best: Number,
    /// Latest minus first, on the measure's scale.
    pub change: Option<Number>,
    /// The change with improvement positive.
    pub improvement: Option<Number>,
    /// What the change means against the chosen threshold set.
    pub judgement: Option<Judgement>,
    /// Activities that both ends have, for the patient-specific score.
    pub same_activities: Option<usize>,
    /// The activities of the latest score, in the record's words.
    #[serde(skip)]
    pub activities: Vec<String>,
    /// Whether scores of one moment disagree, so that no change is computed.
    pub contradicted: bool,
    /// The scores compared.
    pub sources: Vec<Source>,
}

/// A score on a day.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Score {
    /// The day.
    pub day: Day,
    /// The score on the measure's scale (the index in percent).
    pub value: Number,
    /// Points as recorded or added up, for the index in points of 50.
    pub points: Option<Number>,
    /// Items answered, where items were recorded.
    pub answered: Option<u32>,
    /// The band of the index.
    pub band: Option<&'static str>,
}

impl Score {
    fn of(reading: &Reading, value: Decimal) -> Self {
        let index = reading.measure == Measure::Ndi;
        Self {
            day: reading.seen.at.day,
            value: value.into(),
            points: reading.points.map(Number::new),
            answered: reading.answered,
            band: index.then(|| disability_band(value)),
        }
    }
}

/// The totals of the index, where they are recorded in more than one unit.
pub fn mixed_units(readings: &[Reading]) -> Option<Vec<Source>> {
    let totals = || readings.iter().filter(|r| r.measure == Measure::Ndi && r.unit.is_some());
    let first = totals().next()?;
    let mixed = totals().any(|reading| reading.unit != first.unit);
    mixed.then(|| sources(totals().map(|reading| &reading.seen.source)))
}

/// The outcomes of readings sorted by moment; measures without a score are left out.
pub fn outcomes(readings: &[Reading], set: Option<&ThresholdSet>) -> Vec<Outcome> {
    let mut keys: Vec<_> = readings.iter().map(|reading| (reading.measure, reading.kind)).collect();
    keys.sort_unstable();
    keys.dedup();
    keys.into_iter().filter_map(|key| outcome(key, readings, set)).collect()
}

fn outcome(
    (measure, kind): (Measure, Option<&'static str>),
    readings: &[Reading],
    set: Option<&ThresholdSet>,
) -> Option<Outcome> {
    let series: Vec<&Reading> =
        readings.iter().filter(|r| (r.measure, r.kind) == (measure, kind)).collect();
    let found = ends(&series, |r| r.seen.at, |a, b| a.value == b.value);
    let (first, latest, contradicted) = match found {
        Ends::None => return None,
        Ends::One(first) => (first, None, false),
        Ends::Two(first, latest) => (first, Some(latest), false),
        Ends::Contradicted(first, latest) => (first, Some(latest), true),
    };
    let (from, to, same) = comparable(first, latest);
    let change = to.filter(|_| !contradicted && measure != Measure::Grc).map(|to| to - from);
    let improvement = change.map(|change| if measure.lower_is_better() { -change } else { change });
    let values = || series.iter().map(|reading| reading.value);
    let best = if measure.lower_is_better() { values().min() } else { values().max() }?;
    Some(Outcome {
        measure,
        kind,
        scores: series.iter().map(|reading| Score::of(reading, reading.value)).collect(),
        first: Score::of(first, from),
        latest: latest.map(|latest| Score::of(latest, to.unwrap_or(latest.value))),
        best: best.into(),
        change: change.map(Number::new),
        improvement: improvement.map(Number::new),
        judgement: improvement.zip(set).and_then(|(by, set)| set.judge(measure, from, by)),
        same_activities: same,
        activities: latest.unwrap_or(first).names.clone(),
        contradicted,
        sources: sources([Some(first), latest].into_iter().flatten().map(|r| &r.seen.source)),
    })
}

/// The two values to compare, over the same activities where there are activities; no second value
/// where the activities have nothing in common or only one end names them.
fn comparable(
    first: &Reading,
    latest: Option<&Reading>,
) -> (Decimal, Option<Decimal>, Option<usize>) {
    let Some(latest) = latest else { return (first.value, None, None) };
    if first.activities.is_empty() && latest.activities.is_empty() {
        return (first.value, Some(latest.value), None);
    }
    let both: Vec<(&Decimal, &Decimal)> = first
        .activities
        .iter()
        .filter_map(|(name, before)| Some((before, latest.activities.get(name)?)))
        .collect();
    let from = mean(both.iter().map(|pair| pair.0));
    let to = mean(both.iter().map(|pair| pair.1));
    (from.unwrap_or(first.value), to, Some(both.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The form's own worked examples: 16 of 50 is 32 %; 16 with one section missed is 35.5 % (cut;
    /// exactly 35.56). Source: the scoring text of the form.
    #[test]
    fn disability_percent_of_the_form() {
        let check = |points, answered, expected: Option<&str>| {
            let percent = disability_percent(points, answered).map(|p| Number::new(p).to_string());
            assert_eq!(percent.as_deref(), expected, "{points} in {answered}");
        };
        check(16, 10, Some("32"));
        check(16, 9, Some("35.56"));
        check(16, 8, Some("40"));
        check(16, 7, None);
        check(51, 10, None);
        check(0, 10, Some("0"));
    }

    /// Vernon & Mior 1991: 0-4, 5-14, 15-24, 25-34, above 34 points of 50.
    #[test]
    fn disability_bands() {
        for (points, band) in [
            ("4", "none"),
            ("4.4", "none"),
            ("4.5", "mild"),
            ("14", "mild"),
            ("15", "moderate"),
            ("24", "moderate"),
            ("25", "severe"),
            ("34", "severe"),
            ("35", "complete"),
        ] {
            let points: Decimal = points.parse().unwrap();
            assert_eq!(disability_band(points * Decimal::TWO), band, "{points}");
        }
    }
}
