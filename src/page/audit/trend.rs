//! The course over months drawn: shares with the limits of a control chart, other figures with their
//! intervals; what the run rules noticed, in words; the table.

use maud::{Markup, html};

use super::draw::{Scale, Shape, around, legend, mark, px};
use super::groups::{self, Listing};
use super::worded;
use crate::audit::chart::{Trend, trend};
use crate::audit::table::{Estimate, Row, Split};
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::audit::{Audit, Told};
use crate::statistics::RunRule;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 320.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 740.0;
const TOP: f64 = 16.0;
const BOTTOM: f64 = 276.0;

/// The chart and the table of months.
pub(super) fn section(
    page: &Audit<'_>,
    told: Told<'_>,
    whole: &Row,
    split: &Split,
    id: &str,
    words: &Catalogue,
) -> Markup {
    let names = worded::groups(split, told.names, words);
    let table = Listing { page, whole, split, names: &names, id, funnel: None };
    html! {
        @match trend(&split.rows) {
            Ok(found) => (figure(&found, whole, split, id, words)),
            Err(why) => { p class="note" { (groups::why_no_chart(why, words)) } }
        }
        (table.table(words))
        (groups::downloads(page, "month", words))
    }
}

fn figure(found: &Trend, whole: &Row, split: &Split, id: &str, words: &Catalogue) -> Markup {
    let is_share = found.chart.is_some();
    let note = if is_share { "audit.trend-note" } else { "audit.trend-plain" };
    let entries = [
        (Shape::Disc, words.get("audit.month-point")),
        (Shape::Square, words.get("audit.month-signal")),
    ];
    html! {
        figure {
            figcaption { (words.get("audit.trend")) }
            (layout::wide(words.get("audit.trend"), &drawing(found, whole, split, id, words)))
            @if is_share { (legend(&entries)) }
        }
        @if is_share { (signals(found, words)) }
        p class="note" { (words.get(note)) }
        @if found.withheld > 0 {
            p class="note" { (words.fill("audit.months-withheld", &[("n", found.withheld.to_string())])) }
        }
    }
}

/// What the run rules noticed.
fn signals(found: &Trend, words: &Catalogue) -> Markup {
    let all = found.chart.iter().flat_map(|chart| &chart.signals);
    let lines: Vec<(String, &str)> = all
        .filter_map(|signal| {
            let (month, _) = found.months.get(signal.month)?;
            Some((worded::month(month, words), words.name("audit.rule", rule(signal.rule))))
        })
        .collect();
    html! {
        @if lines.is_empty() { p { (words.get("audit.no-signal")) } }
        @else {
            p { (words.get("audit.signals")) }
            ul class="signals" { @for (month, rule) in lines { li { (month) ": " (rule) } } }
        }
    }
}

fn rule(rule: RunRule) -> &'static str {
    match rule {
        RunRule::BeyondLimits => "beyond-limits",
        RunRule::NineOnOneSide => "nine-on-one-side",
        RunRule::SixInATrend => "six-in-a-trend",
        RunRule::TwoOfThree => "two-of-three",
        RunRule::FourOfFive => "four-of-five",
    }
}

/// A place among the months.
fn real(at: usize) -> f64 {
    u32::try_from(at).map_or(f64::MAX, f64::from)
}

fn drawing(found: &Trend, whole: &Row, split: &Split, id: &str, words: &Catalogue) -> Markup {
    let estimates: Vec<Option<Estimate>> =
        found.months.iter().map(|(_, at)| split.rows.get((*at)?)?.estimate()).collect();
    let points = found.chart.as_ref().map(|chart| chart.points.as_slice()).unwrap_or_default();
    let limits = || points.iter().enumerate().filter_map(|(at, p)| Some((at, (*p)?.limits)));
    let reach = estimates.iter().flatten().flat_map(|one| {
        let ends = one.interval.filter(|_| points.is_empty());
        ends.map_or([one.value; 2], |ends| [ends.low, ends.high])
    });
    let reach = reach.chain(limits().flat_map(|(_, limits)| [limits.low, limits.high]));
    let centre = match &found.chart {
        Some(chart) => Some(chart.centre),
        None => whole.estimate().map(|all| all.value),
    };
    let y = Scale { values: around(reach.chain(centre)), places: (BOTTOM, TOP) };
    let months = real(found.months.len());
    let x = Scale { values: (-0.5, months - 0.5), places: (LEFT, RIGHT) };
    let half = (RIGHT - LEFT) / months / 2.0;
    // Labels as often as there is room for them.
    let every = found.months.len().div_ceil(9);
    let write = |value: f64| worded::tick(whole, value, words);
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" aria-labelledby=(format!("{id}-title {id}-words"))
            viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) width=(WIDTH) height=(HEIGHT) {
            title id=(format!("{id}-title")) { (words.get("audit.trend")) }
            desc id=(format!("{id}-words")) { (words.get("audit.trend-words")) }
            @for tick in y.ticks(5.0) {
                line class="grid" x1=(LEFT) x2=(RIGHT) y1=(y.place(tick)) y2=(y.place(tick)) {}
                text class="tick end" x=(LEFT - 8.0) y=(px(y.at(tick) + 4.0)) { (write(tick)) }
            }
            @for (at, limits) in limits() {
                rect class="zone inner" x=(px(x.at(real(at)) - half)) y=(y.place(limits.high)) width=(px(half * 2.0)) height=(px(y.at(limits.low) - y.at(limits.high))) {}
            }
            @if let Some(centre) = centre {
                line class="centre" x1=(LEFT) x2=(RIGHT) y1=(y.place(centre)) y2=(y.place(centre)) {}
            }
            line class="frame" x1=(LEFT) x2=(RIGHT) y1=(BOTTOM) y2=(BOTTOM) {}
            @for (at, (month, _)) in found.months.iter().enumerate().step_by(every) {
                text class="tick" x=(x.place(real(at))) y=(BOTTOM + 20.0) { (worded::month(month, words)) }
            }
            @for run in runs(&estimates) {
                polyline class="course" points=(run.iter().map(|(at, value)| format!("{},{}", x.place(real(*at)), y.place(*value))).collect::<Vec<_>>().join(" ")) {}
            }
            @for (at, one) in estimates.iter().enumerate().filter_map(|(at, one)| Some((at, (*one)?))) {
                @if let Some(ends) = one.interval.filter(|_| points.is_empty()) {
                    line class="whisker" x1=(x.place(real(at))) x2=(x.place(real(at))) y1=(y.place(ends.low)) y2=(y.place(ends.high)) {}
                }
                @let signal = found.chart.iter().any(|chart| chart.signals.iter().any(|s| s.month == at));
                (mark(if signal { Shape::Square } else { Shape::Disc }, x.at(real(at)), y.at(one.value)))
            }
        }
    }
}

/// Months in a row that have a value: a line does not run over those without.
fn runs(estimates: &[Option<Estimate>]) -> Vec<Vec<(usize, f64)>> {
    let numbered: Vec<Option<(usize, f64)>> =
        estimates.iter().enumerate().map(|(at, one)| Some((at, (*one)?.value))).collect();
    let runs = numbered.split(Option::is_none).map(|run| run.iter().flatten().copied().collect());
    runs.filter(|run: &Vec<_>| run.len() > 1).collect()
}
