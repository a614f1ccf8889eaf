//! The rows of treatments: technique, place and dose in one line, how it was done in the next.

use maud::{Markup, html};

use crate::clinical::segment::Segment;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::visit::{MOVEMENTS, cell, options, select};

/// How many rows for treatments the form has.
pub(super) const ROWS: usize = 6;
const TECHNIQUES: [&str; 4] =
    ["oscillatory-mobilisation", "mobilisation-with-movement", "thrust", "soft-tissue"];
const GRADES: [&str; 5] = ["I", "II", "III", "IV", "V"];
const SIDES: [&str; 4] = ["left", "right", "both", "central"];
const LEVERS: [&str; 4] = ["flexion", "lateral-flexion", "shift", "rotation"];
const DIRECTIONS: [&str; 8] = [
    "central-posteroanterior",
    "unilateral-posteroanterior",
    "anteroposterior",
    "transverse",
    "lateral-glide",
    "longitudinal",
    "cranioventral",
    "rotation",
];
const CONTACTS: [&str; 4] = ["spinous-process", "transverse-process", "articular-pillar", "lamina"];
const POSITIONS: [&str; 4] = ["prone", "supine", "sitting", "side-lying"];
const COLUMNS: [&str; 10] = [
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
];

/// The table of treatments.
pub(super) fn treatments(words: &Catalogue) -> Markup {
    html! {
        fieldset {
            legend { (words.get("visit.treatment")) }
            p class="note" { (words.get("visit.treatment-help")) }
            (layout::wide(words.get("visit.treatment"), &html! {
                table class="form" {
                    thead { tr { @for column in COLUMNS { th scope="col" { (words.name("visit.column", column)) } } } }
                    tbody {
                        @for row in 0..ROWS {
                            tr data-row="treatment" { (what(words, row)) }
                            tr data-row="manner" class="more" {
                                td colspan=(COLUMNS.len()) {
                                    details {
                                        summary { (words.fill("visit.how", &[("n", (row + 1).to_string())])) }
                                        div class="fields" { (how(words, row)) }
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

/// The label of a part of a row, for readers of the screen.
fn label(words: &Catalogue, row: usize, part: &str) -> String {
    let places = [("part", words.name("visit.column", part)), ("n", &(row + 1).to_string())];
    words.fill("visit.row", &places)
}

fn what(words: &Catalogue, row: usize) -> Markup {
    let name = |part: &str| format!("treatment.{row}.{part}");
    let segments: Vec<(&str, String)> =
        Segment::all().map(|segment| (segment.code(), segment.code().to_owned())).collect();
    let grades: Vec<(&str, String)> = GRADES.iter().map(|g| (*g, (*g).to_owned())).collect();
    let choices = [
        ("technique", options(words, "technique", &TECHNIQUES)),
        ("segment", segments),
        ("side", options(words, "side", &SIDES)),
        ("grade", grades),
    ];
    html! {
        @for (part, options) in choices {
            td { (select(&label(words, row, part), &name(part), &options)) }
        }
        @for part in ["series", "oscillations", "rate-low", "rate-high", "duration", "repetitions"] {
            td { (cell(&label(words, row, part), &name(part))) }
        }
    }
}

fn how(words: &Catalogue, row: usize) -> Markup {
    let name = |part: &str| format!("treatment.{row}.{part}");
    let movements: Vec<String> = MOVEMENTS.iter().map(|m| format!("cervical-{m}")).collect();
    let movements: Vec<&str> = movements.iter().map(String::as_str).collect();
    let choices = [
        ("direction", options(words, "force-direction", &DIRECTIONS)),
        ("contactPoint", options(words, "contact-point", &CONTACTS)),
        ("patientPosition", options(words, "patient-position", &POSITIONS)),
        ("movement", options(words, "direction", &movements)),
    ];
    let text = |part: &'static str| words.name("visit.column", part);
    html! {
        @for (part, options) in choices {
            span class="part" {
                span aria-hidden="true" { (text(part)) }
                (select(&label(words, row, part), &name(part), &options))
            }
        }
        span class="levers" role="group" aria-label=(label(words, row, "levers")) {
            @for lever in LEVERS {
                label { input type="checkbox" id=(name(lever)) name=(name(lever)); " " (words.name("lever", lever)) }
            }
            label { input type="checkbox" id=(name("cavitation")) name=(name("cavitation")); " " (text("cavitation")) }
        }
        span class="part" {
            span aria-hidden="true" { (text("alone")) }
            input id=(name("alone")) name=(name("alone")) type="text" aria-label=(label(words, row, "alone"));
        }
    }
}
