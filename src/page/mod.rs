//! Pages for people: what this server holds, an episode, a patient, the form of a visit.
//!
//! Pure functions over what the caller read; plain, accessible, printed well. Nothing is loaded from
//! elsewhere, and the only scripts are those of the visit form: [`VISIT_SCRIPTS`], each at its path.
//! A content security policy may allow `style-src` by [`style_source`](crate::letter::layout::style_source)
//! and, for the visit form, `script-src 'self'` and `connect-src 'self'`.

mod episode;
mod overview;
mod patient;
mod visit;

use maud::Markup;

use crate::letter::catalogue::Catalogue;
use crate::letter::layout;

pub use episode::episode;
pub use overview::{Episode, Overview, index};
pub use patient::{Patient, patient};
pub use visit::{SCRIPTS as VISIT_SCRIPTS, visit};

/// The same link for who reads in another language than the first.
fn to(path: &str, words: &Catalogue) -> String {
    let mark = if path.contains('?') { '&' } else { '?' };
    match words.language() {
        "en" => path.to_owned(),
        language => format!("{path}{mark}language={language}"),
    }
}

/// The cautions that stand on every page.
fn cautions(words: &Catalogue) -> Markup {
    let names = ["findings", "screening", "words", "emergency"];
    let cautions = names.map(|name| words.name("caution", name).to_owned());
    layout::cautions(words.get("caution.title"), &cautions)
}
