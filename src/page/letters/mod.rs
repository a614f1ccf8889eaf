//! `/episodes/{id}/letters`: the letters of an episode, and the form that signs the next one.
//!
//! What is signed stands with its time, signer, hashes and what became of the record since; what is
//! replaced leads to what replaced it. The form asks twice, sends one request to the API like any
//! client, and tells every refusal at its field. Signing means that the draft was read: the form names
//! the record that the draft was computed from, and the server refuses where it has changed.

mod form;
mod links;

use std::collections::BTreeSet;

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::element::Target;
use crate::clinical::source::{Day, Source};
use crate::fhir::Instant;
use crate::letter::catalogue::Catalogue;
use crate::letter::filed::{Filed, Form, Standing};
use crate::letter::kind::Kind;
use crate::letter::layout;
use crate::page::to;

/// The script of the form: where it looks for it, and what is served there.
pub const SCRIPT: (&str, &str) = ("/sign.js", include_str!("sign.js"));

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct Letters<'a> {
    /// The path of the API, without a slash at its end, such as `/fhir`.
    pub api: &'a str,
    /// The episode as it stands now.
    pub summary: &'a Summary,
    /// The digest of everything that a letter of now would be made from.
    pub digest: &'a str,
    /// Who may sign: name and reference.
    pub signers: &'a [(String, String)],
    /// The letters, the latest first.
    pub filed: &'a [Filed],
    /// What whoever is signed in may do with links to them; none where nobody is.
    pub sharing: Option<Sharing<'a>>,
}

pub use links::{SharedLink, Sharing};

/// The page.
pub fn letters(page: &Letters<'_>, words: &Catalogue) -> String {
    let name = page.summary.patient.as_ref().map(|patient| patient.name.as_str());
    let name = name.unwrap_or(words.get("not-recorded"));
    let title = words.fill("letters.title", &[("patient", name)]);
    let top = html! {
        h1 { (title) }
        p class="when" { (words.get("letters.what")) }
        (super::trail(page.summary, "letters", words))
    };
    let signed = page.filed.iter().filter(|filed| filed.standing != Standing::Draft);
    let drafts = page.filed.iter().filter(|filed| filed.standing == Standing::Draft);
    let body = html! {
        section aria-labelledby="signed" {
            h2 id="signed" { (words.get("letters.signed")) }
            (list(page, &signed.collect::<Vec<_>>(), words))
        }
        section aria-labelledby="drafts" {
            h2 id="drafts" { (words.get("letters.drafts")) }
            (draft(page, words))
            @let drafts: Vec<&Filed> = drafts.collect();
            @if !drafts.is_empty() { (list(page, &drafts, words)) }
        }
        section aria-labelledby="sign-title" {
            h2 id="sign-title" { (words.get("letters.sign")) }
            (form::form(page, words))
        }
        (super::cautions(words))
        script src=(super::FORM_SCRIPT.0) defer {}
        script src=(SCRIPT.0) defer {}
    };
    let bottom = html! { p { (words.get("letters.foot")) } };
    layout::page(words.language(), &title, &top, &body, &bottom)
}

fn list(page: &Letters<'_>, letters: &[&Filed], words: &Catalogue) -> Markup {
    html! {
        @if letters.is_empty() { p { (words.get("letters.none")) } }
        @for filed in letters { (one(page, filed, words)) }
    }
}

/// One filed letter.
fn one(page: &Letters<'_>, filed: &Filed, words: &Catalogue) -> Markup {
    let id = &filed.letter.target().id;
    let title = if filed.title.is_empty() { words.get("not-recorded") } else { &filed.title };
    let language = filed.language.as_deref().map(|language| words.name("language", language));
    html! {
        article class="letter" id=(id) aria-labelledby=(format!("{id}-title")) {
            h3 id=(format!("{id}-title")) lang=[filed.language.as_deref()] { (title) }
            p { (standing(filed.standing, words)) @if let Some(language) = language { " " (language) } }
            dl {
                dt { (words.get(if filed.signer.is_some() { "letters.when" } else { "letters.made" })) }
                dd { (moment(filed.moment, words)) }
                @if let Some(signer) = &filed.signer {
                    dt { (words.get("letters.by")) }
                    dd { a href=(format!("{}/{signer}", page.api)) { (filed.name.as_deref().unwrap_or(&signer.to_string())) } }
                }
                (replacing(page, filed, words))
                @if !filed.forms.is_empty() {
                    dt { (words.get("letters.forms")) }
                    dd { (forms(page, filed, words)) }
                }
                @if !filed.inputs.is_empty() {
                    dt { (words.get("letters.record")) }
                    dd { (since(page.summary, filed, words)) }
                }
            }
            (seal(page, filed, words))
            (links::links(page, filed, words))
        }
    }
}

/// The state in words; shape and text carry it, colour only repeats it.
fn standing(standing: Standing, words: &Catalogue) -> Markup {
    let name = match standing {
        Standing::Draft => "draft",
        Standing::Signed => "signed",
        Standing::Superseded => "superseded",
        Standing::InError => "in-error",
    };
    html! { strong class=(format!("state {name}")) { (words.name("letters.state", name)) } }
}

/// A moment, to the minute, in UTC.
pub(super) fn moment(moment: Option<Instant>, words: &Catalogue) -> String {
    let Some(moment) = moment.map(Instant::to_utc) else {
        return words.get("not-recorded").to_owned();
    };
    let time = format!("{:02}:{:02}", moment.hour(), moment.minute());
    words.fill("letters.moment", &[("day", words.day(Day(moment.date()))), ("time", time)])
}

