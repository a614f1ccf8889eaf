//! A stratum beside what its case mix lets expect: indirect standardisation by age and severity.
//!
//! The reference is all cases of the same evaluation. Cells of the mix are the band of age at the
//! start and the band of the first disability score; what the record does not say is a cell of its
//! own. It takes account of these two only, and never shows who caused a difference.
//! Source: see [`crate::statistics::indirect`].

use std::collections::BTreeMap;

use super::evaluate::Tally;
use super::facts::Facts;
use super::indicator::Population;
use super::stratum::{AGE, SEVERITY};
use crate::statistics::{Confidence, Standardised, Stratum, Undefined, indirect};

/// Cases with the trait, and known cases, by cell.
type Cells = BTreeMap<(Option<String>, Option<String>), (u64, u64)>;

/// The share of a stratum beside that of all cases of the same mix.
pub(super) fn standardised(
    facts: &[&Facts],
    whole: &Tally,
    stratum: &Tally,
    confidence: Confidence,
) -> Result<Standardised, Undefined> {
    let reference = cells(facts, whole);
    let own = cells(facts, stratum);
    let strata: Vec<Stratum> = reference
        .iter()
        .map(|(cell, (reference_count, reference_of))| {
            let (count, of) = own.get(cell).copied().unwrap_or_default();
            let (reference_count, reference_of) = (*reference_count, *reference_of);
            Stratum { count, of, reference_count, reference_of }
        })
        .collect();
    indirect(&strata, confidence)
}

fn cells(facts: &[&Facts], tally: &Tally) -> Cells {
    use Population as P;
    let is = |population, at: &usize| {
        tally.members.get(&population).is_some_and(|members| members.binary_search(at).is_ok())
    };
    let mut cells = Cells::new();
    for at in tally.members.get(&P::Denominator).into_iter().flatten() {
        let left_out = is(P::DenominatorExclusion, at) || is(P::DenominatorException, at);
        let Some(case) = facts.get(*at).filter(|_| !left_out && !tally.missing.contains(at)) else {
            continue;
        };
        let cell = cells.entry(((AGE.of)(case), (SEVERITY.of)(case))).or_default();
        cell.0 += u64::from(is(P::Numerator, at) && !is(P::NumeratorExclusion, at));
        cell.1 += 1;
    }
    cells
}

#[cfg(test)]
mod tests {
    use super::super::evaluate::Figure;
    use super::*;

    fn tally(denominator: &[usize], numerator: &[usize], missing: &[usize]) -> Tally {
        Tally {
            members: BTreeMap::from([
                (Population::Denominator, denominator.to_vec()),
                (Population::Numerator, numerator.to_vec()),
            ]),
            missing: missing.to_vec(),
            figure: Figure::Cohort { count: 0 },
            standardised: None,
        }
    }

    /// By hand: of the young 3 of 4 have the trait, of the old 1 of 4. A group of 2 old and 1 young
    /// lets expect 2 x 1/4 + 3/4 = 1.25; it has 2, so the ratio is 1.6. A missing case is in neither.
    #[test]
    fn expected_by_the_mix() {
        let ages = [25, 25, 25, 25, 75, 75, 75, 75, 75];
        let all: Vec<Facts> =
            ages.into_iter().map(|age| Facts { age: Some(age), ..Facts::default() }).collect();
        let facts: Vec<&Facts> = all.iter().collect();
        let whole = tally(&[0, 1, 2, 3, 4, 5, 6, 7, 8], &[0, 1, 2, 4], &[8]);
        let group = tally(&[0, 4, 5, 8], &[0, 4], &[8]);
        let found = standardised(&facts, &whole, &group, Confidence::USUAL).unwrap();
        assert_eq!(found.observed, 2);
        assert!((found.expected - 1.25).abs() < 1e-12);
        assert!((found.ratio - 1.6).abs() < 1e-12);
        let none = standardised(&facts, &whole, &tally(&[], &[], &[]), Confidence::USUAL);
        assert_eq!(none, Err(Undefined::NoCase));
    }
}
