//! Consistency findings: what in the record does not fit together.
//!
//! They inform and never judge; whether a finding matters is for the reader. Each has a code, its
//! evidence and, in the letter's catalogue, the rule in words.

use serde::Serialize;

use crate::clinical::caution::{Caution, not_after};
use crate::clinical::course::Course;
use crate::clinical::dose::{Dose, Technique, Treatment};
use crate::clinical::segment::{Class, Reading, Segment, Side};
use crate::clinical::segment_map::SegmentMap;
use crate::clinical::source::{Day, Moment, Source, sources};

/// One finding.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Finding {
    /// What kind.
    pub kind: FindingKind,
    /// The segment, where it is about one.
    pub segment: Option<Segment>,
    /// The day, where it is about one.
    pub day: Option<Day>,
    /// The evidence.
    pub sources: Vec<Source>,
}

/// The kinds of findings.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
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
    /// A screening has a positive item, and treatment followed.
    TreatedAfterPositiveScreening,
    /// A treatment is dated after the end of the episode.
    TreatedAfterEnd,
    /// A segment was left alone on purpose and treated on a later day.
    TreatedAfterLeftAlone,
    /// Totals of one measure are recorded in different units.
    UnitsMixed,
    /// Grades of one segment, side, test and day disagree.
    ContradictingGrades,
}

impl Finding {
    /// Totals of one measure in different units.
    pub fn units_mixed(sources: Vec<Source>) -> Self {
        Self { kind: FindingKind::UnitsMixed, segment: None, day: None, sources }
    }
}

/// The findings of one episode, in a fixed order.
pub fn findings(
    treatments: &[Treatment],
    readings: &[Reading],
    (map, dose, caution, course): (&SegmentMap, &Dose, &Caution, &Course),
) -> Vec<Finding> {
    let mut findings = Vec::new();
    let given: Vec<&Treatment> = treatments.iter().filter(|t| t.left_alone.is_none()).collect();
    for treatment in &given {
        findings.extend(of_treatment(treatment, readings, dose));
        findings.extend(after_end(treatment, course));
        findings.extend(after_positive(treatment, caution));
    }
    let first = given.first().map(|treatment| sources([&treatment.seen.source]));
    let mut whole = |kind, fits: Option<bool>| {
        if let (Some(false), Some(sources)) = (fits, &first) {
            let day = given.first().map(|treatment| treatment.seen.at.day);
            findings.push(Finding { kind, segment: None, day, sources: sources.clone() });
        }
    };
    whole(FindingKind::TreatedBeforeScreening, caution.screened_before_treatment);
    whole(FindingKind::TreatedBeforeConsent, caution.consent_before_treatment);
    findings.extend(map.contradictions.iter().map(|contradiction| Finding {
        kind: FindingKind::ContradictingGrades,
        segment: Some(contradiction.segment),
        day: Some(contradiction.day),
        sources: contradiction.sources.clone(),
    }));
    findings.sort();
    findings.dedup();
    findings
}

/// A treatment against the latest assessment of each of its segments; soft tissue is not held
/// against segments.
fn of_treatment(treatment: &Treatment, readings: &[Reading], dose: &Dose) -> Vec<Finding> {
    if treatment.technique == Technique::SoftTissue {
        return Vec::new();
    }
    let mut findings = Vec::new();
    for (segment, side) in &treatment.sites {
        let (left, left_source) = latest(readings, *segment, Side::Left, treatment.seen.at);
        let (right, right_source) = latest(readings, *segment, Side::Right, treatment.seen.at);
        let kind = compare(*side, left, right);
        let evidence = [left_source, right_source, Some(&treatment.seen.source)];
        let day = treatment.seen.at.day;
        let finding = |kind, evidence: Vec<Source>| Finding {
            kind,
            segment: Some(*segment),
            day: Some(day),
            sources: evidence,
        };
        findings.extend(kind.map(|kind| finding(kind, sources(evidence.into_iter().flatten()))));
        let spared = dose.left_alone.iter().find(|left| left.segment == *segment && left.day < day);
        findings.extend(spared.map(|left| {
            let evidence = sources([&left.source, &treatment.seen.source]);
            finding(FindingKind::TreatedAfterLeftAlone, evidence)
        }));
    }
    findings
}

/// The latest class of a side until the day of a treatment, that day included.
fn latest(
    readings: &[Reading],
    segment: Segment,
    side: Side,
    until: Moment,
) -> (Option<Class>, Option<&Source>) {
    let of_side = |reading: &&Reading| {
        reading.segment == segment
            && reading.side.sides().contains(&side)
            && reading.seen.at.day <= until.day
            && reading.mobility.is_some()
    };
    let found = readings.iter().rfind(of_side);
    let class = found.and_then(|reading| reading.mobility).map(|mobility| mobility.class);
    (class, found.map(|reading| &reading.seen.source))
}

/// What a treated side has to do with what was found; none where the two are consistent.
fn compare(side: Side, left: Option<Class>, right: Option<Class>) -> Option<FindingKind> {
    let (treated, other) = match side {
        Side::Left => (vec![left], right),
        Side::Right => (vec![right], left),
        Side::Both | Side::Central => (vec![left, right], None),
    };
    let is = |class| treated.contains(&Some(class));
    if is(Class::Hypermobile) {
        Some(FindingKind::HypermobileTreated)
    } else if is(Class::Hypomobile) {
        None
    } else if other == Some(Class::Hypomobile) {
        Some(FindingKind::OtherSideStiff)
    } else if is(Class::Normal) {
        Some(FindingKind::NormalTreated)
    } else {
        Some(FindingKind::TreatedNotAssessed)
    }
}

fn after_end(treatment: &Treatment, course: &Course) -> Option<Finding> {
    let day = treatment.seen.at.day;
    course.end.filter(|end| day > *end).map(|_| Finding {
        kind: FindingKind::TreatedAfterEnd,
        segment: None,
        day: Some(day),
        sources: sources([&treatment.seen.source].into_iter().chain(&course.source)),
    })
}

/// The latest screening until a treatment, where one of its items is positive.
fn after_positive(treatment: &Treatment, caution: &Caution) -> Option<Finding> {
    let before = |at| not_after(at, treatment.seen.at);
    let screening = caution.screenings.iter().rfind(|screening| before(screening.moment()))?;
    (!screening.positive.is_empty()).then(|| Finding {
        kind: FindingKind::TreatedAfterPositiveScreening,
        segment: None,
        day: Some(treatment.seen.at.day),
        sources: sources([&screening.source, &treatment.seen.source]),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn treatment_against_finding() {
        use Class::{Hypermobile, Hypomobile, Normal};
        let check = |side, left, right, expected| {
            assert_eq!(compare(side, left, right), expected, "{side:?} {left:?} {right:?}");
        };
        check(Side::Left, Some(Hypomobile), Some(Normal), None);
        check(Side::Central, Some(Hypomobile), Some(Normal), None);
        let loose = Some(FindingKind::HypermobileTreated);
        check(Side::Central, Some(Hypomobile), Some(Hypermobile), loose);
        check(Side::Left, Some(Normal), Some(Hypomobile), Some(FindingKind::OtherSideStiff));
        check(Side::Left, Some(Normal), Some(Normal), Some(FindingKind::NormalTreated));
        check(Side::Left, None, Some(Normal), Some(FindingKind::TreatedNotAssessed));
    }
}
