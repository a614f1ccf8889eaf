//! Scores, ranges of motion, self-manipulation, advice.
//!
//! Items of an instrument stand by their numbers only: their words belong to their authors.

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::outcome::{Measure, Outcome, about};
use crate::letter::catalogue::Catalogue;
use crate::page::visit::{MOVEMENTS, field, labelled, options};

/// The kinds of pain ratings, by their codes.
const PAIN_KINDS: [&str; 5] =
    ["pain-now", "pain-at-rest", "pain-worst", "pain-average", "pain-provoked"];
/// How many activities the form has.
const ACTIVITIES: usize = 5;

/// Scores, ranges and the habit, each with what was recorded last.
pub(super) fn scores(summary: &Summary, words: &Catalogue) -> Markup {
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
                @for kind in PAIN_KINDS {
                    (field(&words.fill("visit.pain", &[("kind", words.name("pain-kind", kind))]), kind, "number"))
                }
                (field(words.get("visit.change"), "change", "number"))
            }
            p class="note" { (last(summary, words)) }
            details {
                summary { (words.get("visit.item-scores")) }
                p class="note" { (words.get("visit.items-help")) }
                div class="fields" {
                    @for n in 1..=10 {
                        (field(&n.to_string(), &format!("disability.item.{n}"), "number"))
                    }
                }
            }
            div class="fields" {
                @let former = activities(summary);
                @for n in 1..=ACTIVITIES {
                    (activity(n, former.get(n - 1).map(String::as_str), words))
                }
            }
            p class="note" { (words.get("visit.activity-help")) }
        }
        fieldset {
            legend { (words.get("visit.range")) }
            div class="fields" {
                (labelled(words.get("visit.range-mode"), "range-mode", &options(words, "mode", &["passive"])))
                @for movement in MOVEMENTS {
                    (field(words.name("direction", &format!("cervical-{movement}")), &format!("range.{movement}"), "number"))
                }
                @for test in ["flexion-rotation-test-left", "flexion-rotation-test-right"] {
                    (field(words.name("direction", test), &format!("range.{test}"), "number"))
                }
            }
        }
        fieldset {
            legend { (words.get("visit.habit")) }
            div class="fields" {
                (field(words.get("visit.habit-count"), "habit", "number"))
                (field(words.get("visit.habit-from"), "habit-from", "date"))
                (field(words.get("visit.habit-to"), "habit-to", "date"))
                (field(words.get("visit.habit-urge"), "habit-urge", "number"))
            }
        }
        fieldset {
            legend { (words.get("plan.advice")) }
            label { span { (words.get("visit.advice")) } textarea id="advice" name="advice" rows="2" {} }
        }
    }
}

/// An activity: its name, that of the former visit where there is one, and its score.
fn activity(n: usize, former: Option<&str>, words: &Catalogue) -> Markup {
    let places = [("n", n.to_string())];
    let name = format!("activity.{n}.name");
    html! {
        label {
            span { (words.fill("visit.activity", &places)) }
            input id=(name) name=(name) type="text" value=[former];
        }
        (field(&words.fill("visit.activity-score", &places), &format!("activity.{n}.score"), "number"))
    }
}

/// The activities that were scored last, as many as the form has room for.
pub(super) fn activities(summary: &Summary) -> Vec<String> {
    let scored = summary.outcomes.iter().find(|outcome| outcome.measure == Measure::Psfs);
    scored
        .into_iter()
        .flat_map(|outcome| outcome.activities.iter().cloned())
        .take(ACTIVITIES)
        .collect()
}

/// The latest score of each measure, in one line.
fn last(summary: &Summary, words: &Catalogue) -> String {
    let line = |outcome: &Outcome| {
        let latest = outcome.latest.as_ref().unwrap_or(&outcome.first);
        let name = words.name("measure", about(outcome.measure));
        let kind = outcome.kind.map_or("", |kind| words.name("pain-kind", kind));
        let unit = if outcome.measure == Measure::Ndi { " %" } else { "" };
        let value = words.number(latest.value);
        format!(
            "{}: {value}{unit} \u{b7} {}",
            name.replace("{kind}", kind),
            words.short_day(latest.day)
        )
    };
    let lines: Vec<String> = summary.outcomes.iter().map(line).collect();
    if lines.is_empty() {
        return words.get("scores.none").to_owned();
    }
    words.fill("visit.last", &[("scores", lines.join(words.get("list.semicolon")))])
}
