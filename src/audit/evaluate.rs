//! An indicator counted over episodes.
//!
//! The order of counting is that of the standard's population tables: initial population,
//! denominator, its exclusions, numerator, its exclusions, exceptions last. A case whose
//! denominator or numerator the record does not tell is counted as missing, and the figure is that
//! of the known cases, with the bounds that the missing ones leave.
//! Source: <http://hl7.org/fhir/us/cqfmeasures/STU3/measure-conformance.html> (population tables).

use std::collections::{BTreeMap, HashMap};

use rayon::prelude::*;

use super::facts::Facts;
use super::indicator::{GroupRule, Indicator, Population, Scoring};
use super::mix::Mix;
use super::place::Placed;
use super::stratum::{Stratifier, Stratum};
use crate::statistics::{
    Bounds, Confidence, Interval, PairedChange, Rate, Spread, Standardised, Undefined, bounds,
    paired_change, rate, spread, wilson,
};

/// What an indicator is over some episodes.
pub struct Evaluation {
    /// One for each group of the indicator.
    pub groups: Vec<Group>,
}

/// One group: the whole, and its strata.
pub struct Group {
    /// Over all episodes.
    pub whole: Tally,
    /// For each stratifier, the strata in order; the last one has none where the record does not
    /// say.
    pub strata: Vec<Vec<(Option<String>, Tally)>>,
}

/// The members of each population, as places in the list of episodes, and the figure.
pub struct Tally {
    /// Members by population; the sum of a measure-observation has none.
    pub members: BTreeMap<Population, Vec<usize>>,
    /// Those of which the record does not say enough.
    pub missing: Vec<usize>,
    /// The figure.
    pub figure: Figure,
    /// A share beside what the case mix lets expect, for strata that are set beside it.
    pub standardised: Option<Result<Standardised, Undefined>>,
}

/// A figure with all that belongs beside it.
pub enum Figure {
    /// A share of cases.
    Proportion {
        /// Cases with the trait.
        count: u64,
        /// Known cases.
        of: u64,
        /// The score interval of the share.
        interval: Result<Interval, Undefined>,
        /// The share if none, or each, of the missing cases had the trait.
        bounds: Result<Bounds, Undefined>,
    },
    /// Events in an exposure.
    Ratio {
        /// Events.
        events: u64,
        /// Exposure.
        exposure: f64,
        /// For how many units of exposure the rate is told.
        per: f64,
        /// Events for `per` units of exposure.
        rate: Result<Rate, Undefined>,
    },
    /// A quantity.
    Continuous {
        /// UCUM unit.
        unit: &'static str,
        /// Median and quartiles.
        spread: Result<Spread, Undefined>,
        /// The change, where the quantity is one.
        change: Option<Result<PairedChange, Undefined>>,
    },
    /// A number of cases.
    Cohort {
        /// Cases.
        count: u64,
    },
}

/// The indicator over episodes of one period.
pub fn evaluate(indicator: &Indicator, facts: &[&Facts], confidence: Confidence) -> Evaluation {
    let one = |rule: &GroupRule| {
        let scoring = indicator.scoring;
        let placed: Vec<Placed> =
            facts.par_iter().map(|case| Placed::of(scoring, rule, case)).collect();
        let counting = Counting { scoring, rule, facts, placed: &placed, confidence };
        let mix = (scoring == Scoring::Proportion).then(|| Mix::of(facts, &placed));
        let all: Vec<usize> = (0..facts.len()).collect();
        let strata = || {
            let splits = rule.stratifiers.par_iter().map(|(stratifier, _)| {
                let mix = mix.as_ref().filter(|_| stratifier.is_adjusted);
                let tallied = |(value, cases): (Option<String>, Vec<usize>)| {
                    let mut found = counting.tally(&cases);
                    found.standardised =
                        mix.map(|mix| mix.standardised(&placed, &cases, confidence));
                    (value, found)
                };
                split(stratifier, facts).into_iter().map(tallied).collect()
            });
            splits.collect()
        };
        let (whole, strata) = rayon::join(|| counting.tally(&all), strata);
        Group { whole, strata }
    };
    Evaluation { groups: indicator.groups.iter().map(one).collect() }
}

