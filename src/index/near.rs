//! Positions on the earth, for Location's `near`.
//!
//! Key: `[latitude][longitude]`, in millionths of a degree, moved so that unsigned bytes keep the
//! order. Altitude is not looked at. Distances are great circles on a sphere of the earth's mean
//! radius, right to half a percent (<https://en.wikipedia.org/wiki/Great-circle_distance>); nothing
//! clinical is computed from them.
//! Source: <http://hl7.org/fhir/R4/location.html#search>.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::Value;

use super::key::Key;
use crate::terminology::ucum;

/// The mean radius of the earth in metres (IUGG, R1).
const RADIUS: f64 = 6_371_008.8;

/// One degree of latitude in metres, at most.
const DEGREE: f64 = 111_700.0;

/// A place in degrees.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Position {
    /// Degrees north.
    pub latitude: f64,
    /// Degrees east.
    pub longitude: f64,
}

impl Position {
    /// The place, if the degrees are such.
    pub fn new(latitude: f64, longitude: f64) -> Option<Self> {
        let legal = latitude.abs() <= 90.0 && longitude.abs() <= 180.0;
        legal.then_some(Self { latitude, longitude })
    }

    /// Reads the key's parts.
    pub fn from_parts(parts: &[Vec<u8>]) -> Option<Self> {
        let part = |at: usize| parts.get(at).and_then(|part| decode(part));
        Some(Self { latitude: part(0)?, longitude: part(1)? })
    }

    /// How far the other is, in metres.
    pub fn distance(self, other: Self) -> f64 {
        let (north, other_north) = (self.latitude.to_radians(), other.latitude.to_radians());
        let half_north = ((other_north - north) / 2.0).sin();
        let half_east = ((other.longitude - self.longitude).to_radians() / 2.0).sin();
        let square =
            half_north * half_north + north.cos() * other_north.cos() * half_east * half_east;
        2.0 * RADIUS * square.clamp(0.0, 1.0).sqrt().asin()
    }

    /// The first parts of keys between which all places lie that are not farther than so many
    /// metres.
    pub fn band(self, metres: f64) -> (Vec<u8>, Vec<u8>) {
        let margin = metres / DEGREE * 1.01 + 0.000_01;
        (encode(self.latitude - margin), encode(self.latitude + margin))
    }
}

/// A distance in metres; none for a negative one, or a unit that is no length.
pub fn metres(distance: &str, unit: &str) -> Option<f64> {
    let number = Decimal::from_str_exact(distance).ok().filter(|n| !n.is_sign_negative())?;
    let canonical = ucum::canonical(number, unit).filter(|found| found.unit == "m")?;
    canonical.value.to_f64()
}

/// The key of a `Location.position`.
pub(super) fn keys(value: &Value, keys: &mut Vec<Key>) {
    let degrees = |name: &str| match value.get(name) {
        Some(Value::Number(number)) => number.to_string().parse::<f64>().ok(),
        _ => None,
    };
    let place = degrees("latitude").zip(degrees("longitude"));
    if let Some(place) = place.and_then(|(north, east)| Position::new(north, east)) {
        keys.push(Key::new([&encode(place.latitude), &encode(place.longitude)]));
    }
}

const SIGN: u32 = 1 << 31;

fn encode(degrees: f64) -> Vec<u8> {
    let millionths = (degrees * 1e6).round().clamp(-1e9, 1e9);
    // Within the clamp every whole number is an i32.
    #[expect(clippy::cast_possible_truncation, reason = "clamped to what fits")]
    let whole = millionths as i32;
    (whole.cast_unsigned() ^ SIGN).to_be_bytes().to_vec()
}

fn decode(part: &[u8]) -> Option<f64> {
    let whole = u32::from_be_bytes(part.try_into().ok()?) ^ SIGN;
    Some(f64::from(whole.cast_signed()) / 1e6)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// Paris to London: 343.6 km between 48.8566 N 2.3522 E and 51.5074 N 0.1278 W (haversine on the
    /// mean radius; computed by hand from the formula, no source for the digits).
    #[test]
    fn distances_and_bands() {
        let paris = Position::new(48.8566, 2.3522).unwrap();
        let london = Position::new(51.5074, -0.1278).unwrap();
        let distance = paris.distance(london);
        assert!((distance - 343_556.0).abs() < 100.0, "{distance}");
        let (from, to) = paris.band(distance);
        let own = encode(london.latitude);
        assert!(from < own && own < to);
        let (from, to) = paris.band(distance / 2.0);
        assert!(!(from < own && own < to));
        assert_eq!(Position::new(91.0, 0.0), None);
    }

    #[test]
    fn keys_come_back() {
        let mut found = Vec::new();
        keys(&json!({ "latitude": -33.5, "longitude": 151.25 }), &mut found);
        keys(&json!({ "latitude": 200, "longitude": 0 }), &mut found);
        assert_eq!(found.len(), 1);
        assert_eq!(Position::from_parts(&found[0].parts), Position::new(-33.5, 151.25));
    }

    #[test]
    fn lengths() {
        assert_eq!(metres("11.5", "km"), Some(11_500.0));
        assert_eq!(metres("3", "m"), Some(3.0));
        for (distance, unit) in [("-1", "km"), ("x", "km"), ("1", "kg"), ("1", "nonsense")] {
            assert_eq!(metres(distance, unit), None, "{distance} {unit}");
        }
    }
}
