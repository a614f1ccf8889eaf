//! What a visit tells beside findings, treatments and scores: what happened since the last one,
//! warnings, blood pressure, exercises, the plan, a referral onward.
//!
//! What is recorded already stands above each, with the field that says what became of it.

use std::collections::BTreeSet;

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::people::ActivityKind;
use crate::clinical::source::Source;
use crate::letter::catalogue::Catalogue;
use crate::page::visit::treatment::ROWS;
use crate::page::visit::{field, labelled, options};

const REACTIONS: [&str; 5] = ["local-soreness", "headache", "dizziness", "arm-symptoms", "fatigue"];
const CLASSES: [&str; 3] = ["mild", "moderate", "major"];
const SERIOUS: [&str; 2] = ["Non-serious", "Serious"];
const OUTCOMES: [&str; 6] =
    ["resolved", "recovering", "ongoing", "resolvedWithSequelae", "fatal", "unknown"];
const CAUSES: [&str; 6] = [
    "Certain",
    "Probably-Likely",
    "Possible",
    "Unlikely",
    "Conditional-Classified",
    "Unassessable-Unclassifiable",
];
const FLAGS: [&str; 2] = ["safety", "clinical"];
/// Referrals to others, of our value set `referral-service`.
const SERVICES: [&str; 5] = ["183515008", "183561008", "183521007", "306104004", "3457005"];
const PRIORITIES: [&str; 4] = ["routine", "urgent", "asap", "stat"];
const ACHIEVEMENTS: [&str; 5] = ["improving", "no-change", "worsening", "achieved", "not-achieved"];
/// How often an exercise is done, by UCUM unit.
const OFTEN: [&str; 2] = ["/d", "/wk"];
/// How many rows for adverse events the form has.
const EVENTS: usize = 2;
/// How many treatments that are recorded already may be suspected, the latest first.
const SUSPECTS: usize = 20;

/// The name of the field that says what became of something recorded.
fn change_of(source: &Source) -> String {
    format!("change.{}.{}", source.target().kind, source.target().id)
}

/// Adverse events: those without an end, then new ones.
pub(super) fn events(summary: &Summary, words: &Catalogue) -> Markup {
    let outcomes = options(words, "event-outcome", &OUTCOMES);
    let suspects = suspects(summary, words);
    let suspects: Vec<(&str, String)> =
        suspects.iter().map(|(value, text)| (value.as_str(), text.clone())).collect();
    let open = summary.caution.adverse_events.iter().filter(|event| !event.followed_up);
    html! {
        fieldset {
            legend { (words.get("safety.events")) }
            p class="note" { (words.get("visit.events-help")) }
            div class="grid" {
                @for event in open {
                    @let day = event.day.map(|day| words.short_day(day)).unwrap_or_default();
                    @let places = [("event", event.event.says.as_str()), ("day", &day)];
                    (labelled(&words.fill("visit.event-went-on", &places), &change_of(&event.source), &outcomes))
                }
            }
            @for row in 0..EVENTS {
                details {
                    summary { (words.fill("visit.event-new", &[("n", (row + 1).to_string())])) }
                    div class="fields" { (event(row, &suspects, &outcomes, words)) }
                }
            }
        }
    }
}

/// The fields of one event, over the choices of what may be suspected and how it went on.
fn event(
    row: usize,
    suspects: &[(&str, String)],
    outcomes: &[(&str, String)],
    words: &Catalogue,
) -> Markup {
    let name = |part: &str| format!("event.{row}.{part}");
    html! {
        (labelled(words.get("visit.event-what"), &name("what"), &options(words, "treatment-reaction", &REACTIONS)))
        (field(words.get("visit.event-text"), &name("text"), "text"))
        (field(words.get("visit.event-date"), &name("date"), "datetime-local"))
        (labelled(words.get("visit.event-class"), &name("class"), &options(words, "event-class", &CLASSES)))
        (labelled(words.get("visit.event-serious"), &name("serious"), &options(words, "event-serious", &SERIOUS)))
        (labelled(words.get("visit.event-cause"), &name("cause"), &options(words, "causality", &CAUSES)))
        (labelled(words.get("visit.event-suspect"), &name("suspect"), suspects))
        (labelled(words.get("visit.event-outcome"), &name("outcome"), outcomes))
    }
}

/// What may be suspected: treatments that are recorded, the latest first, then those of this visit.
fn suspects(summary: &Summary, words: &Catalogue) -> Vec<(String, String)> {
    let mut seen = BTreeSet::new();
    let lines = summary.dose.lines.iter().rev();
    let lines = lines.filter(|line| seen.insert(line.source.target().clone()));
    let recorded = lines.take(SUSPECTS).map(|line| {
        let technique = words.name("technique", line.technique.code());
        let text = format!("{} {technique} \u{b7} {}", line.segment, words.short_day(line.day));
        (line.source.target().to_string(), text)
    });
    let here = (0..ROWS).map(|row| {
        let text = words.fill("visit.event-row", &[("n", (row + 1).to_string())]);
        (format!("treatment.{row}"), text)
    });
    recorded.chain(here).collect()
}