/// The cases of each stratum, in order of their values; those of which the record does not say last.
fn split(stratifier: &Stratifier, facts: &[&Facts]) -> Vec<(Option<String>, Vec<usize>)> {
    let mut places: HashMap<Option<Stratum<'_>>, usize> = HashMap::new();
    let mut strata: Vec<Vec<usize>> = Vec::new();
    for (at, case) in facts.iter().enumerate() {
        let place = *places.entry((stratifier.of)(case)).or_insert(strata.len());
        if place == strata.len() {
            strata.push(Vec::new());
        }
        if let Some(stratum) = strata.get_mut(place) {
            stratum.push(at);
        }
    }
    let mut named: Vec<(Option<String>, usize)> = places
        .into_iter()
        .map(|(value, place)| (value.map(|value| value.to_string()), place))
        .collect();
    named.sort_by(|a, b| (a.0.is_none(), &a.0).cmp(&(b.0.is_none(), &b.0)));
    let cases = |(value, place): (Option<String>, usize)| {
        (value, strata.get_mut(place).map(std::mem::take).unwrap_or_default())
    };
    named.into_iter().map(cases).collect()
}

/// What is counted, and where each case belongs.
struct Counting<'a> {
    scoring: Scoring,
    rule: &'a GroupRule,
    facts: &'a [&'a Facts],
    placed: &'a [Placed],
    confidence: Confidence,
}

impl Counting<'_> {
    fn tally(&self, cases: &[usize]) -> Tally {
        let mut missing = Vec::new();
        let mut members: Vec<(Population, Vec<usize>)> =
            self.rule.criteria.iter().map(|(population, _)| (*population, Vec::new())).collect();
        for &at in cases {
            let Some(placed) = self.placed.get(at) else { continue };
            for (population, members) in &mut members {
                if placed.is(*population) {
                    members.push(at);
                }
            }
            if placed.is_missing {
                missing.push(at);
            }
        }
        let members: BTreeMap<Population, Vec<usize>> = members.into_iter().collect();
        let (rule, facts, confidence) = (self.rule, self.facts, self.confidence);
        let counted = Counted { rule, facts, members: &members, missing: &missing, confidence };
        let figure = counted.figure(self.scoring);
        Tally { figure, members, missing, standardised: None }
    }
}

/// Counted members, on their way to a figure.
struct Counted<'a> {
    rule: &'a GroupRule,
    facts: &'a [&'a Facts],
    members: &'a BTreeMap<Population, Vec<usize>>,
    missing: &'a [usize],
    confidence: Confidence,
}

