//! The first page: what this server holds, its episodes, links to letters and to the API.
//!
//! A pure function over what the caller counted and read; plain, accessible, printed well.

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::source::Day;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::to;

/// What the first page shows.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Overview {
    /// The path of the API, without a slash at its end, such as `/fhir`.
    pub api: String,
    /// The server's version.
    pub version: String,
    /// How many resources of each type are held; types without any may be left out.
    pub counts: Vec<(String, u64)>,
    /// The episodes, in the order to be shown.
    pub episodes: Vec<Episode>,
    /// Episodes that are held and not shown, where the list was cut.
    pub more: u64,
}

/// One episode on the first page.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Episode {
    /// Its logical id.
    pub id: String,
    /// The patient's name.
    pub patient: Option<String>,
    /// The problem.
    pub problem: Option<String>,
    /// The status, as the standard codes it.
    pub status: Option<String>,
    /// Our code of why it ended.
    pub end_reason: Option<String>,
    /// First and last day of its period, as recorded.
    pub start: Option<String>,
    /// The last day of its period, as recorded.
    pub end: Option<String>,
}

impl Episode {
    /// The line of an episode, from its summary.
    pub fn of(id: &str, summary: &Summary) -> Self {
        let course = &summary.course;
        Self {
            id: id.to_owned(),
            patient: summary.patient.as_ref().map(|patient| patient.name.clone()),
            problem: summary.problems.first().map(|problem| problem.name.clone()),
            status: course.status.clone(),
            end_reason: course.end_reason.clone(),
            start: course.start.map(|day| day.to_string()),
            end: course.end.map(|day| day.to_string()),
        }
    }
}

/// The first page.
pub fn index(overview: &Overview, words: &Catalogue) -> String {
    let title = words.get("page.title");
    let top = html! {
        h1 { (title) }
        p class="when" { (words.fill("page.what", &[("version", overview.version.as_str())])) }
    };
    let body = html! {
        section aria-labelledby="episodes" {
            h2 id="episodes" { (words.get("page.episodes")) }
            (episodes(overview, words))
        }
        section aria-labelledby="across" {
            h2 id="across" { (words.get("page.audit-way")) }
            p { a href=(to("/audit", words)) { (words.get("page.audit")) } }
        }
        section aria-labelledby="holds" {
            h2 id="holds" { (words.get("page.holds")) }
            (counts(overview, words))
        }
        section aria-labelledby="api" {
            h2 id="api" { (words.get("page.api")) }
            (api(overview, words))
        }
        (super::cautions(words))
    };
    let bottom = html! { p { (words.get("page.foot")) } };
    layout::page(words.language(), title, &top, &body, &bottom)
}

fn episodes(overview: &Overview, words: &Catalogue) -> Markup {
    html! {
        @if overview.episodes.is_empty() {
            p { (words.get("page.no-episode")) }
        } @else {
            (table(&overview.api, &overview.episodes, Whose::Everyone, words))
        }
        @if overview.more > 0 {
            p class="note" { (words.fill("page.more", &[("n", overview.more.to_string())])) }
        }
    }
}

/// A table of episodes, with their letters; those of one person need no column for the name.
pub(super) fn table(api: &str, episodes: &[Episode], whose: Whose, words: &Catalogue) -> Markup {
    let columns: &[&str] = match whose {
        Whose::Everyone => &["patient", "problem", "state", "period", "letter", "more"],
        Whose::OnePerson => &["period", "problem", "state", "letter", "more"],
    };
    let caption = words.name("page.caption", whose.code());
    let table = html! {
        table class="episodes" {
            caption { (caption) }
            thead {
                tr { @for column in columns { th scope="col" { (words.name("page.column", column)) } } }
            }
            tbody { @for episode in episodes { (row(api, episode, whose, words)) } }
        }
    };
    layout::wide(caption, &table)
}

/// Whose episodes a table shows.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Whose {
    Everyone,
    OnePerson,
}

impl Whose {
    fn code(self) -> &'static str {
        match self {
            Self::Everyone => "everyone",
            Self::OnePerson => "one-person",
        }
    }
}

