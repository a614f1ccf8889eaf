//! Thresholds of change: named sets in data, each value with its scale and citation.
//!
//! A change is judged by one named set, chosen by the written rule in `thresholds.json`. Points of
//! 50 are converted to percentage points (times two) before they meet a percent; they are never
//! mixed. A threshold is met when the change is equal to it or greater. Where the important change
//! lies within the error of measurement, that is said in so many words. A clinic may add sets of
//! its own in the same form ([`Thresholds::with`]); they are checked before any is used. Where a
//! source gives a standard error of measurement only, the detectable change follows from it.

use std::sync::LazyLock;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::clinical::detectable::{Confidence, detectable};
use crate::clinical::number::Number;
use crate::clinical::outcome::Measure;

/// The sets that ship with the project, as they stand in `thresholds.json`.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Thresholds {
    /// How a set is chosen, in words.
    pub rule: String,
    /// The name of the set to use where the problem asks for no other; by default the first one.
    #[serde(rename = "use")]
    pub used: Option<String>,
    /// The sets.
    pub sets: Vec<ThresholdSet>,
}

/// A named set of thresholds for one population.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThresholdSet {
    /// Its name.
    pub id: String,
    /// Whom it is for.
    pub population: String,
    ndi: Option<Threshold>,
    nprs: Option<Threshold>,
    psfs: Option<Threshold>,
}

/// The thresholds of one measure.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Threshold {
    scale: Scale,
    important: Decimal2,
    important_percent_of_first: Option<Decimal2>,
    detectable: Option<Decimal2>,
    standard_error: Option<Decimal2>,
    #[serde(default)]
    confidence: Confidence,
    citation: String,
}

impl Threshold {
    /// The detectable change, as given or as it follows from the standard error.
    fn detectable(&self) -> Option<Decimal2> {
        let follows =
            |error: Decimal2| Some(Decimal2(detectable(error.0, self.confidence)?.round_dp(2)));
        self.detectable.or_else(|| self.standard_error.and_then(follows))
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
enum Scale {
    #[serde(rename = "percent")]
    Percent,
    #[serde(rename = "points of 50")]
    PointsOf50,
    #[serde(rename = "points of 10")]
    PointsOf10,
}

impl Scale {
    /// The greatest value.
    fn most(self) -> Decimal {
        match self {
            Self::Percent => Decimal::ONE_HUNDRED,
            Self::PointsOf50 => Decimal::from(50),
            Self::PointsOf10 => Decimal::TEN,
        }
    }
}

/// A decimal written as text, so that no binary fraction comes between.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(try_from = "String")]
struct Decimal2(Decimal);

impl TryFrom<String> for Decimal2 {
    type Error = rust_decimal::Error;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse().map(Self)
    }
}

/// The shipped sets. The file is part of the program and a test reads it, so the empty default
/// stands for a fault that cannot reach a release.
static SHIPPED: LazyLock<Thresholds> =
    LazyLock::new(|| serde_json::from_str(include_str!("thresholds.json")).unwrap_or_default());

impl Thresholds {
    /// The sets that ship with the project.
    pub fn shipped() -> &'static Self {
        &SHIPPED
    }

    /// The set that the rule chooses: the one that a clinic says to use, else that for
    /// radiculopathy, else the first one.
    pub fn choose(&self, radiculopathy: bool) -> Option<&ThresholdSet> {
        let named = |id: &str| self.sets.iter().find(|set| set.id == id);
        match self.used.as_deref() {
            Some(used) => named(used),
            None if radiculopathy => named("radiculopathy-2010"),
            None => self.sets.first(),
        }
    }

