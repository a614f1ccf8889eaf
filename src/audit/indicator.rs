//! An indicator: what a Measure counts, read and checked.
//!
//! The populations are those of the standard; their criteria are written in the language
//! [`LANGUAGE`]. To add an indicator: a Measure under `schemas/measure/`, or one stored by a user.
//! Sources: <http://hl7.org/fhir/R4/measure.html>,
//! <http://terminology.hl7.org/CodeSystem/measure-scoring> (which populations a scoring takes).

use serde_json::Value;

use super::expression::Expression;
use super::quantity::{Quantity, quantity};
use super::stratum::{Stratifier, stratifier};
use crate::clinical::element::{OWN, code_in, items, text};

/// The language of criteria, for `Expression.language`.
pub const LANGUAGE: &str = "text/vnd.spondyl.criterion";
/// What a Measure says that it counts, and the extension that says so.
const BASIS: &str = "http://hl7.org/fhir/uv/cqfmeasures/StructureDefinition/cqfm-populationBasis";
const POPULATION: &str = "http://terminology.hl7.org/CodeSystem/measure-population";
const SCORING: &str = "http://terminology.hl7.org/CodeSystem/measure-scoring";
const NOTATION: &str = "http://terminology.hl7.org/CodeSystem/measure-improvement-notation";

/// How an indicator is scored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Scoring {
    /// The share of cases with a trait.
    Proportion,
    /// A sum over cases beside another sum.
    Ratio,
    /// A quantity over cases.
    Continuous,
    /// A number of cases.
    Cohort,
}

/// The populations of the standard.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Population {
    /// All that the indicator looks at.
    Initial,
    /// Those that a proportion or ratio is out of.
    Denominator,
    /// Those left out of the denominator.
    DenominatorExclusion,
    /// Those left out of the denominator unless they are in the numerator.
    DenominatorException,
    /// Those with the trait.
    Numerator,
    /// Those left out of the numerator.
    NumeratorExclusion,
    /// Those whose quantity is looked at.
    Measure,
    /// Those left out of them.
    MeasureExclusion,
    /// The quantity itself.
    Observation,
}

impl Population {
    /// All, in the order of a report.
    pub const ALL: [Self; 9] = [
        Self::Initial,
        Self::Denominator,
        Self::DenominatorExclusion,
        Self::DenominatorException,
        Self::Numerator,
        Self::NumeratorExclusion,
        Self::Measure,
        Self::MeasureExclusion,
        Self::Observation,
    ];

    /// Its code in `measure-population`.
    pub fn code(self) -> &'static str {
        match self {
            Self::Initial => "initial-population",
            Self::Denominator => "denominator",
            Self::DenominatorExclusion => "denominator-exclusion",
            Self::DenominatorException => "denominator-exception",
            Self::Numerator => "numerator",
            Self::NumeratorExclusion => "numerator-exclusion",
            Self::Measure => "measure-population",
            Self::MeasureExclusion => "measure-population-exclusion",
            Self::Observation => "measure-observation",
        }
    }
}

impl Scoring {
    /// The populations that it must have, and those that it may have.
    fn populations(self) -> (&'static [Population], &'static [Population]) {
        use Population as P;
        let proportion = (
            &[P::Initial, P::Denominator, P::Numerator][..],
            &[P::DenominatorExclusion, P::DenominatorException, P::NumeratorExclusion][..],
        );
        match self {
            Self::Proportion => proportion,
            Self::Ratio => (
                &[P::Initial, P::Denominator, P::Numerator, P::Observation],
                &[P::DenominatorExclusion, P::NumeratorExclusion],
            ),
            Self::Continuous => (&[P::Initial, P::Measure, P::Observation], &[P::MeasureExclusion]),
            Self::Cohort => (&[P::Initial], &[]),
        }
    }
}

/// What is wrong with a Measure, and where.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{place}: {rule}")]
pub struct Fault {
    /// The element, as FHIRPath.
    pub place: String,
    /// What the rule is.
    pub rule: String,
}

fn fault<T>(place: impl Into<String>, rule: impl Into<String>) -> Result<T, Fault> {
    Err(Fault { place: place.into(), rule: rule.into() })
}

/// An indicator, ready to be evaluated.
pub struct Indicator {
    /// The canonical with its version.
    pub canonical: String,
    /// The title, else the name.
    pub title: String,
    /// How it is scored.
    pub scoring: Scoring,
    /// Whether more is better, where the Measure says.
    pub more_is_better: Option<bool>,
    /// Its groups, one at least.
    pub groups: Vec<GroupRule>,
}

