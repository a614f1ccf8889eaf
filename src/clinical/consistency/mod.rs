//! Consistency findings: what in the record does not fit together.
//!
//! They inform and never judge; whether a finding matters is for the reader. Each has a code, a
//! severity, its evidence and, in the letter's catalogue, its rule in words. The severity says how
//! much of the reading of the record hangs on it, not how well anyone was treated; it is ours.
//! To add one: a kind with its code and severity here, where it is found in `treated` or `recorded`,
//! and its texts `finding.*` and `rule.*`.

mod recorded;
mod treated;

use std::collections::BTreeMap;

use serde::{Serialize, Serializer};

use crate::clinical::caution::Caution;
use crate::clinical::course::Course;
use crate::clinical::dose::{Dose, Treatment};
use crate::clinical::outcome::Outcome;
use crate::clinical::range_side::Implausible;
use crate::clinical::record::Facts;
use crate::clinical::retest::Retest;
use crate::clinical::segment::{Class, Reading, Segment, Side};
use crate::clinical::segment_map::SegmentMap;
use crate::clinical::source::{Day, Source};

/// One finding.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Finding {
    /// What kind.
    pub kind: FindingKind,
    /// The segment, where it is about one.
    pub segment: Option<Segment>,
    /// The day, where it is about one.
    pub day: Option<Day>,
    /// The measure or the part of a dose, as a code of gaps, where it is about one.
    pub about: Option<&'static str>,
    /// The evidence.
    pub sources: Vec<Source>,
}

impl Finding {
    fn of(kind: FindingKind, sources: Vec<Source>) -> Self {
        Self { kind, segment: None, day: None, about: None, sources }
    }

    fn on(self, day: Day) -> Self {
        Self { day: Some(day), ..self }
    }

    fn at(self, segment: Segment) -> Self {
        Self { segment: Some(segment), ..self }
    }

    fn about(self, about: &'static str) -> Self {
        Self { about: Some(about), ..self }
    }
}

/// How much of the reading of the record hangs on a finding, as `DetectedIssue` codes it.
/// Source: <http://hl7.org/fhir/R4/valueset-detectedissue-severity.html>.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Severity {
    /// It may change how the whole record is read.
    High,
    /// It may change how a part of the record is read.
    Moderate,
    /// A single statement is incomplete or unsure.
    Low,
}

impl Severity {
    /// The code.
    pub fn code(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Moderate => "moderate",
            Self::Low => "low",
        }
    }
}

/// The kinds of findings, in the order of the letter.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum FindingKind {
    /// A treated side was graded hypermobile at its latest assessment until then.
    HypermobileTreated,
    /// The stiff side is the other one.
    OtherSideStiff,
    /// A treated side was graded normal at its latest assessment until then.
    NormalTreated,
    /// A treated segment had not been assessed until then.
    TreatedNotAssessed,
    /// No screening is recorded before the first treatment.
    TreatedBeforeScreening,
    /// No consent is recorded as given before the first treatment.
    TreatedBeforeConsent,
    /// No screening is recorded before a thrust.
    ThrustBeforeScreening,
    /// No consent is recorded as given before a thrust.
    ThrustBeforeConsent,
    /// A screening has a positive item, and treatment followed without a recorded reason.
    TreatedAfterPositiveScreening,
    /// A treatment is dated after the end of the episode.
    TreatedAfterEnd,
    /// A segment was left alone on purpose and treated on a later day.
    TreatedAfterLeftAlone,
    /// A plan says to leave a treated segment alone.
    TreatedAgainstPlan,
    /// A plan names a stiff segment to be treated, and it never was.
    NamedNotTreated,
    /// Totals of one measure are recorded in different units.
    UnitsMixed,
    /// Grades of one segment, side, test and day disagree.
    ContradictingGrades,
    /// A range of motion is beyond its usual limit.
    ImplausibleRange,
    /// A dose lacks what a total needs.
    DoseMissing,
    /// A part of a dose is outside what is usual.
    DoseUnusual,
    /// A measurement was not taken again by the planned day.
    RetestLate,
    /// The episode ended, and no segment was assessed on two days.
    NoRetestOfSegments,
    /// Treatment was given, and a score was never taken.
    FirstScoreMissing,
    /// The episode ended, and a score was taken on one day only.
    FinalScoreMissing,
    /// No outcome of an adverse event is recorded, or it was still going on.
    EventNotFollowed,
}

impl FindingKind {
    /// Every kind.
    pub const ALL: [Self; 23] = [
        Self::HypermobileTreated,
        Self::OtherSideStiff,
        Self::NormalTreated,
        Self::TreatedNotAssessed,
        Self::TreatedBeforeScreening,
        Self::TreatedBeforeConsent,
        Self::ThrustBeforeScreening,
        Self::ThrustBeforeConsent,
        Self::TreatedAfterPositiveScreening,
        Self::TreatedAfterEnd,
        Self::TreatedAfterLeftAlone,
        Self::TreatedAgainstPlan,
        Self::NamedNotTreated,
        Self::UnitsMixed,
        Self::ContradictingGrades,
        Self::ImplausibleRange,
        Self::DoseMissing,
        Self::DoseUnusual,
        Self::RetestLate,
        Self::NoRetestOfSegments,
        Self::FirstScoreMissing,
        Self::FinalScoreMissing,
        Self::EventNotFollowed,
    ];