    /// The shipped sets and those of a clinic, given as JSON in the form of `thresholds.json`: a
    /// `rule` in words, `sets`, and in `use` the name of the set to use.
    ///
    /// # Errors
    /// [`ThresholdFault`] at the first value that does not fit: a scale of another measure, a number
    /// outside its scale, a missing citation or population, a name that is used twice or unknown.
    pub fn with(clinic: &str) -> Result<Self, ThresholdFault> {
        let fault = |place: &str, rule: String| ThresholdFault { place: place.to_owned(), rule };
        let mut clinic: Self =
            serde_json::from_str(clinic).map_err(|error| fault("$", error.to_string()))?;
        if clinic.rule.trim().is_empty() {
            return Err(fault("rule", "the rule of choosing is told in words".to_owned()));
        }
        let shipped = Self::shipped();
        for (at, set) in clinic.sets.iter().enumerate() {
            let place = format!("sets[{at}]");
            set.check(&place)?;
            let others = clinic.sets.iter().take(at).chain(&shipped.sets);
            if others.into_iter().any(|other| other.id == set.id) {
                return Err(fault(&format!("{place}.id"), "a name stands for one set".to_owned()));
            }
        }
        clinic.sets.splice(0..0, shipped.sets.iter().cloned());
        let known = |used: &String| clinic.sets.iter().any(|set| set.id == *used);
        if !clinic.used.as_ref().is_none_or(known) {
            return Err(fault("use", "it is the id of a set".to_owned()));
        }
        Ok(clinic)
    }
}

/// What does not fit in the thresholds of a clinic.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{place}: {rule}")]
pub struct ThresholdFault {
    /// Where it stands, such as `sets[0].ndi.scale`.
    pub place: String,
    /// The rule that it breaks.
    pub rule: String,
}

/// What a change means against one set.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Judgement {
    /// The name of the set.
    pub set: String,
    /// The important change, on the scale of the outcome; none where it is a share of the first
    /// value alone.
    pub important: Number,
    /// The important change as a percentage of the first value; met by either.
    pub important_percent_of_first: Option<Number>,
    /// The detectable change, on the scale of the outcome, where the set has one.
    pub detectable: Option<Number>,
    /// The kind of change.
    pub class: ChangeClass,
    /// Whether the improvement meets the important change.
    pub responder: bool,
    /// Whether the first value leaves no room to improve by the important change.
    pub no_room: bool,
    /// Where the thresholds are published.
    pub citation: String,
}

/// The kinds of change of a score.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeClass {
    /// Better by the important change and by the detectable change.
    ImprovedPastBoth,
    /// Better by the important change; the set has no detectable change.
    ImprovedPastImportant,
    /// Better by the important change, within the error of measurement.
    ImprovedWithinError,
    /// Changed in either direction by less than the important change.
    LessThanImportant,
    /// No change at all.
    Unchanged,
    /// Worse by the important change, within the error of measurement.
    WorseWithinError,
    /// Worse by the important change, and beyond the error where one is known.
    Worse,
}

impl ThresholdSet {
    /// Checks names, scales, numbers and citations.
    fn check(&self, place: &str) -> Result<(), ThresholdFault> {
        let fault = |part: &str, rule: &str| {
            Err(ThresholdFault { place: format!("{place}.{part}"), rule: rule.to_owned() })
        };
        if self.id.trim().is_empty() {
            return fault("id", "a set has a name");
        }
        if self.population.trim().is_empty() {
            return fault("population", "a set says whom it is for");
        }
        let parts = [
            ("ndi", self.ndi.as_ref(), &[Scale::Percent, Scale::PointsOf50][..]),
            ("nprs", self.nprs.as_ref(), &[Scale::PointsOf10][..]),
            ("psfs", self.psfs.as_ref(), &[Scale::PointsOf10][..]),
        ];
        if parts.iter().all(|(_, threshold, _)| threshold.is_none()) {
            return fault("ndi", "a set has a threshold of at least one of ndi, nprs, psfs");
        }
        for (name, threshold, scales) in parts {
            let Some(threshold) = threshold else { continue };
            if !scales.contains(&threshold.scale) {
                let rule = "the scale is that of the measure: ndi percent or points of 50, the \
                            others points of 10";
                return fault(&format!("{name}.scale"), rule);
            }
            if threshold.citation.trim().is_empty() {
                return fault(&format!("{name}.citation"), "a threshold names its source");
            }
            if threshold.detectable.is_some() && threshold.standard_error.is_some() {
                let rule = "a detectable change is given, or follows from a standard error";
                return fault(&format!("{name}.standard_error"), rule);
            }
            let most = threshold.scale.most();
            let within =
                |number: &Decimal2, most: Decimal| number.0 > Decimal::ZERO && number.0 <= most;
            let numbers = [
                ("important", Some(&threshold.important), most),
                ("detectable", threshold.detectable.as_ref(), most),
                ("standard_error", threshold.standard_error.as_ref(), most),
                (
                    "important_percent_of_first",
                    threshold.important_percent_of_first.as_ref(),
                    Decimal::ONE_HUNDRED,
                ),
            ];
            for (part, number, most) in numbers {
                if !number.is_none_or(|number| within(number, most)) {
                    let rule = "a change is more than nothing and fits into its scale";
                    return fault(&format!("{name}.{part}"), rule);
                }
            }
        }
        Ok(())
    }

