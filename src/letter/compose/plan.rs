//! Goals, advice given, what is planned: as recorded, nothing added.

use crate::clinical::people::{ActivityKind, Goal};
use crate::letter::compose::Desk;
use crate::letter::content::{Block, Fact, Section};

/// Advice, goals and plan.
pub(super) fn plan(desk: &Desk<'_>) -> Section {
    let (summary, words) = (desk.summary, desk.words);
    let of = |kind: ActivityKind| -> Vec<String> {
        let found = summary.activities.iter().filter(|activity| activity.kind == kind);
        found.map(|activity| activity.says.clone()).collect()
    };
    let goals = summary.goals.iter().map(|goal| self::goal(desk, goal)).collect();
    let mut items = vec![
        Fact::new(words.get("plan.goals"), goals),
        Fact::new(words.get("plan.advice"), of(ActivityKind::Advice)),
        Fact::new(words.get("plan.to-do"), of(ActivityKind::ToDo)),
        Fact::new(words.get("plan.to-avoid"), of(ActivityKind::ToAvoid)),
    ];
    for item in &mut items {
        if item.lines.is_empty() {
            item.lines.push(desk.text("not-recorded"));
        }
    }
    let from = (summary.goals.iter().map(|goal| &goal.source))
        .chain(summary.activities.iter().map(|activity| &activity.source));
    desk.section("plan", Some("18776-5"), vec![Block::Facts { items }], from)
}

fn goal(desk: &Desk<'_>, goal: &Goal) -> String {
    let words = desk.words;
    let nothing = words.get("not-recorded");
    let achieved = goal.achievement.as_deref().map_or(nothing, |a| words.name("achievement", a));
    words.fill("plan.goal", &[("goal", goal.says.as_str()), ("achieved", achieved)])
}
