//! The examination: segments then and now, and range of motion.

use std::collections::BTreeMap;

use crate::clinical::range::RangeChange;
use crate::clinical::range_side::{Difference, SideDifference};
use crate::clinical::segment::{Class, Mobility, Segment, Side};
use crate::clinical::segment_map::{Change, ChangeClass, Counts, LooseRun};
use crate::letter::compose::{Desk, map};
use crate::letter::content::{Block, Section};

/// The map, what changed, and the ranges.
pub(super) fn examination(desk: &Desk<'_>) -> Section {
    let summary = desk.summary;
    let map = map::map(desk).map(Block::Map);
    let mut blocks = match map {
        None => vec![Block::paragraph(desk.text("segments.none"))],
        Some(map) => {
            let note = Block::note(desk.text("segments.agreement"));
            vec![Block::List { items: changes(desk) }, map, note]
        }
    };
    blocks.extend(ranges(desk));
    let from = (summary.segments.cells.iter().flat_map(|cell| &cell.sources))
        .chain(summary.ranges.iter().flat_map(|range| &range.sources))
        .chain(summary.side_differences.iter().flat_map(|found| &found.sources));
    desk.section("examination", Some("29545-1"), blocks, from)
}

/// The kinds of change, in the order of the letter.
const KINDS: [(ChangeClass, &str); 8] = [
    (ChangeClass::Normalised, "normalised"),
    (ChangeClass::TowardsNormal, "towards-normal"),
    (ChangeClass::Unchanged, "unchanged"),
    (ChangeClass::AwayFromNormal, "away-from-normal"),
    (ChangeClass::Crossed, "crossed"),
    (ChangeClass::Contradicted, "contradicted"),
    (ChangeClass::NewlyAssessed, "newly-assessed"),
    (ChangeClass::NotReassessed, "not-reassessed"),
];

/// One line for each kind of change, with the segments and their grades; then the counts and the
/// runs of loose segments.
fn changes(desk: &Desk<'_>) -> Vec<String> {
    let (segments, words) = (&desk.summary.segments, desk.words);
    let mut lines = counts(desk);
    if segments.days.len() < 2 {
        lines.push(desk.text("segments.once"));
        lines.extend(segments.loose_runs.iter().map(|run| loose_run(desk, run)));
        return lines;
    }
    for (class, name) in KINDS {
        let of_class = || segments.changes.iter().filter(move |change| change.class == class);
        let normal = |change: &&Change| {
            class != ChangeClass::Unchanged || change.first.mobility.class != Class::Normal
        };
        let shown = grouped(desk, of_class().filter(normal));
        if !shown.is_empty() {
            let key = format!("segments.{name}");
            lines.push(words.fill(&key, &[("segments", shown.join(words.get("list.semicolon")))]));
        }
    }
    lines.extend(segments.loose_runs.iter().map(|run| loose_run(desk, run)));
    if segments.changes.iter().any(|change| change.other_examiner) {
        lines.push(desk.text("segments.other-examiner"));
    }
    lines
}

fn counts(desk: &Desk<'_>) -> Vec<String> {
    let segments = &desk.summary.segments;
    let names = |list: &[Segment]| {
        let names: Vec<String> = list.iter().map(|segment| segment.code().to_owned()).collect();
        if names.is_empty() { desk.text("segments.no-segment") } else { desk.words.list(&names) }
    };
    let line = |key: &str, counts: &Counts| {
        let places = [("hypo", names(&counts.hypomobile)), ("hyper", names(&counts.hypermobile))];
        desk.words.fill(key, &places)
    };
    let mut lines = vec![line("segments.first", &segments.first)];
    if segments.days.len() > 1 {
        lines.push(line("segments.latest", &segments.latest));
    }
    lines
}

/// Segments with their sides and grades, both sides together where they agree.
fn grouped<'a>(desk: &Desk<'_>, changes: impl Iterator<Item = &'a Change>) -> Vec<String> {
    let mut groups: BTreeMap<(Segment, String), Vec<Side>> = BTreeMap::new();
    for change in changes {
        let sides = groups.entry((change.segment, step(desk, change))).or_default();
        if !sides.contains(&change.side) {
            sides.push(change.side);
        }
    }
    let name = |((segment, step), sides): ((Segment, String), Vec<Side>)| {
        let side = match sides.as_slice() {
            [Side::Left] => "left",
            [Side::Right] => "right",
            _ => "both",
        };
        format!("{segment} {} {step}", desk.words.name("side", side))
    };
    groups.into_iter().map(name).collect()
}