    /// Judges an improvement (positive is better) from a first value, on the scale of the outcome;
    /// none where the set has no threshold for the measure.
    pub fn judge(
        &self,
        measure: Measure,
        first: Decimal,
        improvement: Decimal,
    ) -> Option<Judgement> {
        let threshold = match measure {
            Measure::Ndi => self.ndi.as_ref(),
            Measure::Nprs => self.nprs.as_ref(),
            Measure::Psfs => self.psfs.as_ref(),
            Measure::Grc => None,
        }?;
        let scaled = |value: Decimal2| match (measure, threshold.scale) {
            (Measure::Ndi, Scale::PointsOf50) => Some(value.0 * Decimal::TWO),
            (Measure::Ndi, Scale::Percent) | (Measure::Nprs | Measure::Psfs, Scale::PointsOf10) => {
                Some(value.0)
            }
            _ => None,
        };
        let important = scaled(threshold.important)?;
        let detectable = threshold.detectable().and_then(scaled);
        let percent = threshold.important_percent_of_first.map(|percent| percent.0);
        let share =
            percent.filter(|_| first > Decimal::ZERO).map(|p| first * p / Decimal::ONE_HUNDRED);
        let size = improvement.abs();
        let reached = size >= important || share.is_some_and(|share| size >= share);
        let room = if measure == Measure::Psfs { Decimal::TEN - first } else { first };
        let needed = share.map_or(important, |share| share.min(important));
        Some(Judgement {
            set: self.id.clone(),
            important: important.into(),
            important_percent_of_first: percent.map(Number::new),
            detectable: detectable.map(Number::new),
            class: class(improvement, reached, detectable),
            responder: reached && improvement > Decimal::ZERO,
            no_room: room < needed || room.is_zero(),
            citation: threshold.citation.clone(),
        })
    }
}