/// What one group of an indicator counts.
pub struct GroupRule {
    /// The code as the Measure has it, to be repeated in the report.
    pub code: Option<Value>,
    /// The criteria by population.
    pub criteria: Vec<(Population, Expression)>,
    /// The quantity of a continuous measure; of a ratio, that of the numerator.
    pub observed: Option<&'static Quantity>,
    /// The quantity of a ratio's denominator.
    pub exposure: Option<&'static Quantity>,
    /// For how many units of exposure a ratio is told.
    pub per: f64,
    /// What it is split by, with the code as the Measure has it.
    pub stratifiers: Vec<(&'static Stratifier, Value)>,
}

impl GroupRule {
    /// The criterion of a population.
    pub fn criterion(&self, population: Population) -> Option<&Expression> {
        self.criteria.iter().find(|(own, _)| *own == population).map(|(_, criterion)| criterion)
    }
}

impl Indicator {
    /// The indicator of a Measure.
    ///
    /// # Errors
    /// A [`Fault`] where the Measure counts anything but episodes, lacks what its scoring needs,
    /// or has a criterion that cannot be read.
    pub fn of(measure: &Value) -> Result<Self, Fault> {
        let basis = items(measure, "/extension").find(|e| text(e, "/url") == Some(BASIS));
        if basis.and_then(|basis| text(basis, "/valueCode")) != Some("EpisodeOfCare") {
            let rule = "a Measure here counts episodes: cqfm-populationBasis is EpisodeOfCare";
            return fault("Measure.extension", rule);
        }
        let scoring = measure.pointer("/scoring").and_then(|scoring| code_in(scoring, SCORING));
        let scoring = match scoring {
            Some("proportion") => Scoring::Proportion,
            Some("ratio") => Scoring::Ratio,
            Some("continuous-variable") => Scoring::Continuous,
            Some("cohort") => Scoring::Cohort,
            _ => return fault("Measure.scoring", format!("a code of {SCORING} is needed")),
        };
        let groups = items(measure, "/group").enumerate();
        let groups: Vec<GroupRule> = groups
            .map(|(at, group)| GroupRule::of(group, scoring, &format!("Measure.group[{at}]")))
            .collect::<Result<_, _>>()?;
        if groups.is_empty() {
            return fault("Measure.group", "a Measure has a group");
        }
        let notation = measure.pointer("/improvementNotation");
        let name = |pointer| text(measure, pointer);
        let url = name("/url").unwrap_or_default();
        Ok(Self {
            canonical: name("/version")
                .map_or(url.to_owned(), |version| format!("{url}|{version}")),
            title: name("/title").or(name("/name")).unwrap_or_default().to_owned(),
            scoring,
            more_is_better: match notation.and_then(|notation| code_in(notation, NOTATION)) {
                Some("increase") => Some(true),
                Some("decrease") => Some(false),
                _ => None,
            },
            groups,
        })
    }
}

impl GroupRule {
    fn of(group: &Value, scoring: Scoring, place: &str) -> Result<Self, Fault> {
        let mut rule = Self {
            code: group.get("code").cloned(),
            criteria: Vec::new(),
            observed: None,
            exposure: None,
            per: per(group),
            stratifiers: Vec::new(),
        };
        let (must, may) = scoring.populations();
        let mut seen = Vec::new();
        for (at, population) in items(group, "/population").enumerate() {
            let place = format!("{place}.population[{at}]");
            let code = population.pointer("/code").and_then(|code| code_in(code, POPULATION));
            let known = Population::ALL.into_iter().find(|p| Some(p.code()) == code);
            let Some(known) = known.filter(|p| must.contains(p) || may.contains(p)) else {
                return fault(format!("{place}.code"), "not a population of this scoring");
            };
            seen.push(known);
            rule.take(known, population, &place)?;
        }
        if let Some(missing) = must.iter().find(|population| !seen.contains(population)) {
            let needs = format!("this scoring needs the population {}", missing.code());
            return fault(format!("{place}.population"), needs);
        }
        if scoring == Scoring::Ratio && (rule.observed.is_none() || rule.exposure.is_none()) {
            let needs = "a ratio needs a measure-observation for numerator and denominator each";
            return fault(format!("{place}.population"), needs);
        }
        for (at, split) in items(group, "/stratifier").enumerate() {
            let place = format!("{place}.stratifier[{at}]");
            let system = format!("{OWN}/CodeSystem/audit-stratifier");
            let code = split.pointer("/code").and_then(|code| code_in(code, &system));
            let known = code.and_then(stratifier);
            let Some(known) = known else {
                return fault(format!("{place}.code"), format!("a code of {system} is needed"));
            };
            let code = split.get("code").cloned().unwrap_or_default();
            rule.stratifiers.push((known, code));
        }
        Ok(rule)
    }

