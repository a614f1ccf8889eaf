//! Findings of single treatments: against assessments, screening, consent, plan and end.

use crate::clinical::caution::{Answer, not_after};
use crate::clinical::consistency::{Assessed, Finding, FindingKind, Ground};
use crate::clinical::dose::{Technique, Treatment};
use crate::clinical::people::{Activity, ActivityKind};
use crate::clinical::segment::{Class, Segment, Side};
use crate::clinical::source::sources;

/// The findings of all treatments that were given.
pub(super) fn findings(ground: &Ground<'_>) -> Vec<Finding> {
    let assessed = Assessed::of(&ground.facts.segments);
    let mut findings = Vec::new();
    for treatment in ground.given() {
        findings.extend(sites(treatment, &assessed, ground));
        findings.extend(after_end(treatment, ground));
        findings.extend(after_positive(treatment, ground));
        findings.extend(thrust(treatment, ground));
        findings.extend(dose(treatment));
    }
    if let Some(first) = ground.given().next() {
        let mut whole = |kind, fits: Option<bool>| {
            if fits == Some(false) {
                findings.push(of(kind, first));
            }
        };
        whole(FindingKind::TreatedBeforeScreening, ground.caution.screened_before_treatment);
        whole(FindingKind::TreatedBeforeConsent, ground.caution.consent_before_treatment);
    }
    findings
}

fn of(kind: FindingKind, treatment: &Treatment) -> Finding {
    Finding::of(kind, sources([&treatment.seen.source])).on(treatment.seen.at.day)
}

/// A treatment against the latest assessment of each of its segments; soft tissue is not held
/// against segments.
fn sites(treatment: &Treatment, assessed: &Assessed<'_>, ground: &Ground<'_>) -> Vec<Finding> {
    if treatment.technique == Technique::SoftTissue {
        return Vec::new();
    }
    let day = treatment.seen.at.day;
    let mut findings = Vec::new();
    for (segment, side) in &treatment.sites {
        let left = assessed.until(*segment, Side::Left, day);
        let right = assessed.until(*segment, Side::Right, day);
        let kind = compare(*side, left.map(|(_, class)| class), right.map(|(_, class)| class));
        let evidence = [left, right].into_iter().flatten().map(|(source, _)| source);
        let evidence = sources(evidence.chain([&treatment.seen.source]));
        findings.extend(kind.map(|kind| Finding::of(kind, evidence).on(day).at(*segment)));
        let spared = ground.dose.left_alone.iter();
        let spared = spared.filter(|left| left.segment == *segment && left.day < day).take(1);
        findings.extend(spared.map(|left| {
            let evidence = sources([&left.source, &treatment.seen.source]);
            Finding::of(FindingKind::TreatedAfterLeftAlone, evidence).on(day).at(*segment)
        }));
        findings.extend(against_plan(treatment, (*segment, *side), ground));
    }
    findings
}

/// A treated site that a plan of that day says to leave alone.
fn against_plan(
    treatment: &Treatment,
    (segment, side): (Segment, Side),
    ground: &Ground<'_>,
) -> Option<Finding> {
    let day = treatment.seen.at.day;
    let avoids = |plan: &&Activity| {
        let side_of = |avoided: Option<Side>| {
            avoided.is_none_or(|a| a.sides().iter().any(|one| side.sides().contains(one)))
        };
        plan.kind == ActivityKind::ToAvoid
            && plan.since.is_none_or(|since| since <= day)
            && plan.segments.iter().any(|(avoided, a)| *avoided == segment && side_of(*a))
    };
    let plan = ground.facts.activities.iter().find(avoids)?;
    let evidence = sources([&plan.source, &treatment.seen.source]);
    Some(Finding::of(FindingKind::TreatedAgainstPlan, evidence).on(day).at(segment))
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

fn after_end(treatment: &Treatment, ground: &Ground<'_>) -> Option<Finding> {
    let day = treatment.seen.at.day;
    let evidence = [&treatment.seen.source].into_iter().chain(&ground.course.source);
    let finding = |_| Finding::of(FindingKind::TreatedAfterEnd, sources(evidence)).on(day);
    ground.course.end.filter(|end| day > *end).map(finding)
}

/// The latest screening until a treatment, where one of its items is positive and the treatment has
/// neither a written reason nor names the screening as its reason.
fn after_positive(treatment: &Treatment, ground: &Ground<'_>) -> Option<Finding> {
    let before = |at| not_after(at, treatment.seen.at);
    let screenings = &ground.caution.screenings;
    let screening = screenings.iter().rfind(|screening| before(screening.moment()))?;
    let reasoned = treatment.reasoned || treatment.reasons.contains(screening.source.target());
    let evidence = || sources([&screening.source, &treatment.seen.source]);
    (!screening.positive.is_empty() && !reasoned).then(|| {
        let kind = FindingKind::TreatedAfterPositiveScreening;
        Finding::of(kind, evidence()).on(treatment.seen.at.day)
    })
}

/// A thrust without a screening, or without a consent given, until then.
fn thrust(treatment: &Treatment, ground: &Ground<'_>) -> Vec<Finding> {
    if treatment.technique != Technique::Thrust {
        return Vec::new();
    }
    let before = |at| not_after(at, treatment.seen.at);
    let screened = ground.caution.screenings.iter().any(|screening| before(screening.moment()));
    let consents = ground.caution.consents.iter().rfind(|consent| before(consent.moment()));
    let consented = consents.is_some_and(|consent| consent.answer == Answer::Given);
    let missing = [
        (screened, FindingKind::ThrustBeforeScreening),
        (consented, FindingKind::ThrustBeforeConsent),
    ];
    missing.into_iter().filter(|(there, _)| !there).map(|(_, kind)| of(kind, treatment)).collect()
}

/// What the dose lacks, in one finding, and each part of it outside what is usual.
fn dose(treatment: &Treatment) -> Vec<Finding> {
    let missing = treatment.missing().into_iter().take(1);
    let missing = missing.map(|part| of(FindingKind::DoseMissing, treatment).about(part));
    let unusual = treatment.unusual().into_iter();
    missing.chain(unusual.map(|part| of(FindingKind::DoseUnusual, treatment).about(part))).collect()
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