impl Counted<'_> {
    fn count(&self, population: Population) -> u64 {
        self.members.get(&population).map_or(0, |members| members.len() as u64)
    }

    /// Members of one population that are not in another.
    fn without(&self, population: Population, other: Population) -> Vec<&Facts> {
        let none = Vec::new();
        let out = self.members.get(&other).unwrap_or(&none);
        let within = self.members.get(&population).unwrap_or(&none);
        let kept = within.iter().filter(|at| out.binary_search(at).is_err());
        kept.filter_map(|at| self.facts.get(*at).copied()).collect()
    }

    fn figure(&self, scoring: Scoring) -> Figure {
        use Population as P;
        match scoring {
            Scoring::Cohort => Figure::Cohort { count: self.count(P::Initial) },
            Scoring::Proportion => self.proportion(),
            Scoring::Ratio => self.ratio(),
            Scoring::Continuous => self.continuous(),
        }
    }

    fn proportion(&self) -> Figure {
        use Population as P;
        let left_out = self.count(P::DenominatorExclusion) + self.count(P::DenominatorException);
        // Cases missing for want of a denominator are not in it; those for want of a numerator are.
        let unknown = self.unknown_numerators();
        let of = self.count(P::Denominator).saturating_sub(left_out).saturating_sub(unknown);
        let count = self.count(P::Numerator).saturating_sub(self.count(P::NumeratorExclusion));
        Figure::Proportion {
            count,
            of,
            interval: wilson(count, of, self.confidence),
            bounds: bounds(count, of, self.missing.len() as u64),
        }
    }

    /// Cases of the denominator whose numerator the record does not tell.
    fn unknown_numerators(&self) -> u64 {
        let Some(denominator) = self.members.get(&Population::Denominator) else { return 0 };
        let known = |at: &&usize| denominator.binary_search(at).is_ok();
        self.missing.iter().filter(known).count() as u64
    }

    fn ratio(&self) -> Figure {
        use Population as P;
        let sum = |cases: Vec<&Facts>, quantity: Option<&super::Quantity>| -> f64 {
            let values = cases.into_iter().filter_map(|case| (quantity?.of)(case));
            values.sum()
        };
        let exposure =
            sum(self.without(P::Denominator, P::DenominatorExclusion), self.rule.exposure);
        let numerators = self.without(P::Numerator, P::NumeratorExclusion);
        let events = whole(sum(numerators, self.rule.observed));
        let per = self.rule.per;
        let rate = rate(events, exposure / per, self.confidence);
        Figure::Ratio { events, exposure, per, rate }
    }

    fn continuous(&self) -> Figure {
        let cases = self.without(Population::Measure, Population::MeasureExclusion);
        let Some(quantity) = self.rule.observed else {
            return Figure::Continuous { unit: "1", spread: Err(Undefined::NoCase), change: None };
        };
        let values: Vec<f64> = cases.iter().filter_map(|case| (quantity.of)(case)).collect();
        let pairs = quantity.pair.map(|pair| -> Vec<(f64, f64)> {
            let both = |case: &&Facts| {
                let pair = pair(case)?;
                Some((pair.first, pair.latest?))
            };
            cases.iter().filter_map(both).collect()
        });
        Figure::Continuous {
            unit: quantity.unit,
            spread: spread(&values, self.confidence),
            change: pairs.map(|pairs| paired_change(&pairs, self.confidence)),
        }
    }
}

/// A sum of whole numbers as a count.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a sum of counts is whole, not negative and far below 2^53"
)]
fn whole(sum: f64) -> u64 {
    sum.round().max(0.0) as u64
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "these values are exact")]
mod tests {
    use serde_json::{Value, json};

    use super::super::facts::Pair;
    use super::*;

    fn measure(scoring: &str, populations: &[(&str, &str)]) -> Indicator {
        let populations: Vec<Value> = populations
            .iter()
            .map(|(code, expression)| {
                let system = "http://terminology.hl7.org/CodeSystem/measure-population";
                let of = if *expression == "attended-visits" { "denominator" } else { "numerator" };
                json!({
                    "extension": [{
                        "url": "http://hl7.org/fhir/uv/cqfmeasures/StructureDefinition/\
                                cqfm-criteriaReference",
                        "valueString": of,
                    }],
                    "code": { "coding": [{ "system": system, "code": code }] },
                    "criteria": { "language": super::super::LANGUAGE, "expression": expression },
                })
            })
            .collect();
        let system = "http://terminology.hl7.org/CodeSystem/measure-scoring";
        Indicator::of(&json!({
            "extension": [{
                "url": "http://hl7.org/fhir/uv/cqfmeasures/StructureDefinition/\
                        cqfm-populationBasis",
                "valueCode": "EpisodeOfCare",
            }],
            "scoring": { "coding": [{ "system": system, "code": scoring }] },
            "group": [{ "population": populations }],
        }))
        .unwrap()
    }

    fn of(indicator: &Indicator, facts: &[Facts]) -> Tally {
        let facts: Vec<&Facts> = facts.iter().collect();
        evaluate(indicator, &facts, Confidence::USUAL).groups.pop().unwrap().whole
    }

    /// A case by letters: t treated, f red flag, r red flag referred, e adverse event, h habit known.
    fn case(letters: &str) -> Facts {
        let has = |letter| letters.contains(letter);
        Facts {
            treated: has('t'),
            red_flag: has('f'),
            red_flag_referred: has('r'),
            adverse_events: u32::from(has('e')),
            habit_latest: has('h').then_some(0.0),
            ..Facts::default()
        }
    }

