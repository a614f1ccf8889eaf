//! The frame of every page: head, style, landmarks. Self-contained; nothing is loaded.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

/// The style of every page, word for word as it stands inside `style`.
pub const STYLE: &str = include_str!("style.css");

/// Where the title of a page ends. What stands before is escaped, so that the first is the one.
pub const TITLE_ENDS: &str = "</title>";

/// Where the top of a page begins.
pub const TOP_BEGINS: &str = "<header class=\"top\">";

/// The source expression of a content security policy that allows the style and no other:
/// `'sha256-…'`.
/// Source: <https://www.w3.org/TR/CSP2/#style-src-hash-usage>.
pub fn style_source() -> String {
    format!("'sha256-{}'", STANDARD.encode(Sha256::digest(STYLE)))
}

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

#[cfg(test)]
mod tests {
    use super::*;

    /// The digest of an independent tool: `openssl dgst -sha256 -binary | base64` of "abc" is a
    /// published vector (FIPS 180-2, appendix B.1); the style's own follows the same way.
    #[test]
    fn the_style_of_a_page_is_the_one_that_is_hashed() {
        let abc = STANDARD.encode(Sha256::digest("abc"));
        assert_eq!(abc, "ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=");
        let nothing = Markup::default();
        let page = page("en", "t", &nothing, &nothing, &nothing);
        assert!(page.contains(&format!("<style>{STYLE}</style>")));
        assert!(!page.contains("style=\""), "an attribute that no hash allows");
        for mark in [TITLE_ENDS, TOP_BEGINS] {
            assert_eq!(page.matches(mark).count(), 1, "{mark}");
        }
        assert_eq!(style_source().len(), "'sha256-'".len() + 44);
    }
}
