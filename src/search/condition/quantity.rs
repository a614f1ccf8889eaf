//! Quantities: <http://hl7.org/fhir/R4/search.html#quantity>.
//!
//! A number with a UCUM unit is compared in base units with all that can be converted, and digit by
//! digit with what has the same unit. Other numbers are compared as they stand.

use super::number::Window;
use super::{Next, Span, text};
use crate::index::quantity::{INTERVAL, POINT, first_part};
use crate::index::{key, number};
use crate::search::value::Prefix;

/// The unit of a query.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Unit {
    /// None is given: any will do.
    Any,
    /// A code of that system.
    Coded {
        /// The system of units.
        system: String,
        /// The code; none for any of the system.
        code: Option<String>,
        /// The number in base units, with these, where it has such.
        base: Option<(Window, String)>,
    },
    /// A code or a text, whatever the system.
    Named(String),
}

/// What is asked of a quantity.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Quantity {
    /// The relation.
    pub prefix: Prefix,
    /// The number as it stands.
    pub sought: Window,
    /// The unit.
    pub unit: Unit,
}

impl Quantity {
    pub(super) fn spans(&self) -> Vec<Span> {
        let points = |units: &str, window: &Window| {
            let (from, to) = window.bounds(self.prefix);
            Span { whole: vec![first_part(POINT, units)], next: Next::Between(from, to) }
        };
        match &self.unit {
            Unit::Coded { base: Some((window, units)), .. } => {
                vec![points(units, window), Span::of([first_part(INTERVAL, units)])]
            }
            Unit::Coded { code: Some(_), base: None, .. } => {
                vec![points("", &self.sought), Span::of([first_part(INTERVAL, "")])]
            }
            _ => vec![Span::beginning(&[POINT]), Span::beginning(&[INTERVAL])],
        }
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let (code, system) = (text(parts, 2), text(parts, 3));
        let item = |tag: char| key::items(value).filter_map(move |item| item.strip_prefix(tag));
        match &self.unit {
            Unit::Any => self.as_sent(parts, value),
            Unit::Named(name) => {
                (code == name || item('u').any(|unit| unit == name)) && self.as_sent(parts, value)
            }
            Unit::Coded { system: asked, code: None, .. } => {
                system == asked && self.as_sent(parts, value)
            }
            Unit::Coded { system: asked, code: Some(unit), base } => match base {
                _ if system != asked => false,
                _ if code == unit => self.as_sent(parts, value),
                Some((window, units)) => in_base_units(self.prefix, window, units, parts, value),
                None => false,
            },
        }
    }

    /// Whether the numbers as they were sent stand in the relation.
    fn as_sent(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let Some(in_key) = parts.get(1) else { return false };
        let all = |tag: char| {
            let sent = key::items(value).filter_map(move |item| item.strip_prefix(tag));
            sent.filter_map(number::encode).collect::<Vec<_>>()
        };
        if is_interval(parts) {
            return hold(self.prefix, &self.sought, &all('l'), &all('h'));
        }
        let mut sent = all('n');
        if sent.is_empty() || key::items(value).any(str::is_empty) {
            sent.push(in_key.clone());
        }
        sent.iter().any(|own| self.sought.holds(self.prefix, Some(own), Some(own)))
    }
}

fn is_interval(parts: &[Vec<u8>]) -> bool {
    parts.first().is_some_and(|part| part.starts_with(&[INTERVAL]))
}

fn in_base_units(
    prefix: Prefix,
    window: &Window,
    units: &str,
    parts: &[Vec<u8>],
    value: &[u8],
) -> bool {
    let Some(number) = parts.get(1) else { return false };
    if text(parts, 0).get(1..) != Some(units) {
        return false;
    }
    if !is_interval(parts) {
        return window.holds(prefix, Some(number), Some(number));
    }
    let low: Vec<Vec<u8>> = Some(number.clone()).into_iter().filter(|n| !n.is_empty()).collect();
    let high = key::items(value).filter_map(|item| number::encode(item.strip_prefix('H')?));
    hold(prefix, window, &low, &high.collect::<Vec<_>>())
}

/// Whether one of the intervals between the bounds stands in the relation; none is open.
fn hold(prefix: Prefix, window: &Window, lows: &[Vec<u8>], highs: &[Vec<u8>]) -> bool {
    let open = |bounds: &[Vec<u8>]| -> Vec<Option<Vec<u8>>> {
        if bounds.is_empty() { vec![None] } else { bounds.iter().cloned().map(Some).collect() }
    };
    let highs = open(highs);
    open(lows)
        .iter()
        .any(|low| highs.iter().any(|high| window.holds(prefix, low.as_deref(), high.as_deref())))
}
