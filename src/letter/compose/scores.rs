//! Scores and counts, then and now.

use crate::clinical::goal::{Aim, Progress};
use crate::clinical::habit::Run;
use crate::clinical::number::Number;
use crate::clinical::outcome::{Measure, Outcome, Score, about};
use crate::clinical::threshold::ChangeClass;
use crate::letter::compose::Desk;
use crate::letter::content::{Block, Section};

/// The table of scores, and how they were judged.
pub(super) fn scores(desk: &Desk<'_>) -> Section {
    let (summary, words) = (desk.summary, desk.words);
    let judged = |outcome: &&Outcome| outcome.measure != Measure::Grc;
    let mut rows: Vec<Vec<String>> =
        summary.outcomes.iter().filter(judged).map(|outcome| row(desk, outcome)).collect();
    rows.extend(habit_row(desk));
    let mut blocks = Vec::new();
    if rows.is_empty() {
        blocks.push(Block::paragraph(desk.text("scores.none")));
    } else {
        let columns = ["measure", "first", "latest", "change", "meaning"];
        blocks.push(Block::Table {
            caption: desk.text("scores.caption"),
            columns: columns.iter().map(|c| words.name("scores.column", c).to_owned()).collect(),
            rows,
            sum: false,
        });
    }
    let more: Vec<String> = [best(desk), goals(desk), habit(desk)].concat();
    if !more.is_empty() {
        blocks.push(Block::List { items: more });
    }
    blocks.extend(rating(desk).map(Block::paragraph));
    if let Some(choice) = &summary.threshold_set {
        blocks.push(Block::note(words.fill("scores.held", &[("set", choice.set.as_str())])));
    }
    let from = (summary.outcomes.iter().flat_map(|outcome| &outcome.sources))
        .chain(summary.habit.iter().flat_map(|habit| &habit.sources));
    desk.section("scores", Some("47420-5"), blocks, from)
}

fn row(desk: &Desk<'_>, outcome: &Outcome) -> Vec<String> {
    let change = outcome.change.map_or_else(
        || desk.text("none-mark"),
        |change| match outcome.measure {
            Measure::Ndi => {
                desk.words.fill("unit.points-change", &[("n", &desk.words.signed(change))])
            }
            _ => desk.words.signed(change),
        },
    );
    let same = outcome.same_activities.filter(|_| outcome.latest.is_some());
    let same = same.map(|n| format!("\n{}", desk.words.count("count.activity", n)));
    vec![
        measure_name(desk, outcome) + &same.unwrap_or_default(),
        score(desk, outcome.measure, &outcome.first),
        outcome
            .latest
            .as_ref()
            .map_or_else(|| desk.text("not-repeated"), |s| score(desk, outcome.measure, s)),
        change,
        class_words(desk, outcome),
    ]
}

/// The name of a measure, with the kind of a pain rating.
pub(super) fn measure_name(desk: &Desk<'_>, outcome: &Outcome) -> String {
    name(desk, outcome.measure, outcome.kind)
}

fn name(desk: &Desk<'_>, measure: Measure, kind: Option<&str>) -> String {
    let name = desk.words.name("measure", about(measure));
    let kind = kind.map_or("", |kind| desk.words.name("pain-kind", kind));
    name.replace("{kind}", kind)
}

/// A score's value with its unit.
pub(super) fn value(desk: &Desk<'_>, measure: Measure, value: Number) -> String {
    let unit = if measure == Measure::Ndi { "unit.percent" } else { "unit.of-ten" };
    desk.words.fill(unit, &[("n", &desk.words.number(value))])
}

