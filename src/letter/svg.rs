//! The segment map drawn: the spine from top to bottom, visits from left to right.
//!
//! Each visit has an axis, the spine; what was found left of it stands left, right of it right.
//! Shape and text carry the meaning, colour only repeats it: a filled block is hypomobile, a ring
//! normal, an open diamond hypermobile; a bar on the axis says that the segment was treated.

use maud::{Markup, html};

use crate::letter::content::{Map, MapCell, Mark, Shape};

const LABEL: usize = 64;
const COLUMN: usize = 96;
const ROW: usize = 26;
const HEAD: usize = 44;
/// From the axis to the middle of a mark.
const OFFSET: usize = 22;

/// The map as inline SVG, with its words as title and description.
pub(super) fn map(map: &Map) -> Markup {
    let width = LABEL + COLUMN * map.days.len() + 8;
    let height = HEAD + ROW * map.rows.len() + 6;
    let [left, right, _] = &map.marks;
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="map" role="img" aria-labelledby="map-title map-words"
            viewBox=(format!("0 0 {width} {height}")) width=(width) height=(height) {
            title id="map-title" { (map.caption) }
            desc id="map-words" { (map.description) }
            @for (at, row) in map.rows.iter().enumerate() {
                @if at % 2 == 0 {
                    rect class="stripe" x="0" y=(HEAD + at * ROW) width=(width) height=(ROW) {}
                }
                text class="segment" x="4" y=(HEAD + at * ROW + 18) { (row.segment) }
            }
            @for (at, day) in map.days.iter().enumerate() {
                @let x = axis(at);
                text class="day" x=(x) y="16" { (day) }
                text class="side" x=(x - OFFSET) y="36" { (left) }
                text class="side" x=(x + OFFSET) y="36" { (right) }
                line class="axis" x1=(x) x2=(x) y1=(HEAD) y2=(height - 4) {}
            }
            @for (at, row) in map.rows.iter().enumerate() {
                @for (day, cell) in row.cells.iter().enumerate() {
                    (self::cell(cell, axis(day), HEAD + at * ROW + ROW / 2))
                }
            }
        }
    }
}

fn axis(day: usize) -> usize {
    LABEL + day * COLUMN + COLUMN / 2
}

fn cell(cell: &MapCell, x: usize, y: usize) -> Markup {
    html! {
        @if cell.treated { (shape(Shape::Treated, "", x, y)) }
        @if let Some(left) = &cell.left { (mark(left, x - OFFSET, y)) }
        @if let Some(right) = &cell.right { (mark(right, x + OFFSET, y)) }
    }
}

fn mark(mark: &Mark, x: usize, y: usize) -> Markup {
    html! {
        (shape(mark.shape, &mark.text, x, y))
        @if mark.differs { text class="differs" x=(x + 13) y=(y - 3) { "?" } }
    }
}

/// One shape with its text around a middle.
fn shape(shape: Shape, text: &str, x: usize, y: usize) -> Markup {
    html! {
        @match shape {
            Shape::Stiff => { rect class="stiff" x=(x - 11) y=(y - 10) width="22" height="20" {} }
            Shape::Normal => { circle class="normal" cx=(x) cy=(y) r="9" {} }
            Shape::Loose => {
                polygon class="loose" points=(format!(
                    "{x},{} {},{y} {x},{} {},{y}", y - 12, x + 14, y + 12, x - 14
                )) {}
            }
            Shape::Untestable => {
                path class="untestable" d=(format!(
                    "M{} {} l12 12 m-12 0 l12 -12", x - 6, y - 6
                )) {}
            }
            Shape::Treated => { rect class="treated" x=(x - 3) y=(y - 9) width="6" height="18" {} }
        }
        @if !text.is_empty() {
            text class=(if shape == Shape::Stiff { "grade light" } else { "grade" }) x=(x) y=(y + 4) { (text) }
        }
    }
}

/// The shapes of a map with their words.
pub(super) fn legend(map: &Map) -> Markup {
    html! {
        ul class="legend" {
            @for entry in &map.legend {
                li {
                    svg class="map" aria-hidden="true" viewBox="0 0 30 26" width="30" height="26" {
                        (shape(entry.shape, &entry.text, 15, 13))
                    }
                    " " (entry.words)
                }
            }
        }
    }
}
