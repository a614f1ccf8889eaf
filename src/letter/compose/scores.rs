//! Scores and counts, then and now.

use crate::clinical::number::Number;
use crate::clinical::outcome::{Measure, Outcome, Score};
use crate::clinical::threshold::ChangeClass;
use crate::letter::catalogue::signed;
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
            Measure::Ndi => desk.words.fill("unit.points-change", &[("n", &signed(change))]),
            _ => signed(change),
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
    let name = desk.words.name("measure", crate::clinical::outcome::about(outcome.measure));
    let kind = outcome.kind.map_or("", |kind| desk.words.name("pain-kind", kind));
    name.replace("{kind}", kind)
}

/// A score's value with its unit.
pub(super) fn value(desk: &Desk<'_>, measure: Measure, value: Number) -> String {
    let unit = if measure == Measure::Ndi { "unit.percent" } else { "unit.of-ten" };
    desk.words.fill(unit, &[("n", &value.to_string())])
}

fn score(desk: &Desk<'_>, measure: Measure, score: &Score) -> String {
    let words = desk.words;
    let when = [("value", value(desk, measure, score.value)), ("day", words.short_day(score.day))];
    let mut details = Vec::new();
    if let Some(points) = score.points {
        let possible = score.answered.map_or(50, |answered| answered * 5).to_string();
        details.push(words.fill("unit.of", &[("n", points.to_string()), ("of", possible)]));
    }
    details.extend(score.band.map(|band| words.name("band", band).to_owned()));
    let mut lines = vec![words.fill("scores.when", &when)];
    if !details.is_empty() {
        lines.push(details.join(words.get("list.comma")));
    }
    lines.join("\n")
}

/// What a change means, in words.
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
    let mut text = words.name("change", class).to_owned();
    if judgement.no_room {
        text.push_str(words.get("change.no-room"));
    }
    text
}

fn habit_row(desk: &Desk<'_>) -> Option<Vec<String>> {
    let words = desk.words;
    let habit = desk.summary.habit.as_ref()?;
    let count = |count: &crate::clinical::habit::Count| {
        let places = [("n", count.per_day.to_string()), ("day", words.short_day(count.day))];
        words.fill("unit.per-day", &places)
    };
    let zero = habit.first_zero.map(|day| words.fill("habit.zero", &[("day", &words.day(day))]));
    Some(vec![
        desk.text("measure.habit"),
        count(&habit.first),
        habit.latest.as_ref().map_or_else(|| desk.text("not-repeated"), count),
        habit.change.map_or_else(|| desk.text("none-mark"), signed),
        zero.unwrap_or_else(|| desk.text("habit.not-zero")),
    ])
}

fn rating(desk: &Desk<'_>) -> Option<String> {
    let outcome = desk.summary.outcomes.iter().find(|o| o.measure == Measure::Grc)?;
    let latest = outcome.latest.as_ref().unwrap_or(&outcome.first);
    let places = [("n", signed(latest.value)), ("day", desk.words.day(latest.day))];
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
        let amount = |n: Number| words.fill(unit, &[("n", &n.to_string())]);
        let share = judgement
            .important_percent_of_first
            .map(|percent| words.fill("scores.or-share", &[("n", &percent.to_string())]));
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
