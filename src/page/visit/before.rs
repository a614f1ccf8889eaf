//! What comes before hands on: screening, consent, and the goal.
//!
//! An item without an answer was not asked, which is not a no. What was recorded last stands above.

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::caution::Answer;
use crate::letter::catalogue::Catalogue;
use crate::page::visit::{after, field, labelled, options};

/// The items of the screening, in the order of our code system `screening-item`.
const ITEMS: [&str; 17] = [
    "multi-level-nerve-root-signs",
    "worsening-neurological-function",
    "unremitting-severe-pain",
    "unremitting-night-pain",
    "recent-trauma",
    "upper-motor-neuron-signs",
    "spinal-cord-signs",
    "systemically-unwell",
    "cancer",
    "infection",
    "inflammatory-disease",
    "osteoporosis-or-long-term-steroids",
    "hypermobility-syndrome",
    "new-or-worst-headache",
    "dizziness-or-fainting",
    "vision-speech-swallowing",
    "vascular-risk",
];
const EXPLAINED: [&str; 5] = ["nature", "benefit", "risk", "alternatives", "questions"];
const MEASURES: [&str; 4] = ["ndi", "pain", "psfs", "habit"];

/// The screening; open where none is recorded yet.
pub(super) fn screening(summary: &Summary, words: &Catalogue) -> Markup {
    let last = summary.caution.screenings.last();
    let answers = options(words, "screening-answer", &["N", "Y"]);
    let said = last.map_or_else(
        || words.get("safety.no-screening").to_owned(),
        |last| {
            let places = [
                ("day", words.day(last.day)),
                ("yes", last.positive.len().to_string()),
                ("no", last.negative.to_string()),
                ("open", last.not_asked.len().to_string()),
            ];
            words.fill("visit.last-screening", &places)
        },
    );
    html! {
        fieldset {
            legend { (words.get("visit.screening")) }
            p class="note" { (said) " " (words.get("visit.screening-help")) }
            details open[last.is_none()] {
                summary { (words.get("visit.screening-items")) }
                div class="grid" {
                    @for item in ITEMS {
                        (labelled(words.name("screening-item", item), &format!("screening.{item}"), &answers))
                    }
                }
            }
        }
    }
}

/// The consent; open where none is recorded yet.
pub(super) fn consent(summary: &Summary, words: &Catalogue) -> Markup {
    let last = summary.caution.consents.last();
    let said = last.map_or_else(
        || words.get("safety.no-consent").to_owned(),
        |last| {
            let answer = match last.answer {
                Answer::Given => "given",
                Answer::Refused => "refused",
                Answer::Withdrawn => "withdrawn",
                Answer::Open => "open",
            };
            let places = [
                ("answer", words.name("consent", answer).to_owned()),
                ("day", words.day(last.day)),
                ("covers", last.covers.join(words.get("list.semicolon"))),
            ];
            words.fill("safety.consented", &places)
        },
    );
    let answers = options(words, "consent", &["given", "refused"]);
    let forms = options(words, "consent-form", &["VERBAL", "WRITTEN"]);
    html! {
        fieldset {
            legend { (words.get("safety.consent")) }
            p class="note" { (said) }
            details open[last.is_none()] {
                summary { (words.get("visit.consent-new")) }
                div class="fields" {
                    (labelled(words.get("visit.consent"), "consent", &answers))
                    (field(words.get("visit.consent-covers"), "consent-covers", "text"))
                    (labelled(words.get("visit.consent-form"), "consent-form", &forms))
                    span class="levers" role="group" aria-label=(words.get("visit.consent-explained")) {
                        @for part in EXPLAINED {
                            @let name = format!("consent.{part}");
                            label { input type="checkbox" id=(name) name=(name); " " (words.name("visit.explained", part)) }
                        }
                    }
                }
            }
        }
    }
}

/// A goal; open where none is recorded yet.
pub(super) fn goal(summary: &Summary, words: &Catalogue) -> Markup {
    html! {
        fieldset {
            legend { (words.get("plan.goals")) }
            @if summary.goals.is_empty() { p class="note" { (words.get("not-recorded")) } }
            @else { (after::goals(summary, words)) }
            details open[summary.goals.is_empty()] {
                summary { (words.get("visit.goal-new")) }
                div class="fields" {
                    (field(words.get("visit.goal"), "goal.text", "text"))
                    (labelled(words.get("visit.goal-measure"), "goal.measure", &options(words, "visit.measure", &MEASURES)))
                    (field(words.get("visit.goal-value"), "goal.value", "number"))
                    (field(words.get("visit.goal-due"), "goal.due", "date"))
                }
            }
        }
    }
}
