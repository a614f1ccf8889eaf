//! The funnel drawn: the size of a group from left to right, its share upwards, the limits around
//! the share of all; and, where there is no funnel, each group with its interval.

use maud::{Markup, html};

use super::draw::{Scale, Shape, around, mark, px};
use super::worded;
use crate::audit::chart::{Funnel, FunnelLine, FunnelPoint, Zone};
use crate::audit::table::{Estimate, Row};
use crate::letter::catalogue::Catalogue;
use crate::statistics::Interval;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 400.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 740.0;
const TOP: f64 = 16.0;
const BOTTOM: f64 = 346.0;

/// What a drawing of groups is made of.
pub(super) struct Groups<'a> {
    /// The rows.
    pub(super) rows: &'a [Row],
    /// Their names, in the same order.
    pub(super) names: &'a [String],
    /// What ids in this section begin with.
    pub(super) id: &'a str,
}

impl Shape {
    /// The shape of a zone.
    pub(super) fn of(zone: Zone) -> Self {
        match zone {
            Zone::Within => Self::Disc,
            Zone::BeyondInner => Self::Diamond,
            Zone::BeyondOuter => Self::Square,
        }
    }
}

/// The funnel as inline SVG; each point leads to its row of the table.
pub(super) fn funnel(funnel: &Funnel, groups: &Groups<'_>, words: &Catalogue) -> Markup {
    let (x, y) = scales(funnel);
    let id = groups.id;
    let percent = |share: f64| format!("{}\u{a0}%", worded::number(share * 100.0, 0, words));
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="plot" role="group" aria-labelledby=(format!("{id}-title {id}-words"))
            viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) width=(WIDTH) height=(HEIGHT) {
            title id=(format!("{id}-title")) { (words.get("audit.funnel")) }
            desc id=(format!("{id}-words")) { (words.get("audit.funnel-words")) }
            clipPath id=(format!("{id}-clip")) { rect x=(LEFT) y=(TOP) width=(RIGHT - LEFT) height=(BOTTOM - TOP) {} }
            @for tick in y.ticks(5.0) {
                line class="grid" x1=(LEFT) x2=(RIGHT) y1=(y.place(tick)) y2=(y.place(tick)) {}
                text class="tick end" x=(LEFT - 8.0) y=(px(y.at(tick) + 4.0)) { (percent(tick)) }
            }
            @for tick in x.ticks(8.0).into_iter().filter(|tick| tick.fract().abs() < 1e-9) {
                line class="frame" x1=(x.place(tick)) x2=(x.place(tick)) y1=(BOTTOM) y2=(BOTTOM + 5.0) {}
                text class="tick" x=(x.place(tick)) y=(BOTTOM + 20.0) { (worded::number(tick, 0, words)) }
            }
            text class="axis" x=(px(f64::midpoint(LEFT, RIGHT))) y=(BOTTOM + 42.0) { (words.get("audit.size")) }
            g clip-path=(format!("url(#{id}-clip)")) {
                polygon class="zone outer" points=(outline(funnel, x, y, |line| line.outer)) {}
                polygon class="zone inner" points=(outline(funnel, x, y, |line| line.inner)) {}
                line class="centre" x1=(LEFT) x2=(RIGHT) y1=(y.place(funnel.target)) y2=(y.place(funnel.target)) {}
            }
            line class="frame" x1=(LEFT) x2=(RIGHT) y1=(BOTTOM) y2=(BOTTOM) {}
            @for (point, is_named) in funnel.points.iter().zip(named(funnel, groups, x, y)) {
                (self::point(point, is_named, groups, (x, y), words))
            }
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts of cases stay far below 2^53")]
fn real(count: u64) -> f64 {
    count as f64
}

/// Sizes from 0; shares as far as the points and the limits of the smallest group reach.
fn scales(funnel: &Funnel) -> (Scale, Scale) {
    let end = funnel.lines.last().map_or(1, |line| line.n);
    let least = funnel.points.iter().map(|point| point.n).min().unwrap_or(1);
    let reach = funnel.lines.iter().find(|line| line.n >= least);
    let reach = reach.map_or([funnel.target; 2], |line| [line.outer.low, line.outer.high]);
    let shares = funnel.points.iter().map(|point| point.share).chain([funnel.target]).chain(reach);
    let (low, high) = around(shares);
    // A point on the edge would be cut.
    let room = (high - low) * 0.04;
    (
        Scale { values: (0.0, real(end)), places: (LEFT, RIGHT) },
        Scale { values: (low - room, high + room), places: (BOTTOM, TOP) },
    )
}

/// The area between the limits.
fn outline(funnel: &Funnel, x: Scale, y: Scale, of: fn(&FunnelLine) -> Interval) -> String {
    let at =
        |line: &FunnelLine, share: f64| format!("{},{}", x.place(real(line.n)), y.place(share));
    let upper = funnel.lines.iter().map(|line| at(line, of(line).high));
    let lower = funnel.lines.iter().rev().map(|line| at(line, of(line).low));
    upper.chain(lower).collect::<Vec<_>>().join(" ")
}

fn point(
    point: &FunnelPoint,
    is_named: bool,
    groups: &Groups<'_>,
    (x, y): (Scale, Scale),
    words: &Catalogue,
) -> Markup {
    let name = groups.names.get(point.row).map_or("", String::as_str);
    let places = [
        ("name", name.to_owned()),
        ("share", worded::percent(point.share, words)),
        ("n", point.n.to_string()),
        ("zone", words.name("audit.zone", point.zone.code()).to_owned()),
    ];
    let (at, up) = (x.at(real(point.n)), y.at(point.share));
    let before = at > f64::midpoint(LEFT, RIGHT);
    html! {
        a href=(format!("#{}-{}", groups.id, point.row)) aria-label=(words.fill("audit.point", &places)) {
            (mark(Shape::of(point.zone), at, up))
            @if is_named {
                text class=(if before { "name end" } else { "name" }) x=(px(if before { at - 12.0 } else { at + 12.0 })) y=(px(up + 4.5)) { (short(name)) }
            }
        }
    }
}

/// Which points have their name beside them: those beyond limits first, others where there is room.
fn named(funnel: &Funnel, groups: &Groups<'_>, x: Scale, y: Scale) -> Vec<bool> {
    let mut order: Vec<usize> = (0..funnel.points.len()).collect();
    order.sort_by_key(|at| funnel.points.get(*at).is_none_or(|p| p.zone == Zone::Within));
    let mut boxes: Vec<(f64, f64, f64)> = Vec::new();
    let mut named = vec![false; funnel.points.len()];
    for at in order {
        let Some(point) = funnel.points.get(at) else { continue };
        let letters = groups.names.get(point.row).map_or(0, |name| short(name).chars().count());
        let wide = f64::from(u32::try_from(letters).unwrap_or(u32::MAX)) * 7.0 + 14.0;
        let (place, up) = (x.at(real(point.n)), y.at(point.share));
        let before = place > f64::midpoint(LEFT, RIGHT);
        let (from, to) = if before { (place - wide, place) } else { (place, place + wide) };
        let free =
            |(a, b, height): &(f64, f64, f64)| *b < from || to < *a || (height - up).abs() > 13.0;
        let covers = |other: &FunnelPoint| {
            let (there, high) = (x.at(real(other.n)), y.at(other.share));
            other.row != point.row
                && from - 7.0 < there
                && there < to + 7.0
                && (high - up).abs() < 11.0
        };
        if boxes.iter().all(free) && !funnel.points.iter().any(covers) {
            boxes.push((from, to, up));
            if let Some(slot) = named.get_mut(at) {
                *slot = true;
            }
        }
    }
    named
}

/// A name that fits beside a point.
fn short(name: &str) -> String {
    match name.char_indices().nth(26) {
        Some((at, _)) => format!("{}\u{2026}", name.get(..at).unwrap_or(name)),
        None => name.to_owned(),
    }
}

const ROW: f64 = 26.0;
const LABELS: f64 = 210.0;

/// Each group as a point with its interval, and the figure of all as a line.
pub(super) fn intervals(
    all: Option<Estimate>,
    groups: &Groups<'_>,
    write: worded::Write<'_>,
    words: &Catalogue,
) -> Markup {
    let known: Vec<(usize, Estimate)> = groups
        .rows
        .iter()
        .enumerate()
        .filter_map(|(at, row)| Some((at, row.estimate()?)))
        .collect();
    if known.is_empty() {
        return html! { p class="note" { (words.get("audit.no-chart.no-case")) } };
    }
    let reach = |one: Estimate| {
        let ends = one.interval.map_or([one.value; 2], |ends| [ends.low, ends.high]);
        ends.into_iter().chain([one.value])
    };
    let values = known.iter().flat_map(|(_, one)| reach(*one)).chain(all.map(|all| all.value));
    let x = Scale { values: around(values), places: (LABELS, RIGHT) };
    let rows = u32::try_from(known.len()).unwrap_or(u32::MAX);
    let bottom = 12.0 + ROW * f64::from(rows);
    let id = groups.id;
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" aria-labelledby=(format!("{id}-title {id}-words"))
            viewBox=(format!("0 0 {WIDTH} {:.0}", bottom + 34.0)) width=(WIDTH) height=(px(bottom + 34.0)) {
            title id=(format!("{id}-title")) { (words.get("audit.intervals")) }
            desc id=(format!("{id}-words")) { (words.get("audit.intervals-words")) }
            @for tick in x.ticks(6.0) {
                line class="grid" x1=(x.place(tick)) x2=(x.place(tick)) y1="6" y2=(px(bottom)) {}
                text class="tick" x=(x.place(tick)) y=(px(bottom + 20.0)) { (write(tick)) }
            }
            line class="frame" x1=(LABELS) x2=(RIGHT) y1=(px(bottom)) y2=(px(bottom)) {}
            @if let Some(all) = all {
                line class="centre" x1=(x.place(all.value)) x2=(x.place(all.value)) y1="6" y2=(px(bottom)) {}
            }
            @for (place, (at, one)) in (0_u32..).zip(&known) {
                @let y = 12.0 + ROW * (f64::from(place) + 0.5);
                text class="name end" x=(LABELS - 12.0) y=(px(y + 4.5)) { (short(groups.names.get(*at).map_or("", String::as_str))) }
                @if let Some(ends) = one.interval {
                    line class="whisker" x1=(x.place(ends.low)) x2=(x.place(ends.high)) y1=(px(y)) y2=(px(y)) {}
                }
                (mark(Shape::Disc, x.at(one.value), y))
            }
        }
    }
}
