//! The groups of a split: a chart, what it says in words, the table with all numbers.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::draw::{Shape, legend};
use super::funnel::{self, Groups};
use super::{FUNNELS, figure, worded};
use crate::audit::Population;
use crate::audit::chart::{Funnel, NoChart, Zone, by_chance};
use crate::audit::table::{Row, Split, Told as Shown};
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::audit::{Audit, DownloadForm, Told};
use crate::page::to;

/// The chart and the table of a split.
pub(super) fn section(
    page: &Audit<'_>,
    told: Told<'_>,
    whole: &Row,
    split: &Split,
    id: &str,
    words: &Catalogue,
) -> Markup {
    let names = worded::groups(split, told.names, words);
    let groups = Groups { rows: &split.rows, names: &names, id };
    let is_funnel = FUNNELS.contains(&split.code.as_str());
    let drawn = crate::audit::chart::funnel(whole, &split.rows)
        .and_then(|drawn| if is_funnel { Ok(drawn) } else { Err(NoChart::NoShare) });
    let table = Listing { page, whole, split, names: &names, id, funnel: drawn.as_ref().ok() };
    html! {
        @match &drawn {
            Ok(drawn) => (funnel_figure(drawn, &groups, words)),
            Err(NoChart::NoShare) => (intervals_figure(whole, &groups, words)),
            Err(why) => { p class="note" { (why_no_chart(*why, words)) } }
        }
        (looks(&split.rows, words))
        (table.table(words))
        (downloads(page, &split.code, words))
    }
}

fn funnel_figure(drawn: &Funnel, groups: &Groups<'_>, words: &Catalogue) -> Markup {
    let entries = [Zone::Within, Zone::BeyondInner, Zone::BeyondOuter]
        .map(|zone| (Shape::of(zone), words.name("audit.zone", zone.code())));
    let beyond: Vec<String> = drawn
        .points
        .iter()
        .filter(|point| point.zone != Zone::Within)
        .filter_map(|point| {
            let name = groups.names.get(point.row)?;
            let zone = words.name("audit.zone", point.zone.code());
            Some(format!("{name} ({zone})"))
        })
        .collect();
    html! {
        figure {
            figcaption { (words.get("audit.funnel")) }
            (layout::wide(words.get("audit.funnel"), &funnel::funnel(drawn, groups, words)))
            (legend(&entries))
        }
        p {
            @if beyond.is_empty() { (words.get("audit.none-beyond")) }
            @else { (words.fill("audit.beyond", &[("who", words.list(&beyond))])) }
        }
        p class="note" { (words.get("audit.funnel-note")) }
    }
}

fn intervals_figure(whole: &Row, groups: &Groups<'_>, words: &Catalogue) -> Markup {
    let write = |value: f64| worded::tick(whole, value, words);
    html! {
        figure {
            figcaption { (words.get("audit.intervals")) }
            (layout::wide(words.get("audit.intervals"), &funnel::intervals(whole.estimate(), groups, &write, words)))
        }
        p class="note" { (words.get("audit.intervals-words")) }
    }
}

/// Why there is no chart, in words.
pub(super) fn why_no_chart(why: NoChart, words: &Catalogue) -> &str {
    let name = match why {
        NoChart::Withheld => "withheld",
        NoChart::NoCase => "no-case",
        NoChart::NoShare => "no-share",
        NoChart::TooLong => "too-long",
    };
    words.name("audit.no-chart", name)
}

/// The warning that who looks often sees something by chance.
fn looks(rows: &[Row], words: &Catalogue) -> Markup {
    let shown = rows.iter().filter(|row| row.estimate().is_some()).count();
    let places = [("n", shown.to_string()), ("chance", worded::number(by_chance(shown), 1, words))];
    html! {
        @if shown > 1 { p class="looks" { strong { (words.get("audit.looks")) } " " (words.fill("audit.looks-words", &places)) } }
    }
}

/// The downloads of a table.
pub(super) fn downloads(page: &Audit<'_>, stratifier: &str, words: &Catalogue) -> Markup {
    let asked = page.asked.by(stratifier);
    html! {
        p class="screen forms" {
            (words.get("audit.download")) " "
            @for (at, form) in DownloadForm::ALL.into_iter().enumerate() {
                @if at > 0 { " \u{b7} " }
                a href=(asked.path_with("/audit", &[("_format", form.code())])) download aria-label=(words.fill("audit.download-as", &[("form", form.name())])) { (form.name()) }
            }
        }
    }
}

/// A table of rows.
pub(super) struct Listing<'a> {
    pub(super) page: &'a Audit<'a>,
    pub(super) whole: &'a Row,
    pub(super) split: &'a Split,
    pub(super) names: &'a [String],
    pub(super) id: &'a str,
    pub(super) funnel: Option<&'a Funnel>,
}