    fn take(&mut self, known: Population, element: &Value, place: &str) -> Result<(), Fault> {
        let place = format!("{place}.criteria");
        let criteria = element.pointer("/criteria").unwrap_or(&Value::Null);
        if text(criteria, "/language") != Some(LANGUAGE) {
            return fault(format!("{place}.language"), format!("criteria are in {LANGUAGE}"));
        }
        let place = format!("{place}.expression");
        let Some(words) = text(criteria, "/expression") else {
            return fault(place, "a criterion is needed");
        };
        if known == Population::Observation {
            let Some(found) = quantity(words.trim()) else {
                return fault(place, format!("there is no quantity `{}`", words.trim()));
            };
            let of = items(element, "/extension").find(|e| text(e, "/url") == Some(CRITERIA_OF));
            let slot = match of.and_then(|of| text(of, "/valueString")) {
                Some("denominator") => &mut self.exposure,
                _ => &mut self.observed,
            };
            if slot.replace(found).is_some() {
                return fault(place, "one quantity for each of numerator and denominator");
            }
            return Ok(());
        }
        if self.criterion(known).is_some() {
            return fault(place, format!("the population {} stands once", known.code()));
        }
        match Expression::parse(words) {
            Ok(expression) => self.criteria.push((known, expression)),
            Err(rule) => return fault(place, rule),
        }
        Ok(())
    }
}

/// Which population a measure-observation belongs to.
const CRITERIA_OF: &str =
    "http://hl7.org/fhir/uv/cqfmeasures/StructureDefinition/cqfm-criteriaReference";

/// For how many units of exposure a ratio is told: our extension `audit-per`; 1 without it.
fn per(group: &Value) -> f64 {
    let url = format!("{OWN}/StructureDefinition/audit-per");
    let found = items(group, "/extension").find(|e| text(e, "/url") == Some(url.as_str()));
    let number = found.and_then(|found| found.pointer("/valuePositiveInt"));
    number.and_then(Value::as_u64).and_then(|n| u32::try_from(n).ok()).map_or(1.0, f64::from)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::definitions::Definitions;

    fn shipped() -> Vec<Value> {
        let definitions = Definitions::embedded().unwrap();
        let files = definitions.others().filter(|(path, _)| path.starts_with("profile/measure-"));
        files.map(|(_, bytes)| serde_json::from_slice(bytes).unwrap()).collect()
    }

    #[test]
    fn every_shipped_measure_reads() {
        let measures = shipped();
        assert!(measures.len() >= 20, "{}", measures.len());
        for measure in measures {
            let indicator = Indicator::of(&measure).unwrap_or_else(|fault| panic!("{fault}"));
            assert!(indicator.canonical.ends_with("|0.1.0"));
            assert_eq!(indicator.groups[0].stratifiers.len(), 7, "{}", indicator.title);
            assert!(measure["rationale"].is_string() && measure["disclaimer"].is_string());
        }
    }

    #[test]
    fn faults_name_their_place() {
        let sound = shipped().into_iter().find(|m| m["id"] == "drop-out").unwrap();
        for (pointer, value, place) in [
            ("/extension/0/valueCode", json!("Patient"), "Measure.extension"),
            ("/scoring/coding/0/code", json!("weight"), "Measure.scoring"),
            ("/group", json!([]), "Measure.group"),
            ("/group/0/population", json!([]), "Measure.group[0].population"),
            (
                "/group/0/population/1/code/coding/0/code",
                json!("measure-population"),
                "Measure.group[0].population[1].code",
            ),
            (
                "/group/0/population/2/criteria/language",
                json!("text/cql"),
                "Measure.group[0].population[2].criteria.language",
            ),
            (
                "/group/0/population/2/criteria/expression",
                json!("dropped"),
                "Measure.group[0].population[2].criteria.expression",
            ),
            (
                "/group/0/population/2/code/coding/0/code",
                json!("denominator"),
                "Measure.group[0].population[2].criteria.expression",
            ),
            (
                "/group/0/stratifier/0/code",
                json!({"text": "weather"}),
                "Measure.group[0].stratifier[0].code",
            ),
        ] {
            let mut measure = sound.clone();
            *measure.pointer_mut(pointer).unwrap() = value;
            let fault = Indicator::of(&measure).err().map(|fault| fault.place);
            assert_eq!(fault.as_deref(), Some(place), "{pointer}");
        }
    }
}
