//! Where one case belongs among the populations of an indicator.
//!
//! Source: <http://hl7.org/fhir/us/cqfmeasures/STU3/measure-conformance.html> (population tables).

use super::criterion::Answer;
use super::facts::Facts;
use super::indicator::{GroupRule, Population, Scoring};

/// The populations that a case is in, and whether the record does not say enough of it.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub(super) struct Placed {
    populations: u16,
    /// Whether it counts as missing.
    pub(super) is_missing: bool,
}

impl Placed {
    /// Whether it is in that population.
    pub(super) fn is(self, population: Population) -> bool {
        self.populations & bit(population) != 0
    }

    pub(super) fn add(&mut self, population: Population) {
        self.populations |= bit(population);
    }

    /// Where a case belongs by the rules of a group.
    pub(super) fn of(scoring: Scoring, rule: &GroupRule, case: &Facts) -> Self {
        use Population as P;
        let of = |population| rule.criterion(population).map(|criterion| criterion.of(case));
        let holds = |population| of(population) == Some(Answer::Yes);
        let mut placed = Self::default();
        if !holds(P::Initial) {
            return placed;
        }
        placed.add(P::Initial);
        let (out_of, excluded) = match scoring {
            Scoring::Cohort => return placed,
            Scoring::Continuous => (P::Measure, P::MeasureExclusion),
            Scoring::Proportion | Scoring::Ratio => (P::Denominator, P::DenominatorExclusion),
        };
        match of(out_of) {
            Some(Answer::Yes) => placed.add(out_of),
            Some(Answer::Unknown) => {
                placed.is_missing = true;
                return placed;
            }
            _ => return placed,
        }
        if holds(excluded) {
            placed.add(excluded);
            return placed;
        }
        let is_known = |quantity: &super::Quantity| (quantity.of)(case).is_some();
        match scoring {
            Scoring::Continuous => {
                placed.is_missing = rule.observed.is_some_and(|quantity| !is_known(quantity));
            }
            Scoring::Ratio => {
                let mut known = [rule.observed, rule.exposure].into_iter().flatten();
                placed.is_missing = known.any(|quantity| !is_known(quantity));
                placed.numerator(of(P::Numerator), holds(P::NumeratorExclusion), false);
            }
            Scoring::Proportion | Scoring::Cohort => {
                let excluded = holds(P::NumeratorExclusion);
                placed.numerator(of(P::Numerator), excluded, holds(P::DenominatorException));
            }
        }
        placed
    }

    fn numerator(&mut self, answer: Option<Answer>, excluded: bool, exception: bool) {
        match answer {
            Some(Answer::Yes) => {
                self.add(Population::Numerator);
                if excluded {
                    self.add(Population::NumeratorExclusion);
                }
            }
            _ if exception => self.add(Population::DenominatorException),
            Some(Answer::Unknown) => self.is_missing = true,
            _ => {}
        }
    }
}

/// One bit for each population.
fn bit(population: Population) -> u16 {
    1 << population as u16
}
