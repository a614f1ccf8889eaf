//! Range of motion: first, latest and change of each direction.
//!
//! No norm is applied: no table of norms was seen. Range separates improved patients poorly, so it
//! is context and never an outcome. Compared within one direction and mode (active or passive).
//! Rules: a change of 10 degrees or more exceeds the error of measurement (our rule: the greatest
//! detectable change of Fletcher & Bandy 2008, J Orthop Sports Phys Ther 38:640-5, 9.6 degrees,
//! rounded up); for the flexion-rotation test 7 degrees (T. Hall, thesis, Curtin University).

use rust_decimal::Decimal;
use serde::Serialize;

use crate::clinical::element::{at, own_code, ucum};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::series::{Ends, ends};
use crate::clinical::source::{Day, Source, sources};
use crate::fhir::Resource;

/// The directions, by their code in `finding`, in the order of the letter.
const DIRECTIONS: [&str; 8] = [
    "cervical-flexion",
    "cervical-extension",
    "cervical-lateral-flexion-left",
    "cervical-lateral-flexion-right",
    "cervical-rotation-left",
    "cervical-rotation-right",
    "flexion-rotation-test-left",
    "flexion-rotation-test-right",
];

/// One measured range.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Reading {
    /// When, by whom, where stated.
    pub seen: Seen,
    /// Place of the direction in the order of the letter.
    direction: usize,
    /// `active` or `passive`, where recorded.
    pub(super) mode: Option<String>,
    /// Degrees.
    pub(super) degrees: Number,
}

/// Whether a code of ours is that of a direction of movement.
pub fn is_direction(code: &str) -> bool {
    DIRECTIONS.contains(&code)
}

impl Reading {
    /// The direction, as its code in `finding`.
    pub fn direction(&self) -> &'static str {
        DIRECTIONS.get(self.direction).copied().unwrap_or_default()
    }

    /// The reading of a range-of-motion Observation; a gap where it cannot be read.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let value = resource.value();
        let code = own_code(at(value, "/code"), "finding")?;
        let direction = DIRECTIONS.iter().position(|direction| *direction == code)?;
        let seen = Seen::of(resource, code, gaps)?;
        let degrees = ucum(at(value, "/valueQuantity")).filter(|(degrees, unit)| {
            *unit == "deg" && *degrees >= Decimal::ZERO && *degrees <= Decimal::from(180)
        });
        let Some((degrees, _)) = degrees else {
            let kind = GapKind::NotReadable;
            gaps.push(Gap::at(kind, code, "Observation.value", &seen.source));
            return None;
        };
        let mode = own_code(at(value, "/method"), "motion-mode").map(ToOwned::to_owned);
        Some(Self { seen, direction, mode, degrees: degrees.into() })
    }
}

/// First, latest and change of one direction.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct RangeChange {
    /// The direction, as its code in `finding`.
    pub direction: &'static str,
    /// `active` or `passive`, where recorded.
    pub mode: Option<String>,
    /// The first measurement.
    pub first: Measured,
    /// The latest measurement on a later day.
    pub latest: Option<Measured>,
    /// Latest minus first, in degrees; positive is more movement.
    pub change: Option<Number>,
    /// The error of measurement that the change is held against, in degrees.
    pub error: Number,
    /// Whether the change is as large as the error, or larger.
    pub exceeds_error: Option<bool>,
    /// Whether measurements of one moment disagree, so that no change is computed.
    pub contradicted: bool,
    /// The measurements compared.
    pub sources: Vec<Source>,
}

/// Degrees on a day.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Measured {
    /// The day.
    pub day: Day,
    /// Degrees.
    pub degrees: Number,
}

/// The changes of all directions, from readings sorted by moment.
pub fn changes(readings: &[Reading]) -> Vec<RangeChange> {
    let mut keys: Vec<(usize, &Option<String>)> =
        readings.iter().map(|reading| (reading.direction, &reading.mode)).collect();
    keys.sort();
    keys.dedup();
    keys.into_iter().filter_map(|key| change(key, readings)).collect()
}

fn change(key: (usize, &Option<String>), readings: &[Reading]) -> Option<RangeChange> {
    let direction = DIRECTIONS.get(key.0).copied()?;
    let series: Vec<&Reading> =
        readings.iter().filter(|reading| (reading.direction, &reading.mode) == key).collect();
    let found = ends(&series, |reading| reading.seen.at, |a, b| a.degrees == b.degrees);
    let (first, latest, contradicted) = match found {
        Ends::None => return None,
        Ends::One(first) => (first, None, false),
        Ends::Two(first, latest) => (first, Some(latest), false),
        Ends::Contradicted(first, latest) => (first, Some(latest), true),
    };
    let measured =
        |reading: &Reading| Measured { day: reading.seen.at.day, degrees: reading.degrees };
    let change = latest
        .filter(|_| !contradicted)
        .map(|latest| Number::new(latest.degrees.get() - first.degrees.get()));
    let error = if direction.starts_with("flexion-rotation-test") { 7 } else { 10 };
    Some(RangeChange {
        direction,
        mode: key.1.clone(),
        first: measured(first),
        latest: latest.map(measured),
        change,
        error: Number::from(error),
        exceeds_error: change.map(|change| change.get().abs() >= Decimal::from(error)),
        contradicted,
        sources: sources([Some(first), latest].into_iter().flatten().map(|r| &r.seen.source)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clinical::element::{OWN, UCUM};
    use serde_json::json;

    fn reading(day: &str, degrees: u8) -> Reading {
        let value = json!({
            "resourceType": "Observation", "id": format!("r-{day}"), "effectiveDateTime": day,
            "code": { "coding": [{ "system": format!("{OWN}/CodeSystem/finding"), "code": "cervical-rotation-left" }] },
            "method": { "coding": [{ "system": format!("{OWN}/CodeSystem/motion-mode"), "code": "active" }] },
            "valueQuantity": { "value": degrees, "system": UCUM, "code": "deg" },
        });
        Reading::of(&Resource::from_value(value).unwrap(), &mut Vec::new()).unwrap()
    }

    /// "A threshold is met when the change is equal to or greater than it": +10 degrees meets 10.
    #[test]
    fn ten_degrees_meet_the_rule() {
        for (latest, exceeds) in [(65, true), (64, false), (45, true), (46, false)] {
            let changes = changes(&[reading("2026-03-02", 55), reading("2026-03-30", latest)]);
            assert_eq!(changes[0].exceeds_error, Some(exceeds), "55 -> {latest}");
        }
    }

    #[test]
    fn one_measurement_has_no_change() {
        let changes = changes(&[reading("2026-03-02", 55)]);
        assert_eq!((changes[0].change, changes[0].latest), (None, None));
    }
}