fn step(desk: &Desk<'_>, change: &Change) -> String {
    let first = mobility(desk, change.first.mobility);
    let text = match change.latest {
        Some(latest) if change.class == ChangeClass::Unchanged => mobility(desk, latest.mobility),
        Some(latest) => format!("{first} \u{2192} {}", mobility(desk, latest.mobility)),
        None => first,
    };
    desk.words.fill("in-round", &[("text", text)])
}

fn mobility(desk: &Desk<'_>, mobility: Mobility) -> String {
    let class = match mobility.class {
        Class::Hypomobile => "hypomobile",
        Class::Normal => "normal",
        Class::Hypermobile => "hypermobile",
    };
    mobility.grade.map_or_else(|| desk.words.name("class", class).to_owned(), |g| g.to_string())
}

fn loose_run(desk: &Desk<'_>, run: &LooseRun) -> String {
    let words = desk.words;
    let names: Vec<String> = run.segments.iter().map(|segment| segment.code().to_owned()).collect();
    let neighbours: Vec<String> = [(run.stiff_above, "above"), (run.stiff_below, "below")]
        .into_iter()
        .filter_map(|(segment, place)| {
            let name = segment?.code();
            Some(words.fill(&format!("segments.stiff-{place}"), &[("segment", name)]))
        })
        .collect();
    let neighbours = if neighbours.is_empty() {
        desk.text("segments.no-stiff")
    } else {
        words.list(&neighbours)
    };
    words.fill("segments.run", &[("segments", words.list(&names)), ("neighbours", neighbours)])
}

fn ranges(desk: &Desk<'_>) -> Vec<Block> {
    let words = desk.words;
    if desk.summary.ranges.is_empty() {
        return vec![Block::paragraph(desk.text("ranges.none"))];
    }
    let columns = ["direction", "first", "latest", "change", "meaning"];
    let table = Block::Table {
        caption: desk.text("ranges.caption"),
        columns: columns.iter().map(|c| words.name("ranges.column", c).to_owned()).collect(),
        rows: desk.summary.ranges.iter().map(|range| range_row(desk, range)).collect(),
        sum: false,
    };
    let sides = desk.summary.side_differences.iter().map(|found| side_difference(desk, found));
    let sides: Vec<String> = sides.collect();
    let mut blocks = vec![table];
    if !sides.is_empty() {
        let places = [("differences", sides.join(words.get("list.semicolon")))];
        blocks.push(Block::paragraph(words.fill("ranges.sides", &places)));
    }
    blocks
}

/// Right minus left, first and latest.
fn side_difference(desk: &Desk<'_>, found: &SideDifference) -> String {
    let words = desk.words;
    let name = words.name("movement", found.movement);
    let mode = found.mode.as_deref().map_or(words.get("not-recorded"), |m| words.name("mode", m));
    let degrees = |d: Difference| words.fill("unit.degrees", &[("n", words.signed(d.degrees))]);
    let latest = found.latest.map_or_else(|| desk.text("not-repeated"), degrees);
    let name = words.fill("ranges.name", &[("direction", name), ("mode", mode)]);
    let places = [("name", name), ("first", degrees(found.first)), ("latest", latest)];
    words.fill("ranges.side", &places)
}

fn range_row(desk: &Desk<'_>, range: &RangeChange) -> Vec<String> {
    let words = desk.words;
    let name = words.name("direction", range.direction);
    let mode = range.mode.as_deref().map_or(words.get("not-recorded"), |m| words.name("mode", m));
    let degrees = |measured: &crate::clinical::range::Measured| {
        words.fill("unit.degrees", &[("n", words.number(measured.degrees))])
    };
    let meaning = match (range.exceeds_error, range.contradicted) {
        (_, true) => "change.contradicted",
        (Some(true), _) => "ranges.exceeds",
        (Some(false), _) => "ranges.within",
        (None, _) => "ranges.unknown",
    };
    let change = |change| words.fill("unit.degrees", &[("n", words.signed(change))]);
    vec![
        words.fill("ranges.name", &[("direction", name), ("mode", mode)]),
        degrees(&range.first),
        range.latest.as_ref().map_or_else(|| desk.text("not-repeated"), degrees),
        range.change.map_or_else(|| desk.text("none-mark"), change),
        words.fill(meaning, &[("error", words.number(range.error))]),
    ]
}
