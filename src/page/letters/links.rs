//! The links to a letter: to whom, by whom, until when, how often used; the form that makes the next.

use maud::{Markup, html};

use crate::clinical::source::Source;
use crate::fhir::Instant;
use crate::letter::catalogue::Catalogue;
use crate::letter::filed::{Filed, Standing};
use crate::page::letters::{Letters, moment};
use crate::page::to;

/// A link to a letter.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SharedLink {
    /// By what it is ended; it opens nothing.
    pub id: String,
    /// For whom it is.
    pub recipient: String,
    /// Who made it.
    pub by: String,
    /// When it was made.
    pub made: Instant,
    /// From when on it opens nothing.
    pub ends: Instant,
    /// How often it may be used.
    pub most: u32,
    /// When it was used.
    pub uses: Vec<Instant>,
    /// Whether it is `open`, `ended`, `revoked` or `spent`.
    pub state: &'static str,
}

/// What whoever is signed in may do with links to letters.
#[derive(Clone, Copy, Debug)]
pub struct Sharing<'a> {
    /// What only pages of that session have.
    pub csrf: &'a str,
    /// The links to each letter, by its id, the latest first.
    pub links: &'a [(String, Vec<SharedLink>)],
}

/// The links to a letter, folded away unless there are some.
pub(super) fn links(page: &Letters<'_>, filed: &Filed, words: &Catalogue) -> Markup {
    let (Some(sharing), Some(episode)) =
        (page.sharing, page.summary.episode.as_ref().map(Source::target))
    else {
        return Markup::default();
    };
    let id = &filed.letter.target().id;
    let links = sharing.links.iter().find(|(of, _)| of == id);
    let links: &[SharedLink] = links.map(|(_, links)| links.as_slice()).unwrap_or_default();
    let can_share = filed.standing == Standing::Signed;
    let action = format!("/episodes/{}/letters/{id}/links", episode.id);
    html! {
        @if can_share || !links.is_empty() {
            details class="sharing" open[!links.is_empty()] {
                summary { (words.get("links.title")) }
                @if !links.is_empty() {
                    ul class="shared" { @for link in links { li { (one(link, &action, sharing.csrf, words)) } } }
                }
                @if can_share { (form(id, &action, sharing.csrf, words)) }
            }
        }
    }
}

/// A link with its uses.
fn one(link: &SharedLink, action: &str, csrf: &str, words: &Catalogue) -> Markup {
    let uses = [("n", link.uses.len().to_string()), ("most", link.most.to_string())];
    let made = [("name", link.by.clone()), ("when", moment(Some(link.made), words))];
    let ends = [("when", moment(Some(link.ends), words))];
    html! {
        strong { (link.recipient) } " " span class="state" { (words.name("links.state", link.state)) }
        br;
        (words.fill("links.made", &made)) " " (words.fill("links.ends", &ends)) " " (words.fill("links.used", &uses))
        @if !link.uses.is_empty() {
            ul { @for at in &link.uses { li { (moment(Some(*at), words)) } } }
        }
        @if link.state == "open" {
            form method="post" action=(to(&format!("{action}/{}", link.id), words)) {
                input type="hidden" name="csrf" value=(csrf);
                button class="plain" aria-label=(words.fill("links.end-of", &[("name", &link.recipient)])) { (words.get("links.end")) }
            }
        }
    }
}

/// The form of the next link.
fn form(id: &str, action: &str, csrf: &str, words: &Catalogue) -> Markup {
    let number = |name: &str, value: &str, most: &str| {
        html! {
            label {
                span { (words.name("links", name)) }
                input type="number" id=(format!("{id}-{name}")) name=(name) value=(value) min="1" max=(most) required inputmode="numeric";
            }
        }
    };
    html! {
        p { (words.get("links.help")) }
        form method="post" action=(to(action, words)) autocomplete="off" {
            input type="hidden" name="csrf" value=(csrf);
            div class="fields" {
                label {
                    span { (words.get("links.recipient")) }
                    input type="text" id=(format!("{id}-recipient")) name="recipient" maxlength="200" required;
                }
                (number("days", "7", "30"))
                (number("uses", "5", "20"))
                button type="submit" { (words.get("links.make")) }
            }
        }
    }
}
