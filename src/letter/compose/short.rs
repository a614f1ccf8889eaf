//! The answer first, then what is asked of the reader.

use crate::clinical::ReferralFacts;
use crate::clinical::source::Source;
use crate::letter::compose::scores::{class_words, measure_name, value};
use crate::letter::compose::{Desk, treatment};
use crate::letter::content::{Block, Section};
use crate::letter::kind::Kind;

/// The one paragraph that a reader in a hurry reads.
pub(super) fn short(desk: &Desk<'_>) -> Section {
    let (summary, words) = (desk.summary, desk.words);
    let problems: Vec<String> = summary.problems.iter().map(|p| p.name.clone()).collect();
    let problem =
        if problems.is_empty() { desk.text("short.no-problem") } else { words.list(&problems) };
    let lead = words.fill("short.problem", &[("problem", &problem), ("course", &course(desk))]);
    let others = [results(desk), vec![treatment::in_short(desk)]].concat();
    // An urgent letter puts what must be known first into the answer itself.
    let urgent = desk.kind == Kind::UrgentReferral;
    let alerts = flags(desk);
    let blocks = if urgent && !alerts.is_empty() {
        let rest = [vec![lead], others].concat();
        vec![Block::Lead { text: alerts.join(" ") }, Block::List { items: rest }]
    } else {
        vec![Block::Lead { text: lead }, Block::List { items: [alerts, others].concat() }]
    };
    let from = (summary.problems.iter().map(|problem| &problem.source))
        .chain(summary.outcomes.iter().flat_map(|outcome| &outcome.sources))
        .chain(&summary.course.source)
        .chain(&summary.dose.total.sources)
        .chain(summary.habit.iter().flat_map(|habit| &habit.sources))
        .chain(summary.caution.screenings.iter().map(|screening| &screening.source))
        .chain(summary.caution.flags.iter().map(|flag| &flag.source));
    desk.section("short", Some("51848-0"), blocks, from)
}

/// Visits, days and how it ended, in one sentence.
fn course(desk: &Desk<'_>) -> String {
    let (course, words) = (&desk.summary.course, desk.words);
    let visits = words.count("count.visit", course.attended);
    let span = match (course.first_visit, course.latest_visit) {
        (Some(first), Some(last)) => {
            words.fill("short.span", &[("first", &words.day(first)), ("last", &words.day(last))])
        }
        _ => String::new(),
    };
    let end = match (&course.end_reason, course.status.as_deref()) {
        (_, Some(error @ "entered-in-error")) => words.name("episode-status", error).to_owned(),
        (Some(reason), _) => {
            words.fill("short.ended", &[("reason", words.name("end-reason", reason))])
        }
        (None, Some(status)) => words.name("episode-status", status).to_owned(),
        (None, None) => desk.text("not-recorded"),
    };
    words.fill("short.course", &[("visits", &visits), ("span", &span), ("end", &end)])
}

/// One line for each measure, then the habit.
fn results(desk: &Desk<'_>) -> Vec<String> {
    let (summary, words) = (desk.summary, desk.words);
    let mut lines = Vec::new();
    for outcome in summary.outcomes.iter().filter(|outcome| outcome.judgement.is_some()) {
        let Some(latest) = &outcome.latest else { continue };
        let places = [
            ("measure", measure_name(desk, outcome)),
            ("first", value(desk, outcome.measure, outcome.first.value)),
            ("latest", value(desk, outcome.measure, latest.value)),
            ("class", class_words(desk, outcome)),
        ];
        lines.push(words.fill("short.result", &places));
    }
    if lines.is_empty() {
        lines.push(desk.text("short.no-result"));
    }
    if let Some(habit) = &summary.habit
        && let (Some(latest), Some(change)) = (&habit.latest, habit.change)
    {
        let (first, latest) = (words.number(habit.first.per_day), words.number(latest.per_day));
        let places =
            [("first", first.as_str()), ("latest", &latest), ("change", &words.signed(change))];
        lines.push(words.fill("short.habit", &places));
    }
    lines
}

/// Items of a screening answered yes, then active flags.
fn flags(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let positive = desk.summary.caution.screenings.iter().filter(|s| !s.positive.is_empty());
    let positive = positive.map(|screening| {
        let places = [
            ("day", words.day(screening.day)),
            ("items", desk.screening_items(&screening.positive)),
        ];
        words.fill("short.positive", &places)
    });
    let active = desk.summary.caution.flags.iter().filter(|flag| flag.active);
    positive.chain(active.map(|flag| words.fill("short.flag", &[("flag", &flag.says)]))).collect()
}

/// What the record asks of the reader: referrals onward; else that nothing is recorded, and how the
/// episode stands.
pub(super) fn request(desk: &Desk<'_>) -> Section {
    let onward = &desk.summary.onward;
    let blocks = if onward.is_empty() {
        vec![Block::paragraph(desk.words.name("request.none", desk.kind.code()))]
    } else {
        vec![Block::List { items: onward.iter().map(|facts| one_request(desk, facts)).collect() }]
    };
    let from: Vec<&Source> = onward.iter().map(|facts| &facts.referral.source).collect();
    desk.section("request", Some("69730-0"), blocks, from)
}

fn one_request(desk: &Desk<'_>, facts: &ReferralFacts) -> String {
    let (words, referral) = (desk.words, &facts.referral);
    let nothing = words.get("not-recorded");
    let performer = facts.asked().unwrap_or(nothing);
    let priority = referral.priority.as_deref().unwrap_or("routine");
    let day = referral.day.map(|day| words.day(day));
    let reasons: Vec<String> = referral.reasons.iter().chain(&referral.notes).cloned().collect();
    let reasons = if reasons.is_empty() {
        nothing.to_owned()
    } else {
        reasons.join(words.get("list.semicolon"))
    };
    let places = [
        ("service", referral.service.as_deref().unwrap_or(nothing)),
        ("performer", performer),
        ("priority", words.name("priority", priority)),
        ("day", day.as_deref().unwrap_or(nothing)),
        ("reasons", &reasons),
    ];
    words.fill("request.onward", &places)
}