    /// The population table of the quality measure guide, worked by hand: an excluded case is in no
    /// numerator; an exception counts only outside the numerator; unknown is missing.
    #[test]
    fn a_proportion_by_the_population_table() {
        let indicator = measure(
            "proportion",
            &[
                ("initial-population", "treated or red-flag"),
                ("denominator", "treated"),
                ("denominator-exclusion", "red-flag"),
                ("numerator", "self-manipulation-stopped"),
                ("denominator-exception", "adverse-event"),
            ],
        );
        let facts: Vec<Facts> =
            ["", "f", "th", "t", "tfh", "te", "teh", "th"].into_iter().map(case).collect();
        let tally = of(&indicator, &facts);
        let members = |population| tally.members[&population].clone();
        assert_eq!(members(Population::Initial), [1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(members(Population::Denominator), [2, 3, 4, 5, 6, 7]);
        assert_eq!(members(Population::DenominatorExclusion), [4]);
        assert_eq!(members(Population::DenominatorException), [5]);
        assert_eq!(members(Population::Numerator), [2, 6, 7]);
        assert_eq!(tally.missing, [3]);
        let Figure::Proportion { count, of, bounds, .. } = tally.figure else { panic!() };
        assert_eq!((count, of), (3, 3));
        assert_eq!(bounds, Ok(Bounds { none: 0.75, each: 1.0 }));
    }

    #[test]
    fn nothing_to_count_is_told_and_not_divided() {
        let proportion = measure(
            "proportion",
            &[
                ("initial-population", "ended"),
                ("denominator", "treated"),
                ("numerator", "red-flag"),
            ],
        );
        let Figure::Proportion { count, of: known, interval, bounds } = of(&proportion, &[]).figure
        else {
            panic!()
        };
        assert_eq!((count, known), (0, 0));
        assert_eq!(interval, Err(Undefined::NoCase));
        assert_eq!(bounds, Err(Undefined::NoCase));
    }

    #[test]
    fn a_ratio_adds_up_events_and_exposure() {
        let indicator = measure(
            "ratio",
            &[
                ("initial-population", "visits-at-least(0)"),
                ("denominator", "visits-at-least(1)"),
                ("numerator", "visits-at-least(1)"),
                ("measure-observation", "adverse-events"),
                ("measure-observation", "attended-visits"),
            ],
        );
        let visits = |attended, adverse_events| Facts { attended, adverse_events, ..case("") };
        let Figure::Ratio { events, exposure, rate, .. } =
            of(&indicator, &[visits(3, 1), visits(0, 4), visits(7, 0)]).figure
        else {
            panic!()
        };
        assert_eq!((events, exposure), (1, 10.0));
        assert_eq!(rate.unwrap().estimate, 0.1);
        let Figure::Ratio { rate, .. } = of(&indicator, &[visits(0, 0)]).figure else { panic!() };
        assert_eq!(rate, Err(Undefined::NoExposure));
    }

    #[test]
    fn a_change_is_that_of_known_pairs() {
        let indicator = measure(
            "continuous-variable",
            &[
                ("initial-population", "not red-flag"),
                ("measure-population", "not red-flag"),
                ("measure-observation", "pain-change"),
            ],
        );
        let pain = |first, latest| Facts {
            pain: Some(Pair {
                at_start: true,
                first,
                latest,
                improved: None,
                past_error: None,
                room: None,
            }),
            ..Facts::default()
        };
        let facts = [pain(6.0, Some(2.0)), pain(7.0, None), pain(5.0, Some(3.0)), case("f")];
        let tally = of(&indicator, &facts);
        assert_eq!(tally.missing, [1]);
        let Figure::Continuous { change, spread, .. } = tally.figure else { panic!() };
        assert_eq!(spread.unwrap().median, -3.0);
        let change = change.unwrap().unwrap();
        assert_eq!((change.n, change.start, change.end, change.mean), (2, 5.5, 2.5, -3.0));
    }
}
