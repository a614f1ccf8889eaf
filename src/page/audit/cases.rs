//! The cases behind a figure: each episode, what it counted as, and the way to its record.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::{Asked, worded};
use crate::audit::Population;
use crate::audit::table::Row;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::overview::Episode;
use crate::page::to;

/// The name of the stratum of those of which the record does not say.
pub const UNKNOWN: &str = "UNK";

/// The cases of a row.
pub struct Cases<'a> {
    /// The path of the API, without a slash at its end.
    pub api: &'a str,
    /// What was asked for.
    pub asked: &'a Asked,
    /// The title of the Measure.
    pub title: &'a str,
    /// Whether it is about one stratum.
    pub is_stratum: bool,
    /// The row, with its members.
    pub row: &'a Row,
    /// Names of what strata refer to, by reference.
    pub names: &'a BTreeMap<String, String>,
    /// The cases that are shown.
    pub cases: &'a [Case],
    /// Cases that are not shown.
    pub more: usize,
}

/// One case.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Case {
    /// The episode, as the report refers to it.
    pub reference: String,
    /// What is said of it.
    pub episode: Episode,
}

/// The page.
pub fn cases(page: &Cases<'_>, words: &Catalogue) -> String {
    let split = page.asked.stratifier.as_deref().filter(|_| page.is_stratum);
    let group = split.map(|split| {
        let name = worded::group(split, page.row.value.as_deref(), page.names, words);
        format!("{}: {name}", words.name("audit.stratifier", split))
    });
    let title = format!("{}: {}", words.get("audit.cases"), page.title);
    let request = page.asked.request(page.api, "subject-list");
    let top = html! {
        h1 { (words.get("audit.cases")) ": " span lang="en" { (page.title) } }
        p class="when" {
            @if let Some(group) = &group { (group) ". " }
            (super::period(page.asked, words))
        }
        (super::trail(page.asked, "cases", words))
    };
    let body = html! {
        p { (words.get("audit.cases-what")) }
        @if page.cases.is_empty() { p { (words.get("audit.no-case-here")) } }
        @else { (layout::wide(words.get("audit.cases"), &table(page, words))) }
        @if page.more > 0 { p class="note" { (words.fill("audit.cases-more", &[("n", page.more.to_string())])) } }
        p { (words.get("audit.request")) }
        p { a href=(format!("{request}&_pretty=true")) title=(page.row.place) { code { "GET " (request) } } }
        (super::cautions(words))
    };
    let bottom = html! { p { (words.get("audit.cases-foot")) } };
    layout::page(words.language(), &title, &top, &body, &bottom)
}

fn table(page: &Cases<'_>, words: &Catalogue) -> Markup {
    let nothing = words.get("not-recorded");
    html! {
        table class="episodes" {
            caption { (words.get("audit.cases-caption")) }
            thead { tr {
                @for column in ["patient", "counted-as", "period", "state"] {
                    th scope="col" { (words.name("audit.case-column", column)) }
                }
            } }
            tbody {
                @for Case { reference, episode } in page.cases {
                    @let status = episode.status.as_deref().map_or(nothing, |s| words.name("episode-status", s));
                    @let reason = episode.end_reason.as_deref().map(|reason| words.name("end-reason", reason));
                    tr {
                        th scope="row" { a href=(to(&format!("/episodes/{}", episode.id), words)) { (episode.patient.as_deref().unwrap_or(&episode.id)) } }
                        td { (words.name("audit.counted-as", counted_as(page.row, reference))) }
                        td { (crate::page::overview::period(episode, words)) }
                        td { (status) @if let Some(reason) = reason { ", " (reason) } }
                    }
                }
            }
        }
    }
}

/// What a case counted as: the population that decides it.
fn counted_as(row: &Row, reference: &str) -> &'static str {
    use Population as P;
    let among = |population: P| {
        row.members.get(&population).is_some_and(|all| all.iter().any(|one| one == reference))
    };
    if row.missing_members.iter().any(|one| one == reference) {
        return "missing";
    }
    let out = [
        P::DenominatorExclusion,
        P::DenominatorException,
        P::MeasureExclusion,
        P::NumeratorExclusion,
    ];
    if out.into_iter().any(among) {
        return "excluded";
    }
    if among(P::Numerator) || among(P::Measure) {
        return "with";
    }
    if among(P::Denominator) { "without" } else { "outside" }
}
