//! The rows of segments: what is found today, what was found last beside it.

use std::collections::{BTreeMap, BTreeSet};

use maud::{Markup, html};

use crate::clinical::Summary;
use crate::clinical::segment::{Class, Segment, Side};
use crate::clinical::segment_map::Cell;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::visit::{cell, options, select};

/// The tests that a form offers, by code.
const TESTS: [&str; 6] = [
    "ppivm-flexion",
    "ppivm-lateral-flexion-left",
    "ppivm-lateral-flexion-right",
    "paivm-central-pa",
    "paivm-unilateral-pa",
    "paivm-transverse",
];
const FEELS: [&str; 7] = ["normal", "capsular", "hard", "springy", "guarded", "soft", "empty"];

/// The last known finding of each side, with its day.
fn last(summary: &Summary) -> BTreeMap<(Segment, Side), &Cell> {
    let cells = summary.segments.cells.iter().filter(|cell| cell.mobility.is_some());
    cells.map(|cell| ((cell.segment, cell.side), cell)).collect()
}

/// The rows, those that are seldom needed folded away.
pub(super) fn segments(summary: &Summary, words: &Catalogue) -> Markup {
    let last = last(summary);
    let touched: BTreeSet<Segment> = last.keys().map(|(segment, _)| *segment).collect();
    let usual = Segment::parse("T3-T4");
    let until = touched.last().copied().max(usual);
    let (near, far): (Vec<Segment>, Vec<Segment>) =
        Segment::all().partition(|segment| Some(*segment) <= until);
    let test = words.get("visit.test");
    html! {
        fieldset {
            legend { (words.get("visit.segments")) }
            p class="note" { (words.get("visit.grade-help")) }
            div class="fields" { label { span { (test) } (select(test, "test", &options(words, "test-method", &TESTS))) } }
            (layout::wide(words.get("visit.segments"), &rows(&near, &last, words)))
            @if !far.is_empty() {
                details {
                    summary { (words.get("visit.more-segments")) }
                    (layout::wide(words.get("visit.more-segments"), &rows(&far, &last, words)))
                }
            }
        }
    }
}

fn rows(
    segments: &[Segment],
    last: &BTreeMap<(Segment, Side), &Cell>,
    words: &Catalogue,
) -> Markup {
    let columns = [
        "segment",
        "last-left",
        "left",
        "pain-left",
        "feel",
        "last-right",
        "right",
        "pain-right",
        "feel",
    ];
    let feels = options(words, "end-feel", &FEELS);
    let sides = [(Side::Left, "left"), (Side::Right, "right")];
    html! {
        table class="form" {
            thead { tr { @for column in columns { th scope="col" { (words.name("visit.column", column)) } } } }
            tbody {
                @for segment in segments {
                    tr data-row="segment" {
                        th scope="row" { (segment) }
                        @for (side, code) in sides {
                            @let name = format!("segment.{segment}.{code}");
                            @let of = [("segment", segment.code()), ("side", words.name("side", code))];
                            td class="last" { (last.get(&(*segment, side)).map(|cell| finding(cell, words)).unwrap_or_default()) }
                            td { (cell(&words.fill("visit.grade-of", &of), &name)) }
                            td { (cell(&words.fill("visit.pain-of", &of), &format!("{name}.pain"))) }
                            td { (select(&words.fill("visit.feel-of", &of), &format!("{name}.feel"), &feels)) }
                        }
                    }
                }
            }
        }
    }
}

/// The last finding in short: grade or class, and its day.
fn finding(cell: &Cell, words: &Catalogue) -> String {
    let Some(mobility) = cell.mobility else { return String::new() };
    let class = match mobility.class {
        Class::Hypomobile => "hypomobile",
        Class::Normal => "normal",
        Class::Hypermobile => "hypermobile",
    };
    let grade = mobility.grade.map(|grade| grade.to_string());
    let grade = grade.unwrap_or_else(|| words.name("class", class).to_owned());
    format!("{grade} \u{b7} {}", words.short_day(cell.day))
}