/// What it replaced, and what replaced it.
fn replacing(page: &Letters<'_>, filed: &Filed, words: &Catalogue) -> Markup {
    let own = filed.letter.target();
    let later = page.filed.iter().filter(|other| other.replaces.contains(own));
    let earlier = page.filed.iter().filter(|other| filed.replaces.contains(other.letter.target()));
    let lines = [
        ("letters.replaced-by", later.collect::<Vec<_>>()),
        ("letters.replaces", earlier.collect()),
    ];
    html! {
        @for (key, others) in lines {
            @if !others.is_empty() {
                dt { (words.get(key)) }
                @for other in others {
                    dd {
                        a href=(format!("#{}", other.letter.target().id)) { (moment(other.moment, words)) }
                    }
                }
            }
        }
    }
}

/// The name of a form, and the text of its link.
fn form_name<'a>(form: &'a Form, words: &'a Catalogue) -> &'a str {
    match form.media_type.as_str() {
        "application/pdf" => "PDF",
        "text/html" => words.get("letters.page"),
        "application/fhir+json" => words.get("episode-page.document"),
        other => other,
    }
}

/// The forms, those for people first.
fn in_order(filed: &Filed) -> Vec<&Form> {
    let mut forms: Vec<&Form> = filed.forms.iter().collect();
    let place = |form: &&Form| {
        let known = ["text/html", "application/pdf", "application/fhir+json"];
        known.iter().position(|known| form.media_type == *known).unwrap_or(known.len())
    };
    forms.sort_by_key(place);
    forms
}

fn forms(page: &Letters<'_>, filed: &Filed, words: &Catalogue) -> Markup {
    let held = in_order(filed).into_iter();
    let held = held.filter_map(|form| Some((form, form.held_by.as_ref()?)));
    let link = |target: &Target| {
        let query = if target.is("Binary") { "" } else { "?_format=json&_pretty=true" };
        format!("{}/{target}{query}", page.api)
    };
    html! {
        @for (at, (form, target)) in held.enumerate() {
            @if at > 0 { " \u{b7} " }
            a href=(link(target)) { (form_name(form, words)) }
        }
    }
}

/// What became of the record since the letter was made.
fn since(summary: &Summary, filed: &Filed, words: &Catalogue) -> String {
    let now: BTreeSet<String> = summary.sources.iter().map(ToString::to_string).collect();
    let known: BTreeSet<&str> =
        filed.inputs.iter().filter_map(|input| input.split("/_history/").next()).collect();
    let changed = filed.inputs.iter().filter(|input| !now.contains(*input)).count();
    let is_new = |source: &&Source| !known.contains(source.target().to_string().as_str());
    let new = summary.sources.iter().filter(is_new).count();
    if changed == 0 && new == 0 {
        return words.fill("letters.unchanged", &[("n", filed.inputs.len().to_string())]);
    }
    let places = [
        ("n", filed.inputs.len().to_string()),
        ("changed", changed.to_string()),
        ("new", new.to_string()),
    ];
    words.fill("letters.changed", &places)
}

/// Hashes, digest and where they stand, folded away unless one of them does not agree.
fn seal(page: &Letters<'_>, filed: &Filed, words: &Catalogue) -> Markup {
    let broken = filed.forms.iter().any(|form| form.agrees == Some(false));
    let state = |form: &Form| match form.agrees {
        Some(true) => words.get("letters.agrees"),
        Some(false) => words.get("letters.differs"),
        None => words.get("letters.no-hash"),
    };
    html! {
        @if broken { p class="lead warning" { (words.get("letters.broken")) } }
        @if !filed.forms.is_empty() {
            details open[broken] {
                summary { (words.get("letters.seal")) }
                dl class="seal" {
                    @for form in in_order(filed) {
                        dt { (form_name(form, words)) }
                        dd { code { (form.hash.as_deref().unwrap_or("")) } " " (state(form)) }
                    }
                    @if let Some(digest) = &filed.digest {
                        dt { (words.get("letters.digest")) }
                        dd { code { (digest) } }
                    }
                    dt { (words.get("letters.resources")) }
                    dd { (resources(page, filed)) }
                }
            }
        }
    }
}

fn resources(page: &Letters<'_>, filed: &Filed) -> Markup {
    let letter = [filed.letter.target()];
    let references = filed.forms.iter().map(|form| &form.reference);
    let all = letter.into_iter().chain(references).chain(&filed.provenance);
    html! {
        @for (at, target) in all.enumerate() {
            @if at > 0 { ", " }
            a href=(format!("{}/{target}", page.api)) { (target.kind.as_str()) }
        }
    }
}

/// The draft as it would be signed now, in each kind.
fn draft(page: &Letters<'_>, words: &Catalogue) -> Markup {
    let Some(episode) = page.summary.episode.as_ref().map(Source::target) else {
        return Markup::default();
    };
    let called = Kind::of(page.summary);
    let link = |kind: Kind, format: &str| {
        let path = format!("{}/{episode}/$episode-summary?kind={}", page.api, kind.code());
        to(&format!("{path}&_format={format}"), words)
    };
    let kinds = [called].into_iter().chain(Kind::ALL.into_iter().filter(|kind| *kind != called));
    html! {
        p { (words.get("letters.draft")) }
        ul class="drafts" {
            @for kind in kinds {
                @let name = words.name("letters.kind", kind.code());
                li {
                    @if kind == called { strong { (name) } } @else { (name) }
                    ": "
                    a href=(link(kind, "text/html")) aria-label=(format!("{name}, {}", words.get("letters.page"))) { (words.get("letters.page")) }
                    " \u{b7} "
                    a href=(link(kind, "application/pdf")) aria-label=(format!("{name}, PDF")) { "PDF" }
                    @if kind == called { " (" (words.get("letters.called")) ")" }
                }
            }
        }
    }
}
