//! The segment map of a letter: from the head downwards, visits from left to right.

use std::collections::{BTreeMap, BTreeSet};

use crate::clinical::segment::{Class, Segment, Side};
use crate::clinical::segment_map::Cell;
use crate::clinical::source::Day;
use crate::letter::compose::Desk;
use crate::letter::content::{Legend, Map, MapCell, MapRow, Mark, Shape};

/// The map; none where no segment was tested.
pub(super) fn map(desk: &Desk<'_>) -> Option<Map> {
    let (summary, words) = (desk.summary, desk.words);
    let tested = summary.segments.cells.iter().map(|cell| cell.segment);
    let treated = summary.dose.lines.iter().map(|line| line.segment);
    let touched: BTreeSet<Segment> = tested.chain(treated).collect();
    let (first, last) = (*touched.first()?, *touched.last()?);
    if summary.segments.cells.is_empty() {
        return None;
    }
    let treated_days = summary.dose.lines.iter().map(|line| line.day);
    let days: BTreeSet<Day> = summary.segments.days.iter().copied().chain(treated_days).collect();
    let ground = Ground::of(desk);
    let row = |segment: Segment| MapRow {
        segment: segment.code(),
        cells: days.iter().map(|day| ground.cell(desk, segment, *day)).collect(),
    };
    let rows = Segment::all().filter(|segment| (first..=last).contains(segment)).map(row);
    Some(Map {
        caption: desk.text("map.caption"),
        description: description(desk),
        words: desk.text("map.words"),
        corner: desk.text("map.corner"),
        marks: ["left", "right", "treated"].map(|name| words.name("map.mark", name).to_owned()),
        days: days.iter().map(|day| words.short_day(*day)).collect(),
        rows: rows.collect(),
        legend: legend(desk),
    })
}

/// What was found and done, by place and day.
struct Ground<'a> {
    found: BTreeMap<(Segment, Day, Side), &'a Cell>,
    treated: BTreeSet<(Segment, Day)>,
}

impl<'a> Ground<'a> {
    fn of(desk: &Desk<'a>) -> Self {
        let cells = desk.summary.segments.cells.iter();
        let lines = desk.summary.dose.lines.iter();
        Self {
            found: cells.map(|cell| ((cell.segment, cell.day, cell.side), cell)).collect(),
            treated: lines.map(|line| (line.segment, line.day)).collect(),
        }
    }

    fn cell(&self, desk: &Desk<'_>, segment: Segment, day: Day) -> MapCell {
        let side = |side: Side| self.found.get(&(segment, day, side)).map(|cell| mark(desk, cell));
        MapCell {
            left: side(Side::Left),
            right: side(Side::Right),
            treated: self.treated.contains(&(segment, day)),
        }
    }
}

fn mark(desk: &Desk<'_>, cell: &Cell) -> Mark {
    let words = desk.words;
    let Some(mobility) = cell.mobility else {
        let name = words.get("class.untestable").to_owned();
        return Mark {
            shape: Shape::Untestable,
            text: String::new(),
            words: name,
            differs: cell.differs,
        };
    };
    let (shape, name) = match mobility.class {
        Class::Hypomobile => (Shape::Stiff, "hypomobile"),
        Class::Normal => (Shape::Normal, "normal"),
        Class::Hypermobile => (Shape::Loose, "hypermobile"),
    };
    let class = words.name("class", name);
    let text =
        mobility.grade.map_or_else(|| words.name("class-mark", name).to_owned(), |g| g.to_string());
    let words = mobility.grade.map_or_else(|| class.to_owned(), |grade| format!("{class} {grade}"));
    Mark { shape, text, words, differs: cell.differs }
}

/// What the map shows, in a sentence for each count.
fn description(desk: &Desk<'_>) -> String {
    let segments = &desk.summary.segments;
    let sentence = |key: &str, counts: &crate::clinical::segment_map::Counts| {
        let places = [
            ("hypo", counts.hypomobile_sides.to_string()),
            ("normal", counts.normal_sides.to_string()),
            ("hyper", counts.hypermobile_sides.to_string()),
            ("sides", counts.sides.to_string()),
        ];
        desk.words.fill(key, &places)
    };
    let mut sentences = vec![sentence("map.first", &segments.first)];
    if segments.days.len() > 1 {
        sentences.push(sentence("map.latest", &segments.latest));
    }
    if segments.cells.iter().any(|cell| cell.differs) {
        sentences.push(desk.text("map.differs"));
    }
    sentences.join(" ")
}

fn legend(desk: &Desk<'_>) -> Vec<Legend> {
    let cells = &desk.summary.segments.cells;
    let untestable = cells.iter().any(|cell| cell.mobility.is_none());
    let one = |shape, text: &str, name: &str| Legend {
        shape,
        text: text.to_owned(),
        words: desk.words.name("map.legend", name).to_owned(),
    };
    let mut legend = vec![
        one(Shape::Stiff, "2", "hypomobile"),
        one(Shape::Normal, "3", "normal"),
        one(Shape::Loose, "4", "hypermobile"),
        one(Shape::Treated, "", "treated"),
    ];
    if untestable {
        legend.push(one(Shape::Untestable, "", "untestable"));
    }
    legend
}