fn score(desk: &Desk<'_>, measure: Measure, score: &Score) -> String {
    let words = desk.words;
    let when = [("value", value(desk, measure, score.value)), ("day", words.short_day(score.day))];
    let mut details = Vec::new();
    if let Some(points) = score.points {
        let possible = score.answered.map_or(50, |answered| answered * 5).to_string();
        details.push(words.fill("unit.of", &[("n", words.number(points)), ("of", possible)]));
    }
    details.extend(score.band.map(|band| words.name("band", band).to_owned()));
    let mut lines = vec![words.fill("scores.when", &when)];
    if !details.is_empty() {
        lines.push(details.join(words.get("list.comma")));
    }
    lines.join("\n")
}

/// What a change means, in words, with what it was held against.
pub(super) fn class_words(desk: &Desk<'_>, outcome: &Outcome) -> String {
    let words = desk.words;
    if outcome.contradicted {
        return desk.text("change.contradicted");
    }
    let Some(judgement) = &outcome.judgement else {
        let why = match (&outcome.latest, outcome.same_activities, outcome.change) {
            (None, _, _) => "change.not-repeated",
            (_, Some(0), _) => "change.other-activities",
            _ => "change.no-threshold",
        };
        return desk.text(why);
    };
    let better = outcome.improvement.is_some_and(|change| change > Number::from(0));
    let class = match judgement.class {
        ChangeClass::ImprovedPastBoth => "improved-past-both",
        ChangeClass::ImprovedPastImportant => "improved-past-important",
        ChangeClass::ImprovedWithinError => "improved-within-error",
        ChangeClass::LessThanImportant if better => "less-better",
        ChangeClass::LessThanImportant => "less-worse",
        ChangeClass::Unchanged => "unchanged",
        ChangeClass::WorseWithinError => "worse-within-error",
        ChangeClass::Worse => "worse",
    };
    let share = judgement
        .important_percent_of_first
        .map(|percent| words.fill("change.or-share", &[("n", &words.number(percent))]));
    let important = words.number(judgement.important) + &share.unwrap_or_default();
    let error = judgement.detectable.map(|error| words.number(error)).unwrap_or_default();
    let places = [("important", important), ("error", error)];
    let mut text = words.fill(&format!("change.{class}"), &places);
    if judgement.no_room {
        text.push_str(words.get("change.no-room"));
    }
    text
}

fn habit_row(desk: &Desk<'_>) -> Option<Vec<String>> {
    let words = desk.words;
    let habit = desk.summary.habit.as_ref()?;
    let count = |count: &crate::clinical::habit::Count| {
        let places = [("n", words.number(count.per_day)), ("day", words.short_day(count.day))];
        words.fill("unit.per-day", &places)
    };
    let zero = habit.first_zero.map(|day| words.fill("habit.zero", &[("day", &words.day(day))]));
    Some(vec![
        desk.text("measure.habit"),
        count(&habit.first),
        habit.latest.as_ref().map_or_else(|| desk.text("not-repeated"), count),
        habit.change.map_or_else(|| desk.text("none-mark"), |n| words.signed(n)),
        zero.unwrap_or_else(|| desk.text("habit.not-zero")),
    ])
}

/// Where a score was better in between than at the latest.
fn best(desk: &Desk<'_>) -> Vec<String> {
    let between = |outcome: &&Outcome| {
        outcome.measure != Measure::Grc
            && outcome.latest.as_ref().is_some_and(|latest| latest.value != outcome.best)
    };
    let line = |outcome: &Outcome| {
        let best = value(desk, outcome.measure, outcome.best);
        let places = [("measure", measure_name(desk, outcome)), ("best", best)];
        desk.words.fill("scores.best", &places)
    };
    desk.summary.outcomes.iter().filter(between).map(line).collect()
}

