//! Goals, advice and exercises given, what is planned: as recorded, nothing added.

use crate::clinical::exercise::Exercise;
use crate::clinical::number::Number;
use crate::clinical::people::{ActivityKind, Goal};
use crate::letter::compose::Desk;
use crate::letter::content::{Block, Fact, Section};

/// Advice, goals and plan.
pub(super) fn plan(desk: &Desk<'_>) -> Section {
    let (summary, words) = (desk.summary, desk.words);
    let of = |kind: ActivityKind| -> Vec<String> {
        let found = summary.current_activities().filter(|activity| activity.kind == kind);
        found.map(|activity| activity.says.clone()).collect()
    };
    let goals = summary.goals.iter().map(|goal| self::goal(desk, goal)).collect();
    let mut items = vec![
        Fact::new(words.get("plan.goals"), goals),
        Fact::new(words.get("plan.advice"), [of(ActivityKind::Advice), told(desk)].concat()),
        Fact::new(words.get("plan.to-do"), of(ActivityKind::ToDo)),
        Fact::new(words.get("plan.to-avoid"), of(ActivityKind::ToAvoid)),
    ];
    let exercises = exercises(desk);
    if !exercises.is_empty() {
        items.insert(2, Fact::new(words.get("plan.exercises"), exercises));
    }
    for item in &mut items {
        if item.lines.is_empty() {
            item.lines.push(desk.text("not-recorded"));
        }
    }
    let from = (summary.goals.iter().map(|goal| &goal.source))
        .chain(summary.activities.iter().map(|activity| &activity.source))
        .chain(summary.exercises.iter().map(|exercise| &exercise.source))
        .chain(summary.advice.iter().map(|advice| &advice.source));
    desk.section("plan", Some("18776-5"), vec![Block::Facts { items }], from)
}

/// What the patient was told at visits, once where it was told again in the same words.
fn told(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let mut said: Vec<(&str, Vec<String>)> = Vec::new();
    for advice in &desk.summary.advice {
        let day = words.short_day(advice.day);
        match said.iter_mut().find(|(says, _)| *says == advice.says) {
            Some((_, days)) => days.push(day),
            None => said.push((&advice.says, vec![day])),
        }
    }
    let line = |(says, days): (&str, Vec<String>)| {
        words.fill("plan.told", &[("says", says), ("day", &days.join(words.get("list.comma")))])
    };
    said.into_iter().map(line).collect()
}

fn exercises(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let line = |exercise: &Exercise| {
        let count = |key: &str, n: Option<u32>| {
            n.map(|n| words.count(key, usize::try_from(n).unwrap_or(usize::MAX)))
        };
        let amount =
            |key: &str, n: Option<Number>| n.map(|n| words.fill(key, &[("n", words.number(n))]));
        let dose: Vec<String> = [
            count("count.series", exercise.series),
            count("exercise.repetition", exercise.repetitions),
            amount("exercise.hold", exercise.hold),
            amount("exercise.per-day", exercise.per_day),
            amount("exercise.per-week", exercise.per_week),
        ]
        .into_iter()
        .flatten()
        .collect();
        let places = [
            ("says", exercise.says.as_str()),
            ("dose", &dose.join(words.get("list.comma"))),
            ("day", &words.short_day(exercise.day)),
        ];
        words.fill(if dose.is_empty() { "plan.told" } else { "plan.exercise" }, &places)
    };
    desk.summary.exercises.iter().map(line).collect()
}

fn goal(desk: &Desk<'_>, goal: &Goal) -> String {
    let words = desk.words;
    let nothing = words.get("not-recorded");
    let achieved = goal.achievement.as_deref().map_or(nothing, |a| words.name("achievement", a));
    words.fill("plan.goal", &[("goal", goal.says.as_str()), ("achieved", achieved)])
}
