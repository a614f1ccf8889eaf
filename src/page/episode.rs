//! `/episodes/{id}`: the summary of an episode for a screen, with a link to each record it rests on.
//!
//! The same words and numbers as the letter, never signed, always of this moment.

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::source::Source;
use crate::letter::catalogue::Catalogue;
use crate::letter::html as form;
use crate::letter::{Letter, layout};
use crate::page::to;

/// The page; `api` is the path of the API without a slash at its end, such as `/fhir`.
pub fn episode(summary: &Summary, api: &str, words: &Catalogue) -> String {
    let content = Letter { words, ..Letter::new(summary) }.content();
    let top = html! {
        h1 { (content.subject) }
        p class="when" { (content.date) ". " (words.get("episode-page.computed")) }
        (links(summary, api, words))
    };
    let body = html! {
        @for section in &content.sections {
            (form::section(section, &html! {
                (form::charts(&content, section.id))
                (sources(&section.sources, api, words))
            }))
        }
        (super::cautions(words))
    };
    let bottom = html! { p { (content.foot) } };
    layout::page(words.language(), &content.subject, &top, &body, &bottom)
}

/// Where one can go from here: patient, visit form, letters, findings, numbers.
fn links(summary: &Summary, api: &str, words: &Catalogue) -> Markup {
    let episode = summary.episode.as_ref().map(Source::target);
    let patient = summary.patient.as_ref().map(|patient| patient.source.target());
    html! {
        nav class="screen" aria-label=(words.get("episode-page.nav")) {
            ul class="links" {
                @if let Some(patient) = patient {
                    li { a href=(to(&format!("/patients/{}", patient.id), words)) { (words.get("episode-page.patient")) } }
                }
                @if let Some(episode) = episode {
                    @let letter = format!("{api}/{episode}/$episode-summary");
                    li { a href=(to(&format!("/episodes/{}/visit", episode.id), words)) { (words.get("episode-page.visit")) } }
                    li { a href=(to(&format!("{letter}?_format=text/html"), words)) { (words.get("episode-page.letter")) " (HTML)" } }
                    li { a href=(to(&format!("{letter}?_format=application/pdf"), words)) { (words.get("episode-page.letter")) " (PDF)" } }
                    li { a href=(to(&format!("{letter}?_format=application/fhir%2Bjson"), words)) { (words.get("episode-page.document")) } }
                    li { a href=(to(&format!("{letter}?explain=true&_format=application/fhir%2Bjson&_pretty=true"), words)) { (words.get("episode-page.explain")) } }
                    li { a href=(to(&format!("{api}/{episode}/$consistency?_pretty=true"), words)) { (words.get("episode-page.consistency")) } }
                }
            }
        }
    }
}

/// The records of a section, each with a link to the version that was read.
fn sources(sources: &[Source], api: &str, words: &Catalogue) -> Markup {
    html! {
        @if !sources.is_empty() {
            details {
                summary { (words.fill("episode-page.sources", &[("n", sources.len().to_string())])) }
                ul class="counts" {
                    @for source in sources {
                        li { a href=(format!("{api}/{source}")) { (source.target()) } }
                    }
                }
            }
        }
    }
}