/// How much of the way to each target was gone.
fn goals(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let line = |progress: &Progress| {
        let shown = |n| match progress.target.aim {
            Aim::Score(measure, _) => value(desk, measure, n),
            Aim::SelfManipulation => words.number(n),
        };
        let name = match progress.target.aim {
            Aim::Score(measure, kind) => name(desk, measure, kind),
            Aim::SelfManipulation => desk.text("measure.habit"),
        };
        let reached = if progress.reached { "scores.goal-reached" } else { "scores.goal-open" };
        let nothing = || desk.text("not-recorded");
        let places = [
            ("measure", name),
            ("target", shown(progress.target.value)),
            ("due", progress.target.due.map_or_else(nothing, |day| words.day(day))),
            ("percent", progress.percent.map_or_else(nothing, |n| words.number(n))),
            ("reached", desk.text(reached)),
        ];
        let key = if progress.percent.is_some() { "scores.goal" } else { "scores.goal-no-way" };
        words.fill(key, &places)
    };
    desk.summary.goal_progress.iter().map(line).collect()
}

/// Trend of the habit, days without, days not reported.
fn habit(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let Some(habit) = &desk.summary.habit else { return Vec::new() };
    let mut parts = Vec::new();
    if let Some(trend) = &habit.trend {
        let interval = trend.interval.map(|[low, high]| {
            let places = [("low", words.signed(low)), ("high", words.signed(high))];
            words.fill("habit.interval", &places)
        });
        let places = [
            ("slope", words.signed(trend.per_week)),
            ("n", trend.values.to_string()),
            ("interval", interval.unwrap_or_else(|| desk.text("habit.no-interval"))),
        ];
        parts.push(words.fill("habit.trend", &places));
    }
    let days = |run: &Run| {
        let places = [
            ("n", run.days.to_string()),
            ("from", words.short_day(run.from)),
            ("to", words.short_day(run.to)),
        ];
        let form = if run.days == 1 { "habit.days.one" } else { "habit.days.many" };
        words.fill(form, &places)
    };
    parts.extend(
        habit.longest_without.map(|run| words.fill("habit.without", &[("days", days(&run))])),
    );
    parts.extend(habit.days_since_last.map(|n| words.fill("habit.since", &[("n", n.to_string())])));
    if !habit.not_reported.is_empty() {
        let runs: Vec<String> = habit.not_reported.iter().map(days).collect();
        let places = [("days", runs.join(words.get("list.semicolon")))];
        parts.push(words.fill("habit.not-reported", &places));
    }
    if parts.is_empty() { Vec::new() } else { vec![parts.join(" ")] }
}

fn rating(desk: &Desk<'_>) -> Option<String> {
    let outcome = desk.summary.outcomes.iter().find(|o| o.measure == Measure::Grc)?;
    let latest = outcome.latest.as_ref().unwrap_or(&outcome.first);
    let places = [("n", desk.words.signed(latest.value)), ("day", desk.words.day(latest.day))];
    Some(desk.words.fill("scores.rating", &places))
}

/// The threshold set by name, with the values that were applied and where they are published.
pub(super) fn thresholds(desk: &Desk<'_>) -> Option<String> {
    let words = desk.words;
    let choice = desk.summary.threshold_set.as_ref()?;
    let mut parts = Vec::new();
    for outcome in &desk.summary.outcomes {
        let Some(judgement) = &outcome.judgement else { continue };
        let unit =
            if outcome.measure == Measure::Ndi { "unit.points" } else { "unit.plain-points" };
        let amount = |n: Number| words.fill(unit, &[("n", &words.number(n))]);
        let share = judgement
            .important_percent_of_first
            .map(|percent| words.fill("scores.or-share", &[("n", &words.number(percent))]));
        let important = format!("{}{}", amount(judgement.important), share.unwrap_or_default());
        let none = || desk.text("scores.no-error");
        let places = [
            ("measure", measure_name(desk, outcome)),
            ("important", important),
            ("error", judgement.detectable.map_or_else(none, amount)),
            ("citation", judgement.citation.clone()),
        ];
        parts.push(words.fill("scores.threshold", &places));
    }
    let places = [
        ("set", choice.set.as_str()),
        ("population", &choice.population),
        ("values", &parts.join(" ")),
    ];
    (!parts.is_empty()).then(|| words.fill("scores.set", &places))
}
