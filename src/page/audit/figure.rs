//! The figure of all cases: the number, its interval, what is missing and what that could mean.

use maud::{Markup, html};

use super::draw;
use crate::audit::Population;
use crate::audit::table::{Row, Told as Shown};
use crate::letter::catalogue::Catalogue;
use crate::page::audit::{Audit, Told, worded};
use crate::page::to;
use crate::statistics::Interval;

/// The figure with all that belongs beside it.
pub(super) fn figure(page: &Audit<'_>, told: Told<'_>, whole: &Row, words: &Catalogue) -> Markup {
    let request = format!("{}&_pretty=true", page.asked.request(page.api, "population"));
    let estimate = whole.estimate();
    html! {
        @match estimate {
            Some(estimate) => {
                p class="result" {
                    @let value = worded::value(whole, estimate.value, words);
                    a href=(request) aria-label=(format!("{value}: {}", words.fill("audit.report-of", &[("what", whole.place.as_str())]))) {
                        (value)
                    }
                    span class="of" { (sentence(whole, words)) }
                }
            }
            None => { p class="result none" { (why_none(page, whole, words)) } }
        }
        (ruler(whole, words))
        dl class="beside" {
            @for (name, count) in &whole.counts {
                @if *name != Population::Observation {
                    dt { (words.name("audit.population", name.code())) }
                    dd { (worded::count(*count, words)) }
                }
            }
            @if estimate.is_some() {
                dt { (words.get("audit.interval")) }
                dd { (worded::range(whole, estimate.and_then(|e| e.interval), words)) }
            }
            @if let Some(missing) = whole.missing {
                dt { (words.get("audit.missing")) }
                dd { (missing) @if let Some(could) = could_be(whole, words) { ". " (could) } }
            }
            (more(whole, words))
            @if let Some(better) = better(told) {
                dt { (words.get("audit.reading")) }
                dd { (words.name("audit.better", better)) }
            }
        }
        @for why in &whole.undefined {
            p class="note" { (words.get("audit.undefined")) " " span lang="en" { (why) } }
        }
        @if whole.is_withheld() || whole.counts.iter().any(|(_, count)| count.is_none()) {
            (withheld_note(page, words))
        }
        @if page.may_list && whole.count(Population::Initial) != Some(0) {
            p class="screen" { a href=(to(&page.asked.path("/audit/cases"), words)) { (words.get("audit.list-all")) } }
        }
    }
}

/// Why some numbers are not told.
pub(super) fn withheld_note(page: &Audit<'_>, words: &Catalogue) -> Markup {
    let least = [("least", page.least.to_string())];
    html! { p class="note" { (words.fill("audit.withheld-note", &least)) } }
}

/// What the figure is out of.
fn sentence(whole: &Row, words: &Catalogue) -> String {
    match &whole.figure {
        Shown::Proportion { count, of, .. } => {
            words.fill("audit.of", &[("count", count.to_string()), ("of", of.to_string())])
        }
        Shown::Ratio { events, exposure, per, .. } => {
            let number = |value: f64| worded::number(value, 0, words);
            let places = [
                ("events", events.to_string()),
                ("exposure", number(*exposure)),
                ("per", number(*per)),
            ];
            words.fill("audit.events-in", &places)
        }
        Shown::Continuous { n, change, .. } => {
            let key = if change.is_some() { "audit.mean-of" } else { "audit.median-of" };
            words.fill(key, &[("n", n.to_string())])
        }
        Shown::Withheld | Shown::Cohort => String::new(),
    }
}

/// Why there is no number.
pub(super) fn why_none(page: &Audit<'_>, row: &Row, words: &Catalogue) -> String {
    match (&row.figure, row.count(Population::Initial)) {
        (Shown::Withheld, _) => words.get("audit.withheld").to_owned(),
        (_, Some(0)) => words.fill("audit.nobody", &[("period", super::period(page.asked, words))]),
        (Shown::Cohort, count) => worded::count(count, words),
        _ if row.missing.is_some_and(|missing| missing > 0) => {
            words.get("audit.all-missing").to_owned()
        }
        _ => words.get("audit.none-known").to_owned(),
    }
}

/// What the missing cases could make of the figure.
pub(super) fn could_be(row: &Row, words: &Catalogue) -> Option<String> {
    let Shown::Proportion { bounds: Some(bounds), .. } = &row.figure else { return None };
    let missing = row.missing.filter(|missing| *missing > 0)?;
    let percent = |share| worded::percent(share, words);
    let places = [
        ("n", missing.to_string()),
        ("none", percent(bounds.none)),
        ("each", percent(bounds.each)),
    ];
    Some(words.fill("audit.could-be", &places))
}

/// What a quantity has beside.
fn more(whole: &Row, words: &Catalogue) -> Markup {
    let Shown::Continuous { median, change, .. } = &whole.figure else { return Markup::default() };
    let write = |value: f64| worded::value(whole, value, words);
    html! {
        @if let Some((median, quartiles)) = median {
            dt { (words.get("audit.median")) }
            dd { (write(*median)) " (" (worded::interval(*quartiles, &write)) ")" }
        }
        @if let Some(response) = change.and_then(|change| change.response) {
            dt { (words.get("audit.response")) }
            dd { (worded::number(response, 2, words)) }
        }
    }
}

/// Whether more or less is better, where the Measure says.
fn better(told: Told<'_>) -> Option<&str> {
    crate::clinical::element::text(told.measure, "/improvementNotation/coding/0/code")
}

/// The share on a scale from 0 to 100 %, with its interval and its bounds.
fn ruler(whole: &Row, words: &Catalogue) -> Markup {
    let (Shown::Proportion { interval: Some(interval), bounds, .. }, Some(estimate)) =
        (&whole.figure, whole.estimate())
    else {
        return Markup::default();
    };
    let bounds = bounds.map(|bounds| Interval { low: bounds.none, high: bounds.each });
    draw::ruler(estimate.value, *interval, bounds, words)
}
