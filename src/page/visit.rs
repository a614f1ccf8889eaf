//! `/episodes/{id}/visit`: one visit on one screen, for a therapist without a clinic system.
//!
//! Keyboard first: segments are rows, the last grades stand beside, arrows go up and down, Enter goes
//! on. The script builds one transaction Bundle and sends it to the API like any client; the server
//! checks it by the same rules. Not here: screening, consent, goals, which are not of every visit.

use std::collections::{BTreeMap, BTreeSet};

use maud::{Markup, html};
use serde_json::{Map, Value};

use crate::clinical::Summary;
use crate::clinical::segment::{Class, Segment, Side};
use crate::clinical::segment_map::Cell;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;

/// The script of the form, as it is served.
pub const SCRIPT: &str = include_str!("visit.js");
/// Where the form looks for its script.
pub const SCRIPT_PATH: &str = "/visit.js";

/// How many rows for treatments the form has.
const TREATMENTS: usize = 6;
/// The tests that a form offers, by code.
const TESTS: [&str; 6] = [
    "ppivm-flexion",
    "ppivm-lateral-flexion-left",
    "ppivm-lateral-flexion-right",
    "paivm-central-pa",
    "paivm-unilateral-pa",
    "paivm-transverse",
];
const TECHNIQUES: [&str; 4] =
    ["oscillatory-mobilisation", "mobilisation-with-movement", "thrust", "soft-tissue"];
const GRADES: [&str; 5] = ["I", "II", "III", "IV", "V"];
const SIDES: [&str; 4] = ["left", "right", "both", "central"];
const LEVERS: [&str; 4] = ["flexion", "lateral-flexion", "shift", "rotation"];
const MOVEMENTS: [&str; 6] = [
    "flexion",
    "extension",
    "lateral-flexion-left",
    "lateral-flexion-right",
    "rotation-left",
    "rotation-right",
];
/// What the script says, by the keys that it asks for.
const SCRIPT_WORDS: [&str; 21] = [
    "time",
    "end",
    "performer",
    "empty",
    "number",
    "whole",
    "grade",
    "pain-without-grade",
    "needed",
    "range-order",
    "period",
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
    let reference = |source: Option<&crate::clinical::source::Source>| {
        source.map(|source| source.target().to_string()).unwrap_or_default()
    };
    let episode = reference(summary.episode.as_ref());
    let page = format!("/episodes/{}", episode.trim_start_matches("EpisodeOfCare/"));
    let top = html! {
        h1 { (title) }
        p class="when" { (words.fill("visit.by", &[("name", by.map_or(nothing, |by| by.name.as_str()))])) " " a href=(page) { (words.get("visit.back-to-episode")) } }
    };
    let body = html! {
        p { (words.get("visit.keys")) }
        noscript { p class="lead" { (words.get("visit.no-script")) } }
        form id="visit" autocomplete="off" novalidate data-api=(api) data-episode=(episode)
            data-patient=(reference(patient.map(|patient| &patient.source)))
            data-performer=(reference(by.map(|by| &by.source)))
            data-episode-page=(page) data-words=(script_words(words)) {
            (time(words))
            (segments(summary, words))
            (treatments(words))
            (scores(words))
            p { button type="submit" { (words.get("visit.send")) } }
            p id="visit-status" role="status" { (words.get("visit.draft")) }
            ul id="visit-refusals" tabindex="-1" hidden aria-label=(words.get("visit.refused")) {}
        }
        (super::cautions(words))
        script src=(SCRIPT_PATH) defer {}
    };
    let bottom = html! { p { (words.get("visit.foot")) } };
    layout::page(words.language(), &title, &top, &body, &bottom)
}