fn class(improvement: Decimal, reached: bool, detectable: Option<Decimal>) -> ChangeClass {
    let within = detectable.is_some_and(|detectable| improvement.abs() < detectable);
    match (reached, improvement > Decimal::ZERO) {
        _ if improvement.is_zero() => ChangeClass::Unchanged,
        (false, _) => ChangeClass::LessThanImportant,
        (true, true) if within => ChangeClass::ImprovedWithinError,
        (true, true) if detectable.is_none() => ChangeClass::ImprovedPastImportant,
        (true, true) => ChangeClass::ImprovedPastBoth,
        (true, false) if within => ChangeClass::WorseWithinError,
        (true, false) => ChangeClass::Worse,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judge(set: &str, measure: Measure, first: &str, improvement: &str) -> Judgement {
        let set = Thresholds::shipped().sets.iter().find(|s| s.id == set).unwrap();
        set.judge(measure, first.parse().unwrap(), improvement.parse().unwrap()).unwrap()
    }

    #[test]
    fn shipped_sets_are_read() {
        let sets: Vec<&str> =
            Thresholds::shipped().sets.iter().map(|set| set.id.as_str()).collect();
        let expected =
            ["review-2024", "neck-2009", "neck-2008", "radiculopathy-2010", "author-note"];
        assert_eq!(sets, expected);
    }

    /// 9.5 of 50 is 19 percentage points (Cleland 2008); 7.5 of 50 is 15 (Young 2009).
    #[test]
    fn points_of_fifty_become_percent() {
        assert_eq!(judge("neck-2008", Measure::Ndi, "40", "19").important, Number::from(19));
        let young = judge("neck-2009", Measure::Ndi, "40", "16");
        assert_eq!(young.important, Number::from(15));
        assert_eq!(young.detectable.unwrap().to_string(), "20.4");
        assert_eq!(young.class, ChangeClass::ImprovedWithinError);
        assert_eq!(
            judge("radiculopathy-2010", Measure::Ndi, "60", "26.8").class,
            ChangeClass::ImprovedPastBoth
        );
    }

    /// "Equal to or greater than"; "drop of 2 points, or of 30 % of the first value" (Farrar 2001).
    #[test]
    fn thresholds_are_met_when_equal() {
        let class =
            |first, improvement| judge("review-2024", Measure::Ndi, first, improvement).class;
        assert_eq!(class("40", "15"), ChangeClass::ImprovedPastBoth);
        assert_eq!(class("40", "14.99"), ChangeClass::LessThanImportant);
        assert_eq!(class("40", "0"), ChangeClass::Unchanged);
        assert_eq!(class("40", "-15"), ChangeClass::Worse);
        let pain = |first, improvement| judge("review-2024", Measure::Nprs, first, improvement);
        assert!(pain("5", "1.5").responder, "30 % of 5");
        assert!(!pain("7", "1.5").responder);
        assert_eq!(pain("7", "2").class, ChangeClass::ImprovedWithinError);
        assert_eq!(pain("7", "4").class, ChangeClass::ImprovedPastBoth);
    }

    const CLINIC: &str = r#"{ "rule": "the house set", "use": "house", "sets": [{ "id": "house",
        "population": "our audit", "ndi": { "scale": "points of 50", "important": "6",
        "detectable": "7.5", "citation": "our audit of 2025" } }] }"#;

    #[test]
    fn a_detectable_change_follows_from_a_standard_error() {
        let with = |given: &str| CLINIC.replace(r#""detectable": "7.5""#, given);
        let found = |given: &str| {
            let thresholds = Thresholds::with(&with(given)).unwrap();
            let set = thresholds.choose(false).unwrap().clone();
            let judged = set.judge(Measure::Ndi, Decimal::from(40), Decimal::from(14)).unwrap();
            judged.detectable.unwrap().to_string()
        };
        // Points of 50 are doubled: 2.771859 x 2.5 = 6.93, and 2.326381 x 2.5 = 5.82.
        assert_eq!(found(r#""standard_error": "2.5""#), "13.86");
        assert_eq!(found(r#""standard_error": "2.5", "confidence": "90""#), "11.64");
        let both = with(r#""detectable": "7.5", "standard_error": "2.5""#);
        assert_eq!(Thresholds::with(&both).unwrap_err().place, "sets[0].ndi.standard_error");
        let nothing = with(r#""standard_error": "0""#);
        assert_eq!(Thresholds::with(&nothing).unwrap_err().place, "sets[0].ndi.standard_error");
    }

    #[test]
    fn a_clinic_adds_its_own_set() {
        let thresholds = Thresholds::with(CLINIC).unwrap();
        assert_eq!(thresholds.choose(true).unwrap().id, "house");
        let set = thresholds.choose(false).unwrap();
        let judgement = set.judge(Measure::Ndi, 40.into(), 12.into()).unwrap();
        assert_eq!(judgement.important, Number::from(12), "6 of 50 are 12 percentage points");
        assert_eq!(judgement.class, ChangeClass::ImprovedWithinError);
        assert!(set.judge(Measure::Nprs, 6.into(), 2.into()).is_none(), "not in the set");
    }

    #[test]
    fn a_set_that_does_not_fit_is_refused() {
        let check = |from: &str, to: &str, place: &str| {
            assert!(CLINIC.contains(from), "{from}");
            let fault = Thresholds::with(&CLINIC.replace(from, to)).unwrap_err();
            assert_eq!(fault.place, place, "{from} -> {to}: {fault}");
        };
        check("points of 50", "points of 10", "sets[0].ndi.scale");
        check("points of 50", "points of 100", "$");
        check("\"6\"", "\"60\"", "sets[0].ndi.important");
        check("\"7.5\"", "\"0\"", "sets[0].ndi.detectable");
        check("\"6\"", "6", "$");
        check("our audit of 2025", " ", "sets[0].ndi.citation");
        check("our audit\"", "\"", "sets[0].population");
        check("\"id\": \"house\"", "\"id\": \"neck-2009\"", "sets[0].id");
        check("\"use\": \"house\"", "\"use\": \"home\"", "use");
        check("\"ndi\"", "\"odi\"", "$");
    }

    #[test]
    fn no_room_below_the_important_change() {
        assert!(judge("review-2024", Measure::Ndi, "12", "6").no_room);
        assert!(judge("review-2024", Measure::Psfs, "8.5", "1").no_room);
        assert!(!judge("review-2024", Measure::Ndi, "15", "15").no_room);
    }
}
