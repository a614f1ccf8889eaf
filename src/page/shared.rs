//! A link to a letter: as it is handed out, as its recipient finds it, the letter behind it, and what
//! is told where it opens nothing.

use maud::{Markup, html};

use crate::fhir::Instant;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::letters::{SharedLink, moment};
use crate::page::to;

/// A letter as its recipient gets it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SharedLetter<'a> {
    /// Its title.
    pub title: &'a str,
    /// Its language.
    pub language: Option<&'a str>,
    /// When it was signed.
    pub moment: Option<Instant>,
    /// Whether a later one has replaced it.
    pub is_replaced: bool,
    /// Its forms: of `page`, `pdf` and `document` those that there are.
    pub forms: Vec<&'a str>,
}

fn page(title: &str, when: &str, body: &Markup, words: &Catalogue) -> String {
    let top = html! {
        h1 { (title) }
        @if !when.is_empty() { p class="when" { (when) } }
    };
    let bottom = html! { p { (words.get("link.foot")) } };
    layout::page(words.language(), title, &top, body, &bottom)
}

/// A link that was just made; its text is shown this once.
pub fn link_made(episode: &str, url: &str, link: &SharedLink, words: &Catalogue) -> String {
    let title = words.fill("link.made.title", &[("name", &link.recipient)]);
    let ends = moment(Some(link.ends), words);
    let places = [("when", ends), ("n", link.most.to_string())];
    let back = to(&format!("/episodes/{episode}/letters"), words);
    let body = html! {
        p {
            label {
                span { (words.get("link.made.address")) }
                input type="url" class="address" readonly value=(url);
            }
        }
        p class="lead" { (words.get("link.made.once")) }
        p { (words.fill("link.made.holds", &places)) }
        p { (words.fill("link.made.send", &[("name", &link.recipient)])) }
        p { a href=(back) { (words.get("link.made.back")) } }
        (super::cautions(words))
    };
    page(&title, "", &body, words)
}

/// What is behind a link, before it is opened. It names nobody but the recipient.
pub fn link_first(link: &SharedLink, words: &Catalogue) -> String {
    let left = usize::try_from(link.most).unwrap_or_default().saturating_sub(link.uses.len());
    let places = [("when", moment(Some(link.ends), words)), ("n", left.to_string())];
    let body = html! {
        p class="lead" { (words.fill("link.for", &[("name", &link.recipient)])) }
        p { (words.get("link.not-you")) }
        p { (words.fill("link.left", &places)) }
        form method="post" { button type="submit" { (words.get("link.open")) } }
        (super::cautions(words))
    };
    page(words.get("link.title"), "", &body, words)
}

/// The letter for its recipient.
pub fn shared_letter(link: &SharedLink, letter: &SharedLetter<'_>, words: &Catalogue) -> String {
    let signed = words.fill("link.signed", &[("when", moment(letter.moment, words))]);
    let title = if letter.title.is_empty() { words.get("link.title") } else { letter.title };
    let body = html! {
        p { (words.fill("link.for", &[("name", &link.recipient)])) " " (words.get("link.not-you")) }
        @if letter.is_replaced { p class="lead warning" { (words.get("link.replaced")) } }
        section aria-labelledby="read" {
            h2 id="read" { (words.get("link.read")) }
            ul {
                @for form in &letter.forms {
                    li { a href=(format!("/shared/letter/{form}")) { (words.name("link.form", form)) } }
                }
            }
            p class="note" { (words.get("link.while")) }
        }
        p { (words.get("link.records")) }
        (super::cautions(words))
    };
    page(title, &signed, &body, words)
}

/// What is told of every link that opens nothing.
pub fn link_gone(words: &Catalogue) -> String {
    let body = html! {
        p { (words.get("link.gone.why")) }
        p { (words.get("link.gone.what")) }
        (super::cautions(words))
    };
    page(words.get("link.gone.title"), "", &body, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link() -> SharedLink {
        let at = Instant::from_millis;
        SharedLink {
            id: "1".to_owned(),
            recipient: "Dr <b>Iva</b>".to_owned(),
            by: "Ilse".to_owned(),
            made: at(0),
            ends: at(1_000_000),
            most: 5,
            uses: vec![at(1)],
            state: "open",
        }
    }

    #[test]
    fn names_are_escaped_and_every_word_is_there() {
        let letter = SharedLetter {
            title: "Letter <i>",
            language: Some("en"),
            moment: None,
            is_replaced: true,
            forms: vec!["page", "pdf", "document"],
        };
        for words in [Catalogue::english(), Catalogue::german()] {
            let made = link_made("e", "https://a.example/shared/x", &link(), words);
            assert!(made.contains("https://a.example/shared/x"));
            let pages = [made, link_first(&link(), words), shared_letter(&link(), &letter, words)];
            for page in &pages {
                assert!(page.contains("Dr &lt;b&gt;Iva") && !page.contains("<b>Iva"), "{page}");
            }
            for page in pages.iter().chain([&link_gone(words)]) {
                let text = page.split("</style>").nth(1).unwrap();
                let keys = words.keys().filter(|key| key.starts_with("link."));
                let shown: Vec<&str> = keys.filter(|key| text.contains(*key)).collect();
                assert!(shown.is_empty() && !text.contains('{'), "keys as text: {shown:?}");
                assert!(page.contains("id=\"cautions\"") && !page.contains("<script"));
            }
            assert!(pages[1].contains(" 4") && pages[2].contains("/shared/letter/pdf"));
        }
    }
}
