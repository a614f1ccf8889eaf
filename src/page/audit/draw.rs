//! What the drawings of an audit have in common: scales, marks, the ruler of a share.
//!
//! Shape and text carry the meaning, colour only repeats it: a disc is an ordinary point, a diamond
//! one beyond the inner limits, a square one beyond the outer.

use maud::{Markup, html};

use super::worded;
use crate::letter::catalogue::Catalogue;
use crate::statistics::Interval;

/// Values along an axis of a drawing.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    /// The values at both ends; they differ.
    pub(super) values: (f64, f64),
    /// The places of them.
    pub(super) places: (f64, f64),
}

impl Scale {
    /// The place of a value.
    pub(super) fn at(self, value: f64) -> f64 {
        let share = (value - self.values.0) / (self.values.1 - self.values.0);
        self.places.0 + share * (self.places.1 - self.places.0)
    }

    /// The same as text.
    pub(super) fn place(self, value: f64) -> String {
        px(self.at(value))
    }

    /// Round values along the axis, about so many.
    pub(super) fn ticks(self, about: f64) -> Vec<f64> {
        let step = step(self.values.1 - self.values.0, about);
        let first = (self.values.0 / step - 1e-9).ceil();
        let ticks = (0..40_u32).map(|at| (first + f64::from(at)) * step);
        ticks.take_while(|tick| *tick <= self.values.1 + step * 1e-9).collect()
    }
}

/// A round step that leaves about so many in a span.
fn step(span: f64, about: f64) -> f64 {
    let rough = span / about;
    let power = 10_f64.powf(rough.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * power);
    steps.into_iter().find(|step| *step >= rough * 0.999).unwrap_or(power * 10.0)
}

/// The ends of an axis that holds all values: round ones, with some room; never of no length.
pub(super) fn around(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let finite = values.filter(|value| value.is_finite());
    let ends = finite.fold(None, |ends: Option<(f64, f64)>, value| match ends {
        None => Some((value, value)),
        Some((low, high)) => Some((low.min(value), high.max(value))),
    });
    let (low, high) = ends.unwrap_or((0.0, 1.0));
    let span = if high > low { high - low } else { high.abs().max(1.0) };
    let step = step(span, 5.0);
    let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
    if high > low { (low, high) } else { (low - step, high + step) }
}

/// A place in a drawing.
pub(super) fn px(place: f64) -> String {
    format!("{place:.1}")
}

/// A mark around a place.
pub(super) fn mark(shape: Shape, x: f64, y: f64) -> Markup {
    html! {
        @match shape {
            Shape::Disc => { circle class="dot" cx=(px(x)) cy=(px(y)) r="5" {} }
            Shape::Diamond => {
                polygon class="dot beyond" points=(format!(
                    "{x:.1},{:.1} {:.1},{y:.1} {x:.1},{:.1} {:.1},{y:.1}", y - 8.0, x + 8.0, y + 8.0, x - 8.0
                )) {}
            }
            Shape::Square => { rect class="dot far" x=(px(x - 6.5)) y=(px(y - 6.5)) width="13" height="13" {} }
        }
    }
}

/// The shape of a mark.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Shape {
    /// Nothing unusual.
    Disc,
    /// Beyond the inner limits.
    Diamond,
    /// Beyond the outer limits, or a signal.
    Square,
}

/// Shapes with their words.
pub(super) fn legend(entries: &[(Shape, &str)]) -> Markup {
    html! {
        ul class="legend" {
            @for (shape, words) in entries {
                li {
                    svg class="plot" aria-hidden="true" viewBox="0 0 20 20" width="20" height="20" { (mark(*shape, 10.0, 10.0)) }
                    " " (words)
                }
            }
        }
    }
}

/// A share on a scale from 0 to 100 %: the interval as a bar, the bounds as a bracket below it.
pub(super) fn ruler(
    share: f64,
    interval: Interval,
    bounds: Option<Interval>,
    words: &Catalogue,
) -> Markup {
    let scale = Scale { values: (0.0, 1.0), places: (20.0, 620.0) };
    let write = |share: f64| worded::percent(share, words);
    let named =
        |key: &str, range| format!("{}: {}.", words.get(key), worded::interval(range, &write));
    let bounded = bounds.map(|bounds| named("audit.bounds", bounds)).unwrap_or_default();
    let label = format!("{}. {} {bounded}", write(share), named("audit.interval", interval));
    let wide = |of: Interval| px((scale.at(of.high) - scale.at(of.low)).max(1.0));
    html! {
        div class="wide" role="group" tabindex="0" aria-label=(words.get("audit.ruler")) {
            svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" aria-label=(label) viewBox="0 0 640 74" width="640" height="74" {
                @for tick in [0.0, 0.25, 0.5, 0.75, 1.0] {
                    line class="grid" x1=(scale.place(tick)) x2=(scale.place(tick)) y1="8" y2="52" {}
                    text class="tick" x=(scale.place(tick)) y="68" { (worded::number(tick * 100.0, 0, words)) "\u{a0}%" }
                }
                line class="frame" x1="20" x2="620" y1="52" y2="52" {}
                rect class="interval" x=(scale.place(interval.low)) y="18" width=(wide(interval)) height="12" {}
                @if let Some(bounds) = bounds.filter(|bounds| bounds.high > bounds.low) {
                    path class="bracket" d=(format!(
                        "M{:.1} 38 v6 H{:.1} v-6", scale.at(bounds.low), scale.at(bounds.high)
                    )) {}
                }
                (mark(Shape::Disc, scale.at(share), 24.0))
            }
        }
        ul class="legend" {
            li { svg class="plot" aria-hidden="true" viewBox="0 0 26 20" width="26" height="20" { rect class="interval" x="1" y="4" width="24" height="12" {} } " " (words.get("audit.interval")) }
            @if bounds.is_some_and(|bounds| bounds.high > bounds.low) {
                li { svg class="plot" aria-hidden="true" viewBox="0 0 26 20" width="26" height="20" { path class="bracket" d="M2 7 v6 H24 v-6" {} } " " (words.get("audit.bounds")) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_are_round_and_have_length() {
        for (values, expected) in [
            (vec![0.12, 0.47], (0.1, 0.5)),
            (vec![-7.0, 12.0], (-10.0, 15.0)),
            (vec![], (0.0, 1.0)),
            (vec![f64::NAN], (0.0, 1.0)),
        ] {
            let (low, high) = around(values.iter().copied());
            let near = (low - expected.0).abs() < 1e-9 && (high - expected.1).abs() < 1e-9;
            assert!(near, "{values:?}: {low} {high}");
        }
        for same in [0.0, 3.0, -0.2] {
            let (low, high) = around([same, same].into_iter());
            assert!(low <= same && same <= high && low < high, "{same}: {low} {high}");
        }
        let scale = Scale { values: (0.0, 1.0), places: (100.0, 0.0) };
        assert_eq!(scale.place(0.25), "75.0");
        assert_eq!(scale.ticks(5.0).len(), 6);
    }
}
