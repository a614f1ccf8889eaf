//! The form that signs: who, which kind, which language, what it replaces, own words; then once more.

use maud::{Markup, html};
use serde_json::json;

use crate::clinical::source::Source;
use crate::letter::catalogue::Catalogue;
use crate::letter::filed::Standing;
use crate::letter::kind::Kind;
use crate::page::letters::{Letters, moment};
use crate::page::{script_words, to};

/// What the script says, by the keys that it asks for.
const SCRIPT_WORDS: [&str; 15] = [
    "who",
    "read",
    "too-long",
    "not-sent",
    "check",
    "signing",
    "lost",
    "refused",
    "no-reason",
    "done",
    "before",
    "reload",
    "sum",
    "sum-replaces",
    "sum-words",
];

/// The form; a sentence where there is nobody who can sign.
pub(super) fn form(page: &Letters<'_>, words: &Catalogue) -> Markup {
    let Some(episode) = page.summary.episode.as_ref().map(Source::target) else {
        return Markup::default();
    };
    let letters: Vec<String> =
        page.filed.iter().map(|filed| filed.letter.target().to_string()).collect();
    let here = to(&format!("/episodes/{}/letters", episode.id), words);
    html! {
        p { (words.get("letters.sign-help")) }
        noscript { p class="lead" { (words.get("letters.no-script")) } }
        @if page.signers.is_empty() {
            p class="lead" { (words.get("letters.nobody")) }
        } @else {
            form id="sign" autocomplete="off" novalidate
                data-operation=(format!("{}/{episode}/$finalize-letter", page.api))
                data-digest=(page.digest) data-here=(here)
                data-letters=(json!(letters)) data-words=(script_words("sign", &SCRIPT_WORDS, words)) {
                (asked(page, words))
                (confirm(words))
                p id="sign-status" role="status" {}
                ul id="sign-refusals" class="refusals" tabindex="-1" hidden aria-label=(words.name("sign", "refused")) {}
            }
        }
    }
}

/// The first step: what is to be signed.
fn asked(page: &Letters<'_>, words: &Catalogue) -> Markup {
    let called = Kind::of(page.summary);
    let current = page.filed.iter().filter(|filed| filed.standing == Standing::Signed);
    let current: Vec<_> = current.collect();
    html! {
        fieldset id="sign-asked" {
            legend { (words.get("sign.legend")) }
            div class="fields" {
                label {
                    span { (words.get("sign.attester")) }
                    select id="attester" name="attester" {
                        option value="" { "\u{2013}" }
                        @for (name, reference) in page.signers { option value=(reference) { (name) } }
                    }
                }
                label {
                    span { (words.get("sign.kind")) }
                    select id="kind" name="kind" {
                        @for kind in Kind::ALL {
                            option value=(kind.code()) selected[kind == called] { (words.name("letters.kind", kind.code())) }
                        }
                    }
                }
                label {
                    span { (words.get("sign.language")) }
                    select id="language" name="language" {
                        @for language in ["en", "de"] {
                            option value=(language) selected[language == words.language()] { (words.name("language", language)) }
                        }
                    }
                }
            }
            @if !current.is_empty() {
                div role="group" aria-labelledby="replaces-title" {
                    p id="replaces-title" { (words.get("sign.replaces")) }
                    ul class="choices" {
                        @for filed in current {
                            @let target = filed.letter.target();
                            @let name = format!("replaces.{}", target.id);
                            li {
                                label {
                                    input type="checkbox" id=(name) name="replaces" value=(target);
                                    " " span lang=[filed.language.as_deref()] { (filed.title) } ", " (moment(filed.moment, words))
                                }
                            }
                        }
                    }
                }
            }
            label {
                span { (words.get("sign.words")) }
                textarea id="words" name="words" rows="4" {}
            }
            p { button type="submit" id="sign-check" { (words.get("sign.next")) } }
        }
    }
}

/// The second step: what will be signed, and the signature itself.
fn confirm(words: &Catalogue) -> Markup {
    html! {
        fieldset id="sign-confirm" hidden {
            legend { (words.get("sign.confirm")) }
            p id="sign-sum" class="lead" tabindex="-1" {}
            p { (words.get("sign.means")) }
            p {
                label {
                    input type="checkbox" id="read" name="read";
                    " " (words.get("sign.have-read"))
                }
            }
            p class="actions" {
                button type="button" id="sign-now" { (words.get("sign.now")) }
                " "
                button type="button" id="sign-back" class="plain" { (words.get("sign.back")) }
            }
        }
    }
}