    /// Its code.
    pub fn code(self) -> &'static str {
        self.row().0
    }

    /// Its severity.
    pub fn severity(self) -> Severity {
        self.row().1
    }

    fn row(self) -> (&'static str, Severity) {
        use Severity::{High, Low, Moderate};
        match self {
            Self::HypermobileTreated => ("hypermobile-treated", Moderate),
            Self::OtherSideStiff => ("other-side-stiff", Moderate),
            Self::NormalTreated => ("normal-treated", Low),
            Self::TreatedNotAssessed => ("treated-not-assessed", Moderate),
            Self::TreatedBeforeScreening => ("treated-before-screening", High),
            Self::TreatedBeforeConsent => ("treated-before-consent", High),
            Self::ThrustBeforeScreening => ("thrust-before-screening", High),
            Self::ThrustBeforeConsent => ("thrust-before-consent", High),
            Self::TreatedAfterPositiveScreening => ("treated-after-positive-screening", High),
            Self::TreatedAfterEnd => ("treated-after-end", Moderate),
            Self::TreatedAfterLeftAlone => ("treated-after-left-alone", Moderate),
            Self::TreatedAgainstPlan => ("treated-against-plan", Moderate),
            Self::NamedNotTreated => ("named-not-treated", Low),
            Self::UnitsMixed => ("units-mixed", Moderate),
            Self::ContradictingGrades => ("contradicting-grades", Moderate),
            Self::ImplausibleRange => ("implausible-range", Moderate),
            Self::DoseMissing => ("dose-missing", Low),
            Self::DoseUnusual => ("dose-unusual", Low),
            Self::RetestLate => ("retest-late", Low),
            Self::NoRetestOfSegments => ("no-retest-of-segments", Moderate),
            Self::FirstScoreMissing => ("first-score-missing", Moderate),
            Self::FinalScoreMissing => ("final-score-missing", Moderate),
            Self::EventNotFollowed => ("event-not-followed", High),
        }
    }
}

impl Serialize for FindingKind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.code())
    }
}

/// What findings are looked for in.
pub(super) struct Ground<'a> {
    pub facts: &'a Facts,
    pub map: &'a SegmentMap,
    pub dose: &'a Dose,
    pub caution: &'a Caution,
    pub course: &'a Course,
    pub outcomes: &'a [Outcome],
    pub implausible: &'a [Implausible],
    pub retests: &'a [Retest],
    pub today: Day,
}

impl<'a> Ground<'a> {
    /// The treatments that were given.
    fn given(&self) -> impl Iterator<Item = &'a Treatment> + use<'a> {
        self.facts.treatments.iter().filter(|treatment| treatment.left_alone.is_none())
    }

    /// Whether the episode has ended.
    fn ended(&self) -> bool {
        self.course.end.is_some() || self.course.status.as_deref() == Some("finished")
    }
}

/// The findings of one episode, in a fixed order.
pub(super) fn findings(ground: &Ground<'_>) -> Vec<Finding> {
    let mut findings = treated::findings(ground);
    findings.extend(recorded::findings(ground));
    findings.sort();
    findings.dedup();
    findings
}

/// The known classes of each side of each segment, by day.
struct Assessed<'a> {
    readings: BTreeMap<(Segment, Side), Vec<(&'a Reading, Class)>>,
}

impl<'a> Assessed<'a> {
    fn of(sorted: &'a [Reading]) -> Self {
        let mut readings: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for reading in sorted {
            let Some(mobility) = reading.mobility else { continue };
            for side in reading.side.sides() {
                let series = readings.entry((reading.segment, *side)).or_default();
                series.push((reading, mobility.class));
            }
        }
        Self { readings }
    }

    /// The latest class of a side until a day, that day included, and where it stands.
    fn until(&self, segment: Segment, side: Side, day: Day) -> Option<(&'a Source, Class)> {
        let series = self.readings.get(&(segment, side))?;
        let count = series.partition_point(|(reading, _)| reading.seen.at.day <= day);
        let (reading, class) = series.get(count.checked_sub(1)?)?;
        Some((&reading.seen.source, *class))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_kind_has_a_code_of_its_own() {
        let codes: BTreeSet<&str> = FindingKind::ALL.iter().map(|kind| kind.code()).collect();
        assert_eq!(codes.len(), FindingKind::ALL.len());
        assert!(FindingKind::ALL.is_sorted(), "in the order of the letter");
    }
}
