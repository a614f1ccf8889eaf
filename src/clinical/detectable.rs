//! The detectable change that follows from a standard error of measurement.
//!
//! The least change of one person that is more than error, at a level of confidence:
//! z × √2 × standard error, with z 1.645 for 90 % and 1.96 for 95 %.
//! Source: Kovacs 2008, BMC Musculoskelet Disord 9:43 (the formula, for 95 %); the same with 1.645 by
//! Fletcher & Bandy 2008, J Orthop Sports Phys Ther 38:640-5.

use rust_decimal::Decimal;
use serde::Deserialize;

/// How sure it is that a change is more than error.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
pub enum Confidence {
    /// 90 %.
    #[serde(rename = "90")]
    Ninety,
    /// 95 %.
    #[default]
    #[serde(rename = "95")]
    NinetyFive,
}

impl Confidence {
    /// z × √2: 1.645 × 1.414214 and 1.96 × 1.414214.
    fn factor(self) -> Decimal {
        match self {
            Self::Ninety => Decimal::new(2_326_381, 6),
            Self::NinetyFive => Decimal::new(2_771_859, 6),
        }
    }
}

/// The detectable change, on the scale of the standard error; none where it is beyond all numbers.
pub fn detectable(standard_error: Decimal, confidence: Confidence) -> Option<Decimal> {
    standard_error.checked_mul(confidence.factor())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed values; the papers round the standard error, so the last printed digit may differ by
    /// one tenth.
    #[test]
    fn as_printed() {
        use Confidence::{Ninety, NinetyFive};
        let check = |error: &str, confidence, printed: &str, source: &str| {
            let (error, printed): (Decimal, Decimal) =
                (error.parse().unwrap(), printed.parse().unwrap());
            let found = detectable(error, confidence).unwrap();
            let tenth = Decimal::new(1, 1);
            assert!((found - printed).abs() <= tenth, "{source}: {found}, printed {printed}");
        };
        let fletcher = "Fletcher & Bandy 2008, J Orthop Sports Phys Ther 38:640-5";
        check("2.3", Ninety, "5.4", fletcher);
        check("4.1", Ninety, "9.6", fletcher);
        check("1.5", Ninety, "3.5", "Anwar 2022, cervical range of motion");
        check("2.9", Ninety, "6.8", "Anwar 2022, cervical range of motion");
        check("3.2", Ninety, "7.5", "MacDermid & Walton 2022, ten-item short form");
        // The standard error is derived from the printed 4.0: 4.0 / 2.7719 = 1.443.
        check("1.443", NinetyFive, "4.0", "Kovacs 2008, BMC Musculoskelet Disord 9:43");
    }

    /// The factors are z × √2, by their squares: (z × √2)² = 2 × z².
    #[test]
    fn factors() {
        for (confidence, z) in [(Confidence::Ninety, "1.645"), (Confidence::NinetyFive, "1.96")] {
            let z: Decimal = z.parse().unwrap();
            let off = confidence.factor() * confidence.factor() - Decimal::TWO * z * z;
            assert!(off.abs() < Decimal::new(1, 5), "{off}");
        }
        assert_eq!(detectable(Decimal::MAX, Confidence::Ninety), None);
    }
}