fn row(api: &str, episode: &Episode, whose: Whose, words: &Catalogue) -> Markup {
    let nothing = words.get("not-recorded");
    let patient = episode.patient.as_deref().unwrap_or(nothing);
    let status = episode.status.as_deref().map_or(nothing, |s| words.name("episode-status", s));
    let reason = episode.end_reason.as_deref().map(|reason| words.name("end-reason", reason));
    let page = format!("/episodes/{}", episode.id);
    html! {
        tr {
            @if whose == Whose::Everyone {
                th scope="row" { a href=(to(&page, words)) { (patient) } }
            } @else {
                th scope="row" { a href=(to(&page, words)) { (period(episode, words)) } }
            }
            td { (episode.problem.as_deref().unwrap_or(nothing)) }
            td { (status) @if let Some(reason) = reason { ", " (reason) } }
            @if whose == Whose::Everyone { td { (period(episode, words)) } }
            td class="ways" { (letters(api, episode, patient, words)) }
            td class="ways" { (more(&page, patient, words)) }
        }
    }
}

/// First and last day.
pub(super) fn period(episode: &Episode, words: &Catalogue) -> Markup {
    let day = |text: &str| Day::parse(text).map_or_else(|| text.to_owned(), |d| words.short_day(d));
    let start = episode.start.as_deref().map_or(words.get("not-recorded").to_owned(), day);
    html! {
        span class="day" { (start) " \u{2013}" }
        @if let Some(end) = &episode.end { " " span class="day" { (day(end)) } }
    }
}

/// The letter in its forms, as it would be now.
fn letters(api: &str, episode: &Episode, patient: &str, words: &Catalogue) -> Markup {
    let resource = format!("{api}/EpisodeOfCare/{}", episode.id);
    let letter = |format: &str| to(&format!("{resource}/$episode-summary?_format={format}"), words);
    let forms =
        [("HTML", "text/html"), ("PDF", "application/pdf"), ("JSON", "application/fhir%2Bjson")];
    html! {
        @for (at, (name, format)) in forms.into_iter().enumerate() {
            @if at > 0 { " \u{b7} " }
            a href=(letter(format)) aria-label=(words.fill("page.letter", &[("form", name), ("patient", patient)])) { (name) }
        }
    }
}

/// Where work goes on: a visit, the letters that were signed.
fn more(page: &str, patient: &str, words: &Catalogue) -> Markup {
    let ways = [("visit", "page.visit"), ("letters", "page.letters")];
    html! {
        @for (at, (name, label)) in ways.into_iter().enumerate() {
            @if at > 0 { " \u{b7} " }
            a href=(to(&format!("{page}/{name}"), words)) aria-label=(words.fill(label, &[("patient", patient)])) { (words.name("page.way", name)) }
        }
    }
}

fn counts(overview: &Overview, words: &Catalogue) -> Markup {
    let held: Vec<&(String, u64)> = overview.counts.iter().filter(|(_, n)| *n > 0).collect();
    html! {
        @if held.is_empty() {
            p { (words.get("page.empty")) }
        } @else {
            ul class="counts" {
                @for (kind, n) in held {
                    li { a href=(format!("{}/{kind}", overview.api)) { (kind) } " " (n) }
                }
            }
        }
    }
}

fn api(overview: &Overview, words: &Catalogue) -> Markup {
    let base = &overview.api;
    html! {
        ul {
            li { a href=(format!("{base}/metadata?_pretty=true")) { (words.get("page.metadata")) } }
            li { code { "GET " (base) "/{type}/{id}" } ", " code { "GET " (base) "/{type}?{search}" } }
            li { code { "GET " (base) "/EpisodeOfCare/{id}/$episode-summary" } ": " (words.get("page.forms")) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shows_what_is_held_and_escapes_it() {
        let episode = Episode {
            id: "e1".into(),
            patient: Some("<b>Ann</b>".into()),
            status: Some("active".into()),
            ..Episode::default()
        };
        let overview = Overview {
            api: "/fhir".into(),
            counts: vec![("Patient".into(), 7), ("Basic".into(), 0)],
            episodes: vec![episode],
            ..Overview::default()
        };
        let page = index(&overview, Catalogue::english());
        assert!(page.contains("&lt;b&gt;Ann&lt;/b&gt;") && !page.contains("<b>Ann"));
        assert!(page.contains("/fhir/EpisodeOfCare/e1/$episode-summary?_format=application/pdf"));
        assert!(page.contains(">Patient</a> 7") && !page.contains(">Basic<"));
    }

    #[test]
    fn an_empty_server_says_so() {
        let page = index(&Overview::default(), Catalogue::english());
        assert!(page.contains(Catalogue::english().get("page.empty")));
        assert!(page.contains(Catalogue::english().get("page.no-episode")));
    }
}