impl Listing<'_> {
    /// The whole first, then each group.
    pub(super) fn table(&self, words: &Catalogue) -> Markup {
        let what = words.name("audit.stratifier", &self.split.code);
        let caption = words.fill("audit.caption", &[("what", what)]);
        let zones: BTreeMap<usize, Zone> = self
            .funnel
            .into_iter()
            .flat_map(|f| f.points.iter().map(|p| (p.row, p.zone)))
            .collect();
        let table = html! {
            table class="audit" {
                caption { (caption) }
                thead { tr {
                    th scope="col" { (what) }
                    th scope="col" { (words.get("audit.cases")) }
                    th scope="col" { (words.get(self.counted())) }
                    th scope="col" { (words.get("audit.figure")) }
                    th scope="col" { (words.get("audit.interval")) }
                    th scope="col" { (words.get("audit.missing")) }
                    @if self.has_bounds() { th scope="col" { (words.get("audit.bounds")) } }
                    @if self.funnel.is_some() { th scope="col" { (words.get("audit.where")) } }
                    th scope="col" { (words.get("audit.evidence")) }
                } }
                tbody {
                    (self.row(None, words.get("audit.all"), self.whole, None, words))
                    @for (at, (row, name)) in self.split.rows.iter().zip(self.names).enumerate() {
                        (self.row(Some(at), name, row, zones.get(&at).copied(), words))
                    }
                }
            }
        };
        html! {
            (layout::wide(&caption, &table))
            @if self.split.rows.iter().any(Row::is_withheld) { (figure::withheld_note(self.page, words)) }
        }
    }

    /// The key of what the figure is out of.
    fn counted(&self) -> &'static str {
        match self.whole.figure {
            Shown::Ratio { .. } => "audit.column.events",
            Shown::Continuous { .. } => "audit.column.values",
            _ => "audit.column.count",
        }
    }

    fn has_bounds(&self) -> bool {
        let is_share = |row: &Row| matches!(row.figure, Shown::Proportion { .. });
        is_share(self.whole) || self.split.rows.iter().any(is_share)
    }

    fn row(
        &self,
        at: Option<usize>,
        name: &str,
        row: &Row,
        zone: Option<Zone>,
        words: &Catalogue,
    ) -> Markup {
        let id = at.map(|at| format!("{}-{at}", self.id));
        let none = "\u{2013}";
        let figure = match row.estimate() {
            Some(estimate) => worded::value(row, estimate.value, words),
            None if row.is_withheld() => words.get("audit.withheld").to_owned(),
            None => figure::why_none(self.page, row, words),
        };
        html! {
            tr id=[id] tabindex=[at.map(|_| "-1")] {
                th scope="row" { (name) }
                td { (worded::count(row.count(Population::Initial), words)) }
                td { (counts(row, words)) }
                td { strong { (figure) } }
                td { (worded::range(row, row.estimate().and_then(|e| e.interval), words)) }
                td { @match row.missing { Some(missing) => (missing), None => (none) } }
                @if self.has_bounds() { td { (bounds(row, words)) } }
                @if self.funnel.is_some() {
                    td { @if let Some(zone) = zone { (words.name("audit.zone", zone.code())) } @else { (none) } }
                }
                td class="ways" { (self.evidence(at, name, row, words)) }
            }
        }
    }

    /// The request that makes the row, and its cases.
    fn evidence(&self, at: Option<usize>, name: &str, row: &Row, words: &Catalogue) -> Markup {
        let request = self.page.asked.request(self.page.api, "population");
        let report = words.fill("audit.report-of", &[("what", row.place.as_str())]);
        let asked = self.page.asked.by(&self.split.code);
        let path = if at.is_none() {
            asked.path("/audit/cases")
        } else {
            let stratum = row.value.as_deref().unwrap_or(super::cases::UNKNOWN);
            asked.path_with("/audit/cases", &[("stratum", stratum)])
        };
        let has_cases = row.count(Population::Initial) != Some(0);
        html! {
            a href=(format!("{request}&_pretty=true")) title=(row.place) aria-label=(format!("{}, {name}: {report}", words.get("audit.report"))) { (words.get("audit.report")) }
            @if self.page.may_list && has_cases {
                " \u{b7} "
                a class="cases" href=(to(&path, words)) aria-label=(words.fill("audit.cases-of", &[("name", name)])) { (words.get("audit.cases-link")) }
            }
        }
    }
}

/// What the figure is out of.
fn counts(row: &Row, words: &Catalogue) -> String {
    match &row.figure {
        Shown::Proportion { count, of, .. } => {
            words.fill("audit.count-of", &[("count", count.to_string()), ("of", of.to_string())])
        }
        Shown::Ratio { events, exposure, .. } => {
            let places =
                [("count", events.to_string()), ("of", worded::number(*exposure, 0, words))];
            words.fill("audit.count-of", &places)
        }
        Shown::Continuous { n, .. } => n.to_string(),
        Shown::Withheld => words.get("audit.withheld").to_owned(),
        Shown::Cohort => "\u{2013}".to_owned(),
    }
}

fn bounds(row: &Row, words: &Catalogue) -> String {
    let (Shown::Proportion { bounds: Some(bounds), .. }, Some(1..)) = (&row.figure, row.missing)
    else {
        return "\u{2013}".to_owned();
    };
    let write = |share: f64| worded::percent(share, words);
    let ends = crate::statistics::Interval { low: bounds.none, high: bounds.each };
    worded::interval(ends, &write)
}
