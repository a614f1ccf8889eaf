//! `/episodes/{id}/visit`: one visit on one screen, for a therapist without a clinic system.
//!
//! Keyboard first: segments are rows, the last grades stand beside, arrows go up and down, Enter goes
//! on. The script builds one transaction Bundle and sends it to the API like any client; the server
//! checks it by the same rules. What became of goals, flags and adverse events that are recorded
//! already goes into the same transaction, as patches.

mod after;
mod before;
mod scores;
mod segments;
mod treatment;

use maud::{Markup, html};
use serde_json::json;

use crate::clinical::Summary;
use crate::clinical::segment::Segment;
use crate::clinical::source::Source;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::{script_words, to};

/// The scripts of the form: where it looks for each, and what is served there.
pub const SCRIPTS: [(&str, &str); 3] = [
    ("/visit-after.js", include_str!("after.js")),
    ("/visit.js", include_str!("build.js")),
    ("/visit-form.js", include_str!("form.js")),
];

const MOVEMENTS: [&str; 6] = [
    "flexion",
    "extension",
    "lateral-flexion-left",
    "lateral-flexion-right",
    "rotation-left",
    "rotation-right",
];
/// What the script says, by the keys that it asks for.
const SCRIPT_WORDS: [&str; 29] = [
    "time",
    "end",
    "performer",
    "empty",
    "number",
    "whole",
    "grade",
    "pain-without-grade",
    "needed",
    "alone-with-dose",
    "items",
    "sum",
    "range-order",
    "period",
    "segment-list",
    "both-ways",
    "no-problem",
    "no-goal",
    "no-treatment",
    "restored",
    "no-draft",
    "not-sent",
    "sending",
    "lost",
    "back",
    "refused",
    "no-reason",
    "stored",
    "open",
];

/// The page; `api` is the path of the API without a slash at its end, such as `/fhir`.
pub fn visit(summary: &Summary, api: &str, words: &Catalogue) -> String {
    let patient = summary.patient.as_ref();
    let nothing = words.get("not-recorded");
    let name = patient.map_or(nothing, |patient| patient.name.as_str());
    let title = words.fill("visit.title", &[("patient", name)]);
    let by = summary.care_manager.as_ref();
    let reference = |source: Option<&Source>| {
        source.map(|source| source.target().to_string()).unwrap_or_default()
    };
    let episode = reference(summary.episode.as_ref());
    let page = format!("/episodes/{}", episode.trim_start_matches("EpisodeOfCare/"));
    let page = to(&page, words);
    let top = html! {
        h1 { (title) }
        p class="when" { (words.fill("visit.by", &[("name", by.map_or(nothing, |by| by.name.as_str()))])) }
        (super::trail(summary, "visit", words))
    };
    let body = html! {
        p { (words.get("visit.keys")) }
        noscript { p class="lead" { (words.get("visit.no-script")) } }
        form id="visit" autocomplete="off" novalidate data-api=(api) data-episode=(episode)
            data-patient=(reference(patient.map(|patient| &patient.source)))
            data-performer=(reference(by.map(|by| &by.source)))
            data-about=(about(summary)) data-episode-page=(page) data-words=(script_words("visit", &SCRIPT_WORDS, words)) {
            (time(words))
            (before::screening(summary, words))
            (before::consent(summary, words))
            (after::events(summary, words))
            (after::flags(summary, words))
            (segments::segments(summary, words))
            (treatment::treatments(words))
            (scores::scores(summary, words))
            (before::goal(summary, words))
            (after::plan(summary, words))
            (after::onward(summary, words))
            p { button type="submit" { (words.get("visit.send")) } }
            p id="visit-status" role="status" { (words.get("visit.draft")) }
            ul id="visit-refusals" class="refusals" tabindex="-1" hidden aria-label=(words.get("visit.refused")) {}
        }
        (super::cautions(words))
        script src=(super::FORM_SCRIPT.0) defer {}
        @for (path, _) in SCRIPTS { script src=(path) defer {} }
    };
    let bottom = html! { p { (words.get("visit.foot")) } };
    layout::page(words.language(), &title, &top, &body, &bottom)
}

/// What the script knows of the episode: its problems, goals and plans, the segments there are, and the
/// activities that were scored last.
fn about(summary: &Summary) -> String {
    let of = |sources: &mut dyn Iterator<Item = &Source>| {
        let mut targets: Vec<String> = sources.map(|s| s.target().to_string()).collect();
        targets.dedup();
        targets
    };
    let segments: Vec<&str> = Segment::all().map(|segment| segment.code()).collect();
    json!({
        "problems": of(&mut summary.problems.iter().map(|problem| &problem.source)),
        "goals": of(&mut summary.goals.iter().map(|goal| &goal.source)),
        "plans": of(&mut summary.current_activities().map(|activity| &activity.source)),
        "segments": segments,
        "activities": scores::activities(summary),
    })
    .to_string()
}

/// A field with its label.
fn field(label: &str, name: &str, kind: &str) -> Markup {
    let numeric = (kind == "number").then_some("decimal");
    let kind = if kind == "number" { "text" } else { kind };
    html! {
        label { span { (label) } input id=(name) name=(name) type=(kind) inputmode=[numeric]; }
    }
}

/// A small field in a table, whose label is for readers of the screen.
fn cell(label: &str, name: &str) -> Markup {
    html! { input class="small" id=(name) name=(name) type="text" aria-label=(label); }
}

fn select(label: &str, name: &str, options: &[(&str, String)]) -> Markup {
    html! {
        select id=(name) name=(name) aria-label=(label) {
            option value="" { "\u{2013}" }
            @for (value, text) in options { option value=(value) { (text) } }
        }
    }
}

/// A choice with a label that is seen.
fn labelled(label: &str, name: &str, options: &[(&str, String)]) -> Markup {
    html! {
        label {
            span { (label) }
            select id=(name) name=(name) {
                option value="" { "\u{2013}" }
                @for (value, text) in options { option value=(value) { (text) } }
            }
        }
    }
}

fn options<'a>(words: &Catalogue, group: &str, codes: &[&'a str]) -> Vec<(&'a str, String)> {
    codes.iter().map(|code| (*code, words.name(group, code).to_owned())).collect()
}

fn time(words: &Catalogue) -> Markup {
    html! {
        fieldset {
            legend { (words.get("visit.when")) }
            div class="fields" {
                (field(words.get("visit.start"), "start", "datetime-local"))
                (field(words.get("visit.end-time"), "end", "datetime-local"))
            }
        }
    }
}
