//! Left against right, and values that a neck hardly reaches.
//!
//! The difference is right minus left of one day, in degrees, within one movement and mode. A value
//! beyond a usual limit is pointed out for checking and still counts as recorded.
//! Rules: rotation beyond 90 degrees active or 100 passive: about 80 degrees to each side, about 10
//! more passively (common practice, no source), and 10 more for the error of measurement; extension
//! beyond 101 degrees: mean 75.5 and three standard deviations of 8.5 (20-29 years, AAOS, quoted by
//! Kosmahl 1999), 11 more passively to match. No limit is applied to other movements: no table of
//! them was seen.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::Serialize;

use crate::clinical::number::Number;
use crate::clinical::range::Reading;
use crate::clinical::source::{Day, Source, sources};

/// Movements with a side: its name, the direction to the left, the direction to the right.
const SIDED: [(&str, &str, &str); 3] = [
    ("lateral-flexion", "cervical-lateral-flexion-left", "cervical-lateral-flexion-right"),
    ("rotation", "cervical-rotation-left", "cervical-rotation-right"),
    ("flexion-rotation-test", "flexion-rotation-test-left", "flexion-rotation-test-right"),
];

/// Right minus left of one movement and mode.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct SideDifference {
    /// The movement.
    pub movement: &'static str,
    /// `active` or `passive`, where recorded.
    pub mode: Option<String>,
    /// The first day with both sides.
    pub first: Difference,
    /// The latest later day with both sides.
    pub latest: Option<Difference>,
    /// The measurements of both days.
    pub sources: Vec<Source>,
}

/// A difference on a day.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Difference {
    /// The day.
    pub day: Day,
    /// Right minus left, in degrees; more than nothing is further to the right.
    pub degrees: Number,
}

type Key<'a> = (&'a str, Option<&'a str>, Day);

/// The differences of all movements, from readings sorted by moment; of several readings of a day
/// the last one counts.
pub fn differences(readings: &[Reading]) -> Vec<SideDifference> {
    let key = |reading: &'_ Reading| (reading.direction(), reading.seen.at.day);
    let last: BTreeMap<Key<'_>, &Reading> =
        readings.iter().map(|r| ((key(r).0, r.mode.as_deref(), key(r).1), r)).collect();
    let modes: BTreeSet<Option<&str>> = readings.iter().map(|r| r.mode.as_deref()).collect();
    let mut found = Vec::new();
    for (movement, left, right) in SIDED {
        for mode in &modes {
            let pairs: Vec<(&Reading, &Reading)> = last
                .iter()
                .filter(|((direction, of, _), _)| *direction == left && of == mode)
                .filter_map(|((_, _, day), reading)| {
                    Some((*reading, *last.get(&(right, *mode, *day))?))
                })
                .collect();
            found.extend(difference(movement, &pairs));
        }
    }
    found
}

fn difference(movement: &'static str, pairs: &[(&Reading, &Reading)]) -> Option<SideDifference> {
    let (first, latest) = (pairs.first()?, pairs.last()?);
    let between = |(left, right): &(&Reading, &Reading)| Difference {
        day: left.seen.at.day,
        degrees: Number::new(right.degrees.get() - left.degrees.get()),
    };
    let used = [first, latest].into_iter().flat_map(|(left, right)| [left, right]);
    Some(SideDifference {
        movement,
        mode: first.0.mode.clone(),
        first: between(first),
        latest: (pairs.len() > 1).then(|| between(latest)),
        sources: sources(used.map(|reading| &reading.seen.source)),
    })
}

/// A measurement beyond a usual limit.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Implausible {
    /// The direction, as its code in `finding`.
    pub direction: &'static str,
    /// `active` or `passive`, where recorded.
    pub mode: Option<String>,
    /// The day.
    pub day: Day,
    /// Degrees.
    pub degrees: Number,
    /// The limit, in degrees.
    pub limit: Number,
    /// The measurement.
    pub source: Source,
}

/// The measurements beyond the limit of their direction and mode.
pub fn implausible(readings: &[Reading]) -> Vec<Implausible> {
    let beyond = |reading: &Reading| {
        let active = reading.mode.as_deref() == Some("active");
        let limit = match reading.direction() {
            "cervical-rotation-left" | "cervical-rotation-right" => {
                if active {
                    90
                } else {
                    100
                }
            }
            "cervical-extension" => {
                if active {
                    101
                } else {
                    112
                }
            }
            _ => return None,
        };
        (reading.degrees.get() > Decimal::from(limit)).then(|| Implausible {
            direction: reading.direction(),
            mode: reading.mode.clone(),
            day: reading.seen.at.day,
            degrees: reading.degrees,
            limit: limit.into(),
            source: reading.seen.source.clone(),
        })
    };
    readings.iter().filter_map(beyond).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clinical::element::{OWN, UCUM};
    use crate::fhir::Resource;
    use serde_json::json;

    fn reading(direction: &str, mode: &str, day: &str, degrees: u8) -> Reading {
        let coded = |system: &str, code: &str| json!({ "coding": [{ "system": format!("{OWN}/CodeSystem/{system}"), "code": code }] });
        let value = json!({
            "resourceType": "Observation", "id": "r", "effectiveDateTime": day,
            "code": coded("finding", direction), "method": coded("motion-mode", mode),
            "valueQuantity": { "value": degrees, "system": UCUM, "code": "deg" },
        });
        Reading::of(&Resource::from_value(value).unwrap(), &mut Vec::new()).unwrap()
    }

    #[test]
    fn right_minus_left_of_one_day() {
        let readings = [
            reading("cervical-rotation-left", "active", "2026-03-02", 62),
            reading("cervical-rotation-right", "active", "2026-03-02", 54),
            reading("cervical-rotation-right", "passive", "2026-03-02", 70),
            reading("cervical-rotation-left", "active", "2026-03-09", 70),
            reading("cervical-rotation-left", "active", "2026-03-30", 75),
            reading("cervical-rotation-right", "active", "2026-03-30", 72),
        ];
        let [one] = &differences(&readings)[..] else { panic!("one movement and mode has both") };
        assert_eq!((one.movement, one.mode.as_deref()), ("rotation", Some("active")));
        assert_eq!(one.first.degrees, Number::from(-8));
        assert_eq!(one.latest.unwrap().degrees, Number::from(-3));
    }

    #[test]
    fn limits() {
        let check = |direction, mode, degrees, beyond| {
            let found = implausible(&[reading(direction, mode, "2026-03-02", degrees)]);
            assert_eq!(found.len() == 1, beyond, "{direction} {mode} {degrees}");
        };
        check("cervical-rotation-left", "active", 90, false);
        check("cervical-rotation-left", "active", 91, true);
        check("cervical-rotation-right", "passive", 100, false);
        check("cervical-rotation-right", "passive", 101, true);
        check("cervical-extension", "active", 102, true);
        check("cervical-flexion", "active", 120, false);
    }
}
