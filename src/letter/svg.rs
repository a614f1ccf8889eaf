//! The segment map drawn: the spine from top to bottom, visits from left to right.
//!
//! Each visit has an axis, the spine; what was found left of it stands left, right of it right.
//! Shape and text carry the meaning, colour only repeats it: a filled block is hypomobile, a ring
//! normal, an open diamond hypermobile; a bar on the axis says that the segment was treated.

use maud::{Markup, html};

use crate::letter::content::{Band, Chart, ChartPoint, Map, MapCell, Mark, Shape};

const LABEL: usize = 64;
const COLUMN: usize = 96;
const ROW: usize = 26;
const HEAD: usize = 44;
/// From the axis to the middle of a mark.
const OFFSET: usize = 22;

/// The widest run of visits that one drawing shows; more of them make another drawing below.
const MOST_DAYS: usize = 12;

/// The map as inline SVG, in as many drawings as its visits need.
pub(super) fn maps(map: &Map) -> Vec<Markup> {
    let runs = map.days.chunks(MOST_DAYS).enumerate();
    runs.map(|(at, days)| part(map, at, days)).collect()
}

/// One drawing of some days, with the words of the map as title and description.
fn part(map: &Map, at: usize, days: &[String]) -> Markup {
    let width = LABEL + COLUMN * days.len() + 8;
    let (title, words) = (format!("map-title-{at}"), format!("map-words-{at}"));
    let from = at * MOST_DAYS;
    let height = HEAD + ROW * map.rows.len() + 6;
    let [left, right, _] = &map.marks;
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="map" role="img" aria-labelledby=(format!("{title} {words}"))
            viewBox=(format!("0 0 {width} {height}")) width=(width) height=(height) {
            title id=(title) { (map.caption) @if let [first, .., last] = days { ": " (first) " \u{2013} " (last) } }
            desc id=(words) { (map.description) }
            @for (at, row) in map.rows.iter().enumerate() {
                @if at % 2 == 0 {
                    rect class="stripe" x="0" y=(HEAD + at * ROW) width=(width) height=(ROW) {}
                }
                text class="segment" x="4" y=(HEAD + at * ROW + 18) { (row.segment) }
            }
            @for (at, day) in days.iter().enumerate() {
                @let x = axis(at);
                text class="day" x=(x) y="16" { (day) }
                text class="side" x=(x - OFFSET) y="36" { (left) }
                text class="side" x=(x + OFFSET) y="36" { (right) }
                line class="axis" x1=(x) x2=(x) y1=(HEAD) y2=(height - 4) {}
            }
            @for (at, row) in map.rows.iter().enumerate() {
                @for (day, cell) in row.cells.iter().skip(from).take(days.len()).enumerate() {
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

const CHART_WIDTH: u32 = 230;
const CHART_HEIGHT: u32 = 120;
/// Room left and right of the drawing of a chart.
const ROOM: u32 = 56;

/// The course of a score or bars, the scale at the left, the days below, values in words.
pub(super) fn chart(chart: &Chart) -> Markup {
    let (width, height) = (CHART_WIDTH + 2 * ROOM, CHART_HEIGHT + 44);
    let x = |at: u32| ROOM + at * CHART_WIDTH / 1000;
    let y = |at: u32| 20 + CHART_HEIGHT - at * CHART_HEIGHT / 1000;
    // Bars and dots are as wide as there is room between neighbours.
    let wide = (chart.step * CHART_WIDTH / 1400).clamp(2, 10);
    let line: Vec<String> =
        chart.points.iter().map(|point| format!("{},{}", x(point.x), y(point.y))).collect();
    let words: Vec<String> =
        chart.points.iter().map(|point| format!("{}: {}", point.day, point.text)).collect();
    let label = format!("{}. {}. {}", chart.caption, words.join("; "), chart.description);
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="chart" role="img" aria-label=(label)
            viewBox=(format!("0 0 {width} {height}")) width=(width) height=(height) {
            @for (class, band) in bands(chart) {
                rect class=(class) x=(x(0)) y=(y(band.high)) width=(CHART_WIDTH) height=(y(band.low) - y(band.high)) {}
            }
            @if let Some(band) = chart.error {
                line class="error" x1=(x(0)) x2=(x(1000)) y1=(y(band.edge)) y2=(y(band.edge)) {}
            }
            @for (at, end) in [0, 1000].into_iter().zip(&chart.ends) {
                line class="scale" x1=(x(0)) x2=(x(1000)) y1=(y(at)) y2=(y(at)) {}
                text class="end" x=(ROOM - 10) y=(y(at) + 4) { (end) }
            }
            @for (class, point) in ["day from", "day to"].into_iter().zip(ends(chart)) {
                text class=(class) x=(x(point.x)) y=(height - 4) { (point.short) }
            }
            @if !chart.bars { polyline class="course" points=(line.join(" ")) {} }
            @for point in &chart.points {
                @if chart.bars {
                    rect class="point" x=(x(point.x) - wide / 2) y=(y(point.y)) width=(wide) height=(y(0) - y(point.y)) {}
                } @else {
                    circle class="point" cx=(x(point.x)) cy=(y(point.y)) r=(if wide < 4 { "2" } else { "3.5" }) {}
                }
            }
            @for point in &chart.points {
                @if point.told {
                    // Beside the line, on the side where it does not run.
                    @let class = if chart.bars { "value" } else if point.rises { "value before" } else { "value after" };
                    text class=(class) x=(x(point.x)) y=(y(point.y) - 7) { (point.text) }
                }
            }
        }
    }
}

/// The bands, the wider one first, so that both are seen.
fn bands(chart: &Chart) -> Vec<(&'static str, Band)> {
    let named = [("band wide", chart.error), ("band", chart.important)];
    let mut bands: Vec<_> = named.into_iter().filter_map(|(c, band)| Some((c, band?))).collect();
    bands.sort_by_key(|(_, band)| std::cmp::Reverse(band.high - band.low));
    bands
}

/// The first and the last value, where there are two.
fn ends(chart: &Chart) -> Vec<&ChartPoint> {
    match chart.points.as_slice() {
        [first, .., last] => vec![first, last],
        few => few.iter().collect(),
    }
}
