//! What was done, where, how much, and what was left alone.

use std::collections::BTreeMap;

use crate::clinical::dose::{LeftAlone, Line, Technique, Totals};
use crate::clinical::segment::{Segment, Side};
use crate::letter::compose::Desk;
use crate::letter::content::{Block, Section};

/// The table of treated segments, and what was left alone on purpose.
pub(super) fn treatment(desk: &Desk<'_>) -> Section {
    let (dose, words) = (&desk.summary.dose, desk.words);
    let mut blocks = Vec::new();
    if dose.lines.is_empty() {
        blocks.push(Block::paragraph(desk.text("treatment.none")));
    } else {
        let columns = ["segment", "technique", "sessions", "oscillations", "seconds", "other"];
        let mut rows: Vec<Vec<String>> =
            dose.by_segment.iter().map(|(segment, totals)| row(desk, *segment, totals)).collect();
        rows.push(sum(desk));
        blocks.push(Block::Table {
            caption: desk.text("treatment.caption"),
            columns: columns.iter().map(|c| words.name("treatment.column", c).to_owned()).collect(),
            rows,
            sum: true,
        });
    }
    blocks.push(Block::paragraph(left_alone(desk)));
    blocks.extend(incomplete(desk).map(Block::paragraph));
    let from = dose.total.sources.iter().chain(dose.left_alone.iter().map(|left| &left.source));
    desk.section("treatment", Some("47519-4"), blocks, from)
}

/// The treatment in one sentence.
pub(super) fn in_short(desk: &Desk<'_>) -> String {
    let (dose, words) = (&desk.summary.dose, desk.words);
    if dose.lines.is_empty() {
        return desk.text("treatment.none");
    }
    let segments: Vec<String> = dose.by_segment.iter().map(|(s, _)| s.code().to_owned()).collect();
    let places = [
        ("segments", words.list(&segments)),
        ("amount", amounts(desk, &dose.total)),
        ("alone", left_alone(desk)),
    ];
    words.fill("treatment.short", &places)
}

/// Oscillations with their time, thrusts, repetitions: only what there is.
fn amounts(desk: &Desk<'_>, totals: &Totals) -> String {
    let words = desk.words;
    let mut parts = Vec::new();
    if totals.oscillations.max.get() > 0.into() {
        let places =
            [("n", words.number(totals.oscillations)), ("seconds", words.number(totals.seconds))];
        parts.push(words.fill("treatment.oscillations", &places));
    }
    parts.extend(others(desk, totals));
    if parts.is_empty() { desk.text("treatment.no-dose") } else { words.list(&parts) }
}

fn others(desk: &Desk<'_>, totals: &Totals) -> Vec<String> {
    let words = desk.words;
    let mut parts = Vec::new();
    if totals.thrusts > 0 {
        parts.push(words.count("count.thrust", count(totals.thrusts)));
    }
    if totals.repetitions > 0 {
        parts.push(words.count("count.repetition", count(totals.repetitions)));
    }
    if totals.other_seconds.max.get() > 0.into() {
        let seconds = words.number(totals.other_seconds);
        parts.push(words.fill("treatment.other-seconds", &[("n", seconds)]));
    }
    parts
}

fn count(n: u32) -> usize {
    usize::try_from(n).unwrap_or(usize::MAX)
}

fn row(desk: &Desk<'_>, segment: Segment, totals: &Totals) -> Vec<String> {
    let lines: Vec<&Line> =
        desk.summary.dose.lines.iter().filter(|line| line.segment == segment).collect();
    let mut days: Vec<_> = lines.iter().map(|line| line.day).collect();
    days.dedup();
    let mut cells = vec![format!("{segment} {}", sides(desk, &lines)), techniques(desk, &lines)];
    cells.push(days.len().to_string());
    cells.extend(dose_cells(desk, totals));
    cells
}

fn dose_cells(desk: &Desk<'_>, totals: &Totals) -> [String; 3] {
    let none = || desk.text("none-mark");
    let amount = |span: &crate::clinical::number::Span, missing: u32| {
        let known = (span.max.get() > 0.into()).then(|| desk.words.number(span));
        let open =
            (missing > 0).then(|| desk.words.fill("treatment.open", &[("n", missing.to_string())]));
        let parts: Vec<String> = known.into_iter().chain(open).collect();
        if parts.is_empty() { none() } else { parts.join(" ") }
    };
    let others = others(desk, totals);
    [
        amount(&totals.oscillations, totals.without_count),
        amount(&totals.seconds, totals.without_time),
        if others.is_empty() { none() } else { others.join(desk.words.get("list.comma")) },
    ]
}

fn sum(desk: &Desk<'_>) -> Vec<String> {
    let dose = &desk.summary.dose;
    let mut cells = vec![desk.text("treatment.sum")];
    cells.push(desk.words.count("count.line", dose.total.sources.len()));
    cells.push(dose.by_day.len().to_string());
    cells.extend(dose_cells(desk, &dose.total));
    cells
}

fn sides(desk: &Desk<'_>, lines: &[&Line]) -> String {
    let mut sides: Vec<Side> = lines.iter().map(|line| line.side).collect();
    sides.sort();
    sides.dedup();
    let name = |side: &Side| {
        let name = match side {
            Side::Left => "left",
            Side::Central => "central",
            Side::Right => "right",
            Side::Both => "both",
        };
        desk.words.name("side", name).to_owned()
    };
    let names: Vec<String> = sides.iter().map(name).collect();
    names.join(desk.words.get("list.comma"))
}

/// Techniques with their grades.
fn techniques(desk: &Desk<'_>, lines: &[&Line]) -> String {
    let mut found: BTreeMap<Technique, Vec<&str>> = BTreeMap::new();
    for line in lines {
        let grades = found.entry(line.technique).or_default();
        grades.extend(
            line.grade
                .as_deref()
                .filter(|g| line.technique != Technique::Thrust && !grades.contains(g)),
        );
    }
    let name = |(technique, mut grades): (Technique, Vec<&str>)| {
        grades.sort_unstable();
        let name = desk.words.name("technique", technique.code());
        if grades.is_empty() { name.to_owned() } else { format!("{name} {}", grades.join("/")) }
    };
    let names: Vec<String> = found.into_iter().map(name).collect();
    names.join(desk.words.get("list.comma"))
}

/// What was left alone on purpose, by reason.
fn left_alone(desk: &Desk<'_>) -> String {
    let words = desk.words;
    let mut reasons: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    let sites: Vec<&LeftAlone> = desk.summary.dose.left_alone.iter().collect();
    for left in &sites {
        let names = reasons.entry(left.reason.as_str()).or_default();
        let name = left.segment.code().to_owned();
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let line = |(reason, segments): (&str, Vec<String>)| {
        let reason = if reason.is_empty() { words.get("not-recorded") } else { reason };
        words.fill(
            "treatment.alone",
            &[("segments", words.list(&segments).as_str()), ("reason", reason)],
        )
    };
    let lines: Vec<String> = reasons.into_iter().map(line).collect();
    if lines.is_empty() { desk.text("treatment.alone-none") } else { lines.join(" ") }
}

fn incomplete(desk: &Desk<'_>) -> Option<String> {
    let total = &desk.summary.dose.total;
    let missing = total.without_count > 0 || total.without_time > 0;
    let places =
        [("count", total.without_count.to_string()), ("time", total.without_time.to_string())];
    missing.then(|| desk.words.fill("treatment.incomplete", &places))
}