/// Flags that hold, a new one, and the blood pressure.
pub(super) fn flags(summary: &Summary, words: &Catalogue) -> Markup {
    let ended = [("inactive", words.get("visit.flag-ended").to_owned())];
    let active: Vec<_> = summary.caution.flags.iter().filter(|flag| flag.active).collect();
    html! {
        fieldset {
            legend { (words.get("visit.warnings")) }
            @if active.is_empty() { p class="note" { (words.get("visit.no-flag")) } }
            div class="grid" {
                @for flag in active { (labelled(&flag.says, &change_of(&flag.source), &ended)) }
            }
            details {
                summary { (words.get("visit.flag-new")) }
                div class="fields" {
                    (labelled(words.get("visit.flag-kind"), "flag.kind", &options(words, "flag-kind", &FLAGS)))
                    (field(words.get("visit.flag-text"), "flag.text", "text"))
                }
            }
            div class="fields" {
                (field(words.get("visit.systolic"), "systolic", "number"))
                (field(words.get("visit.diastolic"), "diastolic", "number"))
            }
        }
    }
}

/// What became of the goals.
pub(super) fn goals(summary: &Summary, words: &Catalogue) -> Markup {
    let choices = options(words, "achievement", &ACHIEVEMENTS);
    html! {
        div class="grid" {
            @for goal in &summary.goals {
                @let state = goal.achievement.as_deref().map(|state| words.name("achievement", state));
                @let says = state.map_or_else(|| goal.says.clone(), |state| format!("{} ({state})", goal.says));
                (labelled(&says, &change_of(&goal.source), &choices))
            }
        }
    }
}

/// The plan as it is, and a new one; exercises.
pub(super) fn plan(summary: &Summary, words: &Catalogue) -> Markup {
    let current = |kind: ActivityKind| {
        let activities = summary.current_activities().filter(move |own| own.kind == kind);
        activities.map(|activity| activity.says.as_str())
    };
    let kinds = [(ActivityKind::ToDo, "plan.to-do"), (ActivityKind::ToAvoid, "plan.to-avoid")];
    html! {
        fieldset {
            legend { (words.get("visit.plan")) }
            ul class="note" {
                @for (kind, name) in kinds {
                    @for says in current(kind) { li { (words.get(name)) ": " (says) } }
                }
            }
            details {
                summary { (words.get("visit.plan-new")) }
                p class="note" { (words.get("visit.plan-help")) }
                div class="fields broad" {
                    (field(words.get("visit.plan-treat"), "plan.treat", "text"))
                    (field(words.get("visit.plan-leave"), "plan.leave", "text"))
                    (field(words.get("visit.plan-text"), "plan.text", "text"))
                }
            }
            details {
                summary { (words.get("visit.exercise-new")) }
                div class="fields" {
                    (field(words.get("visit.exercise"), "exercise.text", "text"))
                    (field(words.name("visit.column", "series"), "exercise.series", "number"))
                    (field(words.name("visit.column", "repetitions"), "exercise.repetitions", "number"))
                    (field(words.get("visit.exercise-hold"), "exercise.hold", "number"))
                    (field(words.get("visit.exercise-often"), "exercise.often", "number"))
                    (labelled(words.get("visit.exercise-unit"), "exercise.often-unit", &options(words, "often", &OFTEN)))
                }
            }
        }
    }
}

/// Referrals that are recorded, and a new one.
pub(super) fn onward(summary: &Summary, words: &Catalogue) -> Markup {
    html! {
        fieldset {
            legend { (words.get("visit.onward")) }
            @if !summary.onward.is_empty() {
                ul class="note" {
                    @for facts in &summary.onward {
                        li {
                            (facts.referral.service.as_deref().unwrap_or(words.get("not-recorded")))
                            @if let Some(day) = facts.referral.day { " \u{b7} " (words.short_day(day)) }
                        }
                    }
                }
            }
            details {
                summary { (words.get("visit.onward-new")) }
                div class="fields" {
                    (labelled(words.get("visit.onward-service"), "onward.service", &options(words, "referral-service", &SERVICES)))
                    (field(words.get("visit.onward-to"), "onward.to", "text"))
                    (labelled(words.get("visit.onward-priority"), "onward.priority", &options(words, "priority", &PRIORITIES)))
                    (field(words.get("visit.onward-reason"), "onward.reason", "text"))
                    (field(words.get("visit.onward-question"), "onward.question", "text"))
                }
            }
        }
    }
}
