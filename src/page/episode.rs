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
        (super::trail(summary, "episode", words))
        (forms(summary, api, words))
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

/// The same in other forms: the draft of the letter, the numbers, the findings.
fn forms(summary: &Summary, api: &str, words: &Catalogue) -> Markup {
    let Some(episode) = summary.episode.as_ref().map(Source::target) else {
        return Markup::default();
    };
    let letter = format!("{api}/{episode}/$episode-summary");
    let ways = [
        (format!("{letter}?_format=text/html"), "episode-page.letter", " (HTML)"),
        (format!("{letter}?_format=application/pdf"), "episode-page.letter", " (PDF)"),
        (format!("{letter}?_format=application/fhir%2Bjson"), "episode-page.document", ""),
        (
            format!("{letter}?explain=true&_format=application/fhir%2Bjson&_pretty=true"),
            "episode-page.explain",
            "",
        ),
        (
            format!("{api}/{episode}/$consistency?_format=json&_pretty=true"),
            "episode-page.consistency",
            "",
        ),
    ];
    html! {
        nav class="screen forms" aria-label=(words.get("episode-page.nav")) {
            ul class="links" {
                @for (path, name, form) in ways { li { a href=(to(&path, words)) { (words.get(name)) (form) } } }
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
