//! The courses of scores and of the habit, and the dose of each day, as places in a drawing.
//!
//! The scale begins at zero and ends at the greatest value that the measure allows, for percentages
//! at the next multiple of twenty; the important change and the error of measurement are drawn from
//! the first value in the better direction.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::clinical::number::Number;
use crate::clinical::outcome::{Measure, Outcome};
use crate::clinical::source::Day;
use crate::letter::compose::Desk;
use crate::letter::compose::scores::{class_words, measure_name, value};
use crate::letter::content::{Band, Chart, ChartPoint};

/// A chart for each score that was taken twice, for the habit, and for the dose.
pub(super) fn charts(desk: &Desk<'_>) -> Vec<Chart> {
    let outcomes = desk.summary.outcomes.iter().filter(|o| o.judgement.is_some());
    let scores = outcomes.filter_map(|outcome| of_outcome(desk, outcome));
    scores.chain(of_habit(desk)).chain(of_dose(desk)).collect()
}

fn of_outcome(desk: &Desk<'_>, outcome: &Outcome) -> Option<Chart> {
    let judgement = outcome.judgement.as_ref()?;
    let scores: Vec<(Day, Number)> = outcome.scores.iter().map(|s| (s.day, s.value)).collect();
    let most = if outcome.measure == Measure::Ndi { percent(&scores) } else { Decimal::TEN };
    let higher = outcome.measure == Measure::Psfs;
    let first = outcome.first.value.get();
    let band = |by: Number| {
        let reached = if higher { first + by.get() } else { first - by.get() };
        let (start, edge) = (thousandths(first, most), thousandths(reached, most));
        Band { low: start.min(edge), high: start.max(edge), edge }
    };
    let points = points(desk, &scores, most, |n| value(desk, outcome.measure, n));
    Some(Chart {
        section: "scores",
        bars: false,
        caption: measure_name(desk, outcome),
        description: class_words(desk, outcome),
        step: step(&points),
        points,
        important: Some(band(judgement.important)),
        error: judgement.detectable.map(band),
        ends: [
            value(desk, outcome.measure, Number::from(0)),
            value(desk, outcome.measure, most.into()),
        ],
    })
}

fn of_habit(desk: &Desk<'_>) -> Option<Chart> {
    let habit = desk.summary.habit.as_ref().filter(|habit| habit.counts.len() > 1)?;
    let most = habit.counts.iter().map(|count| count.per_day).max()?.get().max(Decimal::ONE);
    let counts: Vec<(Day, Number)> = habit.counts.iter().map(|c| (c.day, c.per_day)).collect();
    let points = points(desk, &counts, most, |n| desk.words.number(n));
    Some(Chart {
        section: "scores",
        bars: false,
        caption: desk.text("measure.habit"),
        description: String::new(),
        step: step(&points),
        points,
        important: None,
        error: None,
        ends: ["0".to_owned(), desk.words.number(Number::new(most))],
    })
}

/// The oscillations of each day, at most; a day without any has no bar.
fn of_dose(desk: &Desk<'_>) -> Option<Chart> {
    let days = desk.summary.dose.by_day.iter();
    let counts: Vec<(Day, Number)> =
        days.map(|(day, totals)| (*day, totals.oscillations.max)).collect();
    let most = counts.iter().map(|(_, n)| *n).max()?.get();
    let points = points(desk, &counts, most, |n| desk.words.number(n));
    (counts.len() > 1 && most > Decimal::ZERO).then(|| Chart {
        section: "treatment",
        bars: true,
        caption: desk.text("charts.dose"),
        description: String::new(),
        step: step(&points),
        points,
        important: None,
        error: None,
        ends: [String::new(), String::new()],
    })
}

fn points(
    desk: &Desk<'_>,
    values: &[(Day, Number)],
    most: Decimal,
    text: impl Fn(Number) -> String,
) -> Vec<ChartPoint> {
    let Some((first, _)) = values.first() else { return Vec::new() };
    let days = values.last().map_or(0, |(last, _)| last.since(*first)).max(1);
    let point = |(day, n): &(Day, Number)| ChartPoint {
        x: thousandths(day.since(*first).into(), days.into()),
        y: thousandths(n.get(), most),
        text: text(*n),
        day: desk.words.short_day(*day),
        short: desk.words.day_of_year(*day),
        told: false,
        rises: false,
    };
    let mut points: Vec<ChartPoint> = values.iter().map(point).collect();
    let mut last = None;
    let ways: Vec<(bool, bool)> = (0..points.len())
        .map(|at| {
            let here = points.get(at);
            let next = points.get(at + 1);
            let pair =
                if next.is_some() { (here, next) } else { (points.get(at.wrapping_sub(1)), here) };
            let rises = pair.0.zip(pair.1).is_some_and(|(a, b)| b.y > a.y);
            let x = here.map_or(0, |point| point.x);
            let says = here.map(|point| point.text.as_str());
            let far = last.is_none_or(|(last, _)| x >= last + ROOM);
            let new = last.is_none_or(|(_, said)| Some(said) != says);
            let told = next.is_none() || (far && new && (x == 0 || x + ROOM <= 1000));
            if told {
                last = says.map(|says| (x, says));
            }
            (told, rises)
        })
        .collect();
    for (point, (told, rises)) in points.iter_mut().zip(ways) {
        (point.told, point.rises) = (told, rises);
    }
    points
}

/// The least distance between neighbours, in thousandths; the whole width where there are none.
fn step(points: &[ChartPoint]) -> u32 {
    let pairs = points.iter().zip(points.iter().skip(1));
    let steps = pairs.map(|(one, next)| next.x.saturating_sub(one.x)).filter(|step| *step > 0);
    steps.min().unwrap_or(1000)
}

/// The least distance of two values that are told in words, in thousandths.
const ROOM: u32 = 260;

/// The next multiple of twenty above all percentages.
fn percent(values: &[(Day, Number)]) -> Decimal {
    let greatest = values.iter().map(|(_, n)| n.get()).max().unwrap_or_default();
    let step = Decimal::from(20);
    let steps = (greatest / step).ceil().max(Decimal::ONE);
    (steps * step).min(Decimal::ONE_HUNDRED)
}

/// A part of a whole in thousandths, kept within the drawing.
fn thousandths(part: Decimal, whole: Decimal) -> u32 {
    let share = part.checked_div(whole).and_then(|share| share.checked_mul(1000.into()));
    share.and_then(|share| share.round().to_u32()).unwrap_or_default().min(1000)
}
