//! Why the patient was referred, and the course of the episode.

use crate::clinical::retest::Retest;
use crate::letter::compose::Desk;
use crate::letter::content::{Block, Fact, Section};

/// Reason for referral and course.
pub(super) fn course(desk: &Desk<'_>) -> Section {
    let (summary, words) = (desk.summary, desk.words);
    let mut items = Vec::new();
    items.push(Fact::new(words.get("course.referral"), referral(desk)));
    let problems = summary.problems.iter().map(|problem| problem.name.clone()).collect();
    items.push(Fact::new(words.get("course.problem"), problems));
    items.push(Fact::new(words.get("course.visits"), vec![visits(desk)]));
    items.push(Fact::new(words.get("course.period"), vec![period(desk)]));
    let retests = retests(desk);
    if !retests.is_empty() {
        items.push(Fact::new(
            words.get("course.retests"),
            vec![retests.join(words.get("list.semicolon"))],
        ));
    }
    for item in &mut items {
        if item.lines.is_empty() {
            item.lines.push(desk.text("not-recorded"));
        }
    }
    let from = (summary.referral.iter().map(|facts| &facts.referral.source))
        .chain(summary.problems.iter().map(|problem| &problem.source))
        .chain(&summary.course.source)
        .chain(summary.course.visits.iter().map(|visit| &visit.source));
    desk.section("course", Some("42349-1"), vec![Block::Facts { items }], from)
}

fn referral(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let Some(facts) = &desk.summary.referral else { return Vec::new() };
    let nothing = words.get("not-recorded");
    let referral = &facts.referral;
    let requester = facts.requester.as_ref().map_or(nothing, |party| party.name.as_str());
    let day = referral.day.map(|day| words.day(day));
    let numbers = referral.identifiers.join(words.get("list.comma"));
    let places = [
        ("requester", requester),
        ("day", day.as_deref().unwrap_or(nothing)),
        ("numbers", if numbers.is_empty() { nothing } else { &numbers }),
    ];
    let mut lines = vec![words.fill("course.referred", &places)];
    lines.extend(referral.reasons.iter().cloned());
    let asked = referral.notes.join(" ");
    if !asked.is_empty() {
        lines.push(words.fill("course.asked", &[("question", &asked)]));
    }
    lines
}

/// Days to the next measurement of each kind that was taken again.
fn retests(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let line = |retest: &Retest| {
        let days = retest.days?.to_string();
        let name = words.name("about", retest.about);
        Some(words.fill("course.retest", &[("measure", name), ("days", &days)]))
    };
    desk.summary.retests.iter().filter_map(line).collect()
}

fn visits(desk: &Desk<'_>) -> String {
    let (course, words) = (&desk.summary.course, desk.words);
    let mut parts = vec![words.fill("course.attended", &[("n", &course.attended.to_string())])];
    let others =
        [("missed", course.missed), ("cancelled", course.cancelled), ("upcoming", course.upcoming)];
    for (name, n) in others.into_iter().filter(|(name, n)| *n > 0 || *name == "missed") {
        parts.push(words.fill(&format!("course.{name}"), &[("n", &n.to_string())]));
    }
    let planned = course.planned_visits.map(|n| n.to_string());
    let planned = planned.as_deref().unwrap_or(words.get("not-recorded"));
    parts.push(words.fill("course.planned", &[("n", planned)]));
    parts.join(words.get("list.semicolon"))
}

fn period(desk: &Desk<'_>) -> String {
    let (course, words) = (&desk.summary.course, desk.words);
    let nothing = || desk.text("not-recorded");
    let days = course.days.map_or_else(nothing, |days| days.to_string());
    let start = course.start.map_or_else(nothing, |day| words.day(day));
    let mut text = match course.end {
        Some(end) => {
            let places = [("start", start.as_str()), ("end", &words.day(end)), ("days", &days)];
            words.fill("course.ended", &places)
        }
        None => words.fill("course.open", &[("start", &start), ("days", &days)]),
    };
    if let Some(reason) = &course.end_reason {
        let reason = words.name("end-reason", reason);
        text.push_str(&words.fill("course.reason", &[("reason", reason)]));
    }
    if let Some(wait) = course.days_to_first_visit {
        text.push_str(&words.fill("course.wait", &[("n", &wait.to_string())]));
    }
    text
}