fn script_words(words: &Catalogue) -> String {
    let word = |key: &&str| ((*key).to_owned(), Value::from(words.name("visit", key)));
    Value::Object(SCRIPT_WORDS.iter().map(word).collect::<Map<_, _>>()).to_string()
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

/// The last known finding of each side, with its day.
fn last(summary: &Summary) -> BTreeMap<(Segment, Side), &Cell> {
    let cells = summary.segments.cells.iter().filter(|cell| cell.mobility.is_some());
    cells.map(|cell| ((cell.segment, cell.side), cell)).collect()
}

fn segments(summary: &Summary, words: &Catalogue) -> Markup {
    let last = last(summary);
    let touched: BTreeSet<Segment> = last.keys().map(|(segment, _)| *segment).collect();
    let usual = Segment::parse("T3-T4");
    let until = touched.last().copied().max(usual);
    let (near, far): (Vec<Segment>, Vec<Segment>) =
        Segment::all().partition(|segment| Some(*segment) <= until);
    let test = words.get("visit.test");
    html! {
        fieldset {
            legend { (words.get("visit.segments")) }
            p class="note" { (words.get("visit.grade-help")) }
            div class="fields" { label { span { (test) } (select(test, "test", &options(words, "test-method", &TESTS))) } }
            (layout::wide(words.get("visit.segments"), &rows(&near, &last, words)))
            @if !far.is_empty() {
                details {
                    summary { (words.get("visit.more-segments")) }
                    (layout::wide(words.get("visit.more-segments"), &rows(&far, &last, words)))
                }
            }
        }
    }
}

fn rows(
    segments: &[Segment],
    last: &BTreeMap<(Segment, Side), &Cell>,
    words: &Catalogue,
) -> Markup {
    let columns =
        ["segment", "last-left", "left", "pain-left", "last-right", "right", "pain-right"];
    let sides = [(Side::Left, "left"), (Side::Right, "right")];
    html! {
        table class="form" {
            thead { tr { @for column in columns { th scope="col" { (words.name("visit.column", column)) } } } }
            tbody {
                @for segment in segments {
                    tr {
                        th scope="row" { (segment) }
                        @for (side, code) in sides {
                            @let name = format!("segment.{segment}.{code}");
                            @let of = [("segment", segment.code()), ("side", words.name("side", code))];
                            td class="last" { (last.get(&(*segment, side)).map(|cell| finding(cell, words)).unwrap_or_default()) }
                            td { (cell(&words.fill("visit.grade-of", &of), &name)) }
                            td { (cell(&words.fill("visit.pain-of", &of), &format!("{name}.pain"))) }
                        }
                    }
                }
            }
        }
    }
}

/// The last finding in short: grade or class, and its day.
fn finding(cell: &Cell, words: &Catalogue) -> String {
    let Some(mobility) = cell.mobility else { return String::new() };
    let class = match mobility.class {
        Class::Hypomobile => "hypomobile",
        Class::Normal => "normal",
        Class::Hypermobile => "hypermobile",
    };
    let grade = mobility.grade.map(|grade| grade.to_string());
    let grade = grade.unwrap_or_else(|| words.name("class", class).to_owned());
    format!("{grade} \u{b7} {}", words.short_day(cell.day))
}

fn treatments(words: &Catalogue) -> Markup {
    let columns = [
        "technique",
        "segment",
        "side",
        "grade",
        "series",
        "oscillations",
        "rate-low",
        "rate-high",
        "duration",
        "repetitions",
        "levers",
    ];
    let segments: Vec<(&str, String)> =
        Segment::all().map(|segment| (segment.code(), segment.code().to_owned())).collect();
    let grades: Vec<(&str, String)> = GRADES.iter().map(|g| (*g, (*g).to_owned())).collect();
    html! {
        fieldset {
            legend { (words.get("visit.treatment")) }
            p class="note" { (words.get("visit.treatment-help")) }
            (layout::wide(words.get("visit.treatment"), &html! {
                table class="form" {
                    thead { tr { @for column in columns { th scope="col" { (words.name("visit.column", column)) } } } }
                    tbody {
                        @for row in 0..TREATMENTS {
                            @let name = |part: &str| format!("treatment.{row}.{part}");
                            @let label = |part: &str| words.fill("visit.row", &[("part", words.name("visit.column", part)), ("n", &(row + 1).to_string())]);
                            tr {
                                td { (select(&label("technique"), &name("technique"), &options(words, "technique", &TECHNIQUES))) }
                                td { (select(&label("segment"), &name("segment"), &segments)) }
                                td { (select(&label("side"), &name("side"), &options(words, "side", &SIDES))) }
                                td { (select(&label("grade"), &name("grade"), &grades)) }
                                @for part in ["series", "oscillations", "rate-low", "rate-high", "duration", "repetitions"] {
                                    td { (cell(&label(part), &name(part))) }
                                }
                                td {
                                    div class="levers" {
                                        @for lever in LEVERS {
                                            label { input type="checkbox" id=(name(lever)) name=(name(lever)); " " (words.name("lever", lever)) }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }))
        }
    }
}

fn scores(words: &Catalogue) -> Markup {
    let units = [("{score}", words.get("visit.points").to_owned()), ("%", "%".to_owned())];
    let unit = words.get("visit.disability-unit");
    html! {
        fieldset {
            legend { (words.get("visit.scores")) }
            div class="fields" {
                (field(words.get("measure.ndi"), "disability", "number"))
                label {
                    span { (unit) }
                    select id="disability-unit" name="disability-unit" {
                        @for (value, text) in &units { option value=(value) { (text) } }
                    }
                }
                (field(words.get("visit.pain-now"), "pain-now", "number"))
                (field(words.get("visit.pain-worst"), "pain-worst", "number"))
                (field(words.get("visit.change"), "change", "number"))
            }
            div class="fields" {
                @for n in 1..=3 {
                    @let places = [("n", n.to_string())];
                    (field(&words.fill("visit.activity", &places), &format!("activity.{n}.name"), "text"))
                    (field(&words.fill("visit.activity-score", &places), &format!("activity.{n}.score"), "number"))
                }
            }
        }
        fieldset {
            legend { (words.get("visit.range")) }
            div class="fields" {
                @for movement in MOVEMENTS {
                    (field(words.name("direction", &format!("cervical-{movement}")), &format!("range.{movement}"), "number"))
                }
            }
        }
        fieldset {
            legend { (words.get("visit.habit")) }
            div class="fields" {
                (field(words.get("visit.habit-count"), "habit", "number"))
                (field(words.get("visit.habit-from"), "habit-from", "date"))
                (field(words.get("visit.habit-to"), "habit-to", "date"))
            }
        }
    }
}
