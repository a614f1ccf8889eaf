//! Pages for people: what this server holds, an episode, its letters, a patient, the form of a visit,
//! an audit, sign-in, a letter for its recipient, and what is told of a request that was not carried
//! out.
//!
//! Pure functions over what the caller read; plain, accessible, printed well. Nothing is loaded from
//! elsewhere, and the only scripts are those of the two forms: [`SCRIPTS`], each at its path.
//! A content security policy may allow `style-src` by [`style_source`](crate::letter::layout::style_source)
//! and, for a form, `script-src 'self'` and `connect-src 'self'`.

mod audit;
mod episode;
mod fault;
mod letters;
mod overview;
mod patient;
mod shared;
mod sign_in;
mod visit;

use maud::{Markup, html};
use serde_json::{Map, Value};

use crate::clinical::Summary;
use crate::clinical::source::Source;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;

pub use audit::{
    Asked, Audit, Case, Cases, DownloadForm, Listed, Told, UNKNOWN as UNKNOWN_STRATUM, audit,
    cases, download,
};
pub use episode::episode;
pub use fault::fault;
pub use letters::{Letters, SCRIPT as SIGN_SCRIPT, SharedLink, Sharing, letters};
pub use overview::{Episode, Overview, index};
pub use patient::{Patient, patient};
pub use shared::{SharedLetter, link_first, link_gone, link_made, shared_letter};
pub use sign_in::{of_person, sign_in_refused, signed_out};
pub use visit::{SCRIPTS as VISIT_SCRIPTS, visit};

/// Every script: where a page looks for it, and what is served there.
pub const SCRIPTS: [(&str, &str); 5] =
    [FORM_SCRIPT, VISIT_SCRIPTS[0], VISIT_SCRIPTS[1], VISIT_SCRIPTS[2], SIGN_SCRIPT];

/// The script of what all forms do, which their own scripts call.
const FORM_SCRIPT: (&str, &str) = ("/form.js", include_str!("form.js"));

/// The way through the pages of an episode; where one is stands without a link.
fn trail(summary: &Summary, here: &str, words: &Catalogue) -> Markup {
    let patient = summary.patient.as_ref().map(|patient| patient.source.target());
    let episode = summary.episode.as_ref().map(Source::target);
    let mut ways = vec![("first", "/".to_owned())];
    ways.extend(patient.map(|patient| ("patient", format!("/patients/{}", patient.id))));
    if let Some(episode) = episode {
        let page = format!("/episodes/{}", episode.id);
        ways.extend([
            ("episode", page.clone()),
            ("visit", format!("{page}/visit")),
            ("letters", format!("{page}/letters")),
        ]);
    }
    steps(&ways, here, words)
}

/// Ways to go, by name and path; where one is stands without a link.
fn steps(ways: &[(&str, String)], here: &str, words: &Catalogue) -> Markup {
    html! {
        nav class="screen trail" aria-label=(words.get("trail")) {
            ul class="links" {
                @for (name, path) in ways {
                    li {
                        @if *name == here { span aria-current="page" { (words.name("trail", name)) } }
                        @else { a href=(to(path, words)) { (words.name("trail", name)) } }
                    }
                }
            }
        }
    }
}

/// The same link for who reads in another language than the first.
fn to(path: &str, words: &Catalogue) -> String {
    let mark = if path.contains('?') { '&' } else { '?' };
    match words.language() {
        "en" => path.to_owned(),
        language => format!("{path}{mark}language={language}"),
    }
}

/// What a script says, as JSON, by the keys that it asks for.
fn script_words(group: &str, keys: &[&str], words: &Catalogue) -> String {
    let word = |key: &&str| ((*key).to_owned(), Value::from(words.name(group, key)));
    Value::Object(keys.iter().map(word).collect::<Map<_, _>>()).to_string()
}

/// The cautions that stand on every page.
fn cautions(words: &Catalogue) -> Markup {
    let names = ["findings", "screening", "words", "emergency"];
    let cautions = names.map(|name| words.name("caution", name).to_owned());
    layout::cautions(words.get("caution.title"), &cautions)
}
