//! Units of measure: whether a text is a UCUM unit, whether two are comparable, canonical values.
//!
//! A face over the unit library that speaks in our terms: an unknown unit comes back with the code
//! that was probably meant. Case matters, as FHIR wants it. Values on logarithmic and other
//! non-linear scales (pH, bel) have no canonical value here.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#Quantity>, <https://ucum.org/ucum>.

use std::cell::RefCell;
use std::collections::HashSet;

use octofhir_ucum::{Number, analyse, get_canonical_units};
use rust_decimal::Decimal;

mod near;

pub use near::named;
use near::near;

/// The URI of UCUM as a code system.
pub const SYSTEM: &str = "http://unitsofmeasure.org";

/// How long a unit may be; real ones have some dozen letters.
const MAX_LENGTH: usize = 256;

/// A text that is not a UCUM unit.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{message}")]
pub struct Unknown {
    /// A sentence that does not repeat the text.
    pub message: String,
    /// The code that was probably meant.
    pub suggestion: Option<String>,
}

/// Whether the text is a unit of UCUM.
///
/// # Errors
/// [`Unknown`] if not.
pub fn check(unit: &str) -> Result<(), Unknown> {
    if unit.len() > MAX_LENGTH {
        let message = format!("A unit must not be longer than {MAX_LENGTH} letters.");
        return Err(Unknown { message, suggestion: None });
    }
    if !unit.is_ascii() || unit.contains(char::is_whitespace) || unit.is_empty() {
        let message = "A UCUM unit is written in ASCII letters without spaces.".to_owned();
        return Err(Unknown { message, suggestion: near(unit) });
    }
    if is_unit(unit) {
        return Ok(());
    }
    let suggestion = near(unit);
    let message = match &suggestion {
        Some(code) => format!("The unit is not a UCUM code; is \"{code}\" meant?"),
        None => "The unit is not a UCUM code.".to_owned(),
    };
    Err(Unknown { message, suggestion })
}

thread_local! {
    /// Units that were found sound, since the same few come again and again.
    static SOUND: RefCell<HashSet<String>> = RefCell::default();
}

/// How many of them are remembered.
const MAX_SOUND: usize = 256;

fn is_unit(unit: &str) -> bool {
    SOUND.with_borrow_mut(|sound| {
        if sound.contains(unit) {
            return true;
        }
        let is_sound = analyse(unit).is_ok();
        if is_sound {
            if sound.len() >= MAX_SOUND {
                sound.clear();
            }
            sound.insert(unit.to_owned());
        }
        is_sound
    })
}

/// Whether values in the two units can be compared, such as `deg` and `rad`.
///
/// # Errors
/// [`Unknown`] if one of them is not a unit.
pub fn comparable(a: &str, b: &str) -> Result<bool, Unknown> {
    check(a)?;
    check(b)?;
    let unknown = |_| Unknown { message: "The unit is not a UCUM code.".into(), suggestion: None };
    octofhir_ucum::is_comparable(a, b).map_err(unknown)
}

/// Whether the unit measures that kind of thing (`length`), as one that is comparable with a base
/// unit of it; none where UCUM has no such property.
pub fn has_property(unit: &str, property: &str) -> Option<bool> {
    check(unit).ok()?;
    octofhir_ucum::validate_in_property(unit, property).ok()
}

/// A value in base units.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Canonical {
    /// The value, exact to 28 digits.
    pub value: Decimal,
    /// The base units, in a fixed order, such as `g.m.s-2`; `1` for a pure number.
    pub unit: String,
}

/// The value in base units; none where the unit is unknown, is on a scale that is not linear, or
/// where the value has no place in 28 digits.
pub fn canonical(value: Decimal, unit: &str) -> Option<Canonical> {
    check(unit).ok()?;
    let base = get_canonical_units(unit).ok()?;
    let number = Number::parse(&value.to_string())?;
    let number = number.checked_mul(base.factor)?.checked_add(base.offset)?;
    Some(Canonical { value: decimal(number)?, unit: base.unit })
}

/// The unit's name in words, such as `millimeter`.
pub fn display(unit: &str) -> Option<String> {
    check(unit).ok()?;
    let name = octofhir_ucum::display_name(unit).ok()?;
    Some(name.trim_start_matches('(').trim_end_matches(')').to_owned()).filter(|n| !n.contains('('))
}

fn decimal(number: Number) -> Option<Decimal> {
    let (digits, exponent) = number.to_integer_and_exponent();
    if let Ok(scale) = u32::try_from(-exponent) {
        // A number far below one loses digits rather than its value.
        let drop = scale.saturating_sub(Decimal::MAX_SCALE);
        let digits = digits / 10_i128.checked_pow(drop)?;
        return Decimal::try_from_i128_with_scale(digits, scale - drop)
            .ok()
            .filter(|value| !value.is_zero() || number.is_zero());
    }
    let factor = 10_i128.checked_pow(u32::try_from(exponent).ok()?)?;
    Decimal::try_from_i128_with_scale(digits.checked_mul(factor)?, 0).ok()
}

#[cfg(test)]
mod tests;
