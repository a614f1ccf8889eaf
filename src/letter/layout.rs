//! The frame of every page: head, style, landmarks. Self-contained; nothing is loaded.

use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");

/// A page with its title; `top` stands in the header, `body` in the main part, `bottom` in the
/// footer.
pub fn page(language: &str, title: &str, top: &Markup, body: &Markup, bottom: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang=(language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header class="top" { (top) }
                main { (body) }
                footer class="bottom" { (bottom) }
            }
        }
    };
    page.into_string()
}

/// The cautions of a letter or page.
pub fn cautions(title: &str, cautions: &[String]) -> Markup {
    html! {
        section class="cautions" aria-labelledby="cautions" {
            h2 id="cautions" { (title) }
            ul { @for caution in cautions { li { (caution) } } }
        }
    }
}

/// Something that may be wider than a small screen: it scrolls by itself, also by keyboard.
pub fn wide(label: &str, body: &Markup) -> Markup {
    html! { div class="wide" role="group" tabindex="0" aria-label=(label) { (body) } }
}
