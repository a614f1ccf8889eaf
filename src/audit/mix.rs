//! A stratum beside what its case mix lets expect: indirect standardisation by age and severity.
//!
//! The reference is all cases of the same evaluation. Cells of the mix are the band of age at the
//! start and the band of the first disability score; what the record does not say is a cell of its
//! own. It takes account of these two only, and never shows who caused a difference.
//! Source: see [`crate::statistics::indirect`].

use std::collections::BTreeMap;

use super::facts::Facts;
use super::indicator::Population as P;
use super::place::Placed;
use super::stratum::{AGE, SEVERITY, Stratum as Band};
use crate::statistics::{Confidence, Standardised, Stratum, Undefined, indirect};

/// A cell of the mix: the bands of age and of severity.
type Cell<'a> = (Option<Band<'a>>, Option<Band<'a>>);

/// The mix of all cases.
pub(super) struct Mix {
    /// The cell of each case that is known.
    cells: Vec<Option<usize>>,
    /// Of each cell the cases with the trait, and the known cases.
    reference: Vec<(u64, u64)>,
}

impl Mix {
    /// The mix of cases that belong there.
    pub(super) fn of(facts: &[&Facts], placed: &[Placed]) -> Self {
        let cells = facts
            .iter()
            .zip(placed)
            .map(|(case, placed)| is_known(*placed).then(|| ((AGE.of)(case), (SEVERITY.of)(case))));
        let cells: Vec<Option<Cell<'_>>> = cells.collect();
        let mut places: BTreeMap<Cell<'_>, usize> =
            cells.iter().flatten().map(|cell| (*cell, 0)).collect();
        places.values_mut().enumerate().for_each(|(at, place)| *place = at);
        let place = |cell: Option<Cell<'_>>| places.get(&cell?).copied();
        let cells: Vec<Option<usize>> = cells.into_iter().map(place).collect();
        let mut mix = Self { cells, reference: vec![(0, 0); places.len()] };
        mix.reference = mix.counts(placed, 0..placed.len());
        mix
    }

    /// The share of a stratum beside that of all cases of the same mix.
    pub(super) fn standardised(
        &self,
        placed: &[Placed],
        cases: &[usize],
        confidence: Confidence,
    ) -> Result<Standardised, Undefined> {
        let own = self.counts(placed, cases.iter().copied());
        let pairs = self.reference.iter().zip(own);
        let strata: Vec<Stratum> = pairs
            .map(|((reference_count, reference_of), (count, of))| {
                let (reference_count, reference_of) = (*reference_count, *reference_of);
                Stratum { count, of, reference_count, reference_of }
            })
            .collect();
        indirect(&strata, confidence)
    }

    fn counts(&self, placed: &[Placed], cases: impl Iterator<Item = usize>) -> Vec<(u64, u64)> {
        let mut counts = vec![(0, 0); self.reference.len()];
        for at in cases {
            let Some((cell, placed)) = self.cells.get(at).copied().flatten().zip(placed.get(at))
            else {
                continue;
            };
            if let Some((count, of)) = counts.get_mut(cell) {
                *of += 1;
                *count += u64::from(placed.is(P::Numerator) && !placed.is(P::NumeratorExclusion));
            }
        }
        counts
    }
}

/// Whether a case is in the denominator and the record says of it whether it has the trait.
fn is_known(placed: Placed) -> bool {
    let left_out = placed.is(P::DenominatorExclusion) || placed.is(P::DenominatorException);
    placed.is(P::Denominator) && !left_out && !placed.is_missing
}

#[cfg(test)]
mod tests {
    use super::*;

    fn placed(of: usize, numerator: &[usize], missing: &[usize]) -> Vec<Placed> {
        let one = |at: usize| {
            let mut placed = Placed::default();
            placed.is_missing = missing.contains(&at);
            placed.add(P::Denominator);
            if numerator.contains(&at) {
                placed.add(P::Numerator);
            }
            placed
        };
        (0..of).map(one).collect()
    }

    /// By hand: of the young 3 of 4 have the trait, of the old 1 of 4. A group of 2 old and 1 young
    /// lets expect 2 x 1/4 + 3/4 = 1.25; it has 2, so the ratio is 1.6. A missing case is in neither.
    #[test]
    fn expected_by_the_mix() {
        let ages = [25, 25, 25, 25, 75, 75, 75, 75, 75];
        let all: Vec<Facts> =
            ages.into_iter().map(|age| Facts { age: Some(age), ..Facts::default() }).collect();
        let facts: Vec<&Facts> = all.iter().collect();
        let placed = placed(9, &[0, 1, 2, 4], &[8]);
        let mix = Mix::of(&facts, &placed);
        let found = mix.standardised(&placed, &[0, 4, 5, 8], Confidence::USUAL).unwrap();
        assert_eq!(found.observed, 2);
        assert!((found.expected - 1.25).abs() < 1e-12);
        assert!((found.ratio - 1.6).abs() < 1e-12);
        let none = mix.standardised(&placed, &[], Confidence::USUAL);
        assert_eq!(none, Err(Undefined::NoCase));
    }
}
