//! Findings of the record as a whole: what was planned, measured, repeated, followed up.

use std::collections::BTreeSet;

use crate::clinical::consistency::{Finding, FindingKind, Ground};
use crate::clinical::outcome::{Measure, about, mixed_units};
use crate::clinical::people::ActivityKind;
use crate::clinical::segment::{Class, Segment};
use crate::clinical::source::{Source, sources};

/// The findings of the record as a whole.
pub(super) fn findings(ground: &Ground<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    let units = mixed_units(&ground.facts.scores);
    findings.extend(units.map(|from| Finding::of(FindingKind::UnitsMixed, from).about("ndi")));
    findings.extend(ground.map.contradictions.iter().map(|found| {
        let finding = Finding::of(FindingKind::ContradictingGrades, found.sources.clone());
        finding.on(found.day).at(found.segment)
    }));
    findings.extend(ground.implausible.iter().map(|found| {
        let finding = Finding::of(FindingKind::ImplausibleRange, sources([&found.source]));
        finding.on(found.day).about(found.direction)
    }));
    findings.extend(named_not_treated(ground));
    findings.extend(retests(ground));
    findings.extend(scores(ground));
    let open = ground.caution.adverse_events.iter().filter(|event| !event.followed_up);
    findings.extend(open.map(|event| Finding {
        day: event.day,
        ..Finding::of(FindingKind::EventNotFollowed, sources([&event.source]))
    }));
    findings
}

/// Segments that a plan names to be treated, that were found stiff, and that never were treated,
/// where anything was.
fn named_not_treated(ground: &Ground<'_>) -> Vec<Finding> {
    let treated: BTreeSet<Segment> = ground.dose.lines.iter().map(|line| line.segment).collect();
    if treated.is_empty() {
        return Vec::new();
    }
    let stiff = |segment: Segment| {
        let cells = ground.map.cells.iter().filter(move |cell| cell.segment == segment);
        cells.filter(|cell| cell.mobility.is_some_and(|m| m.class == Class::Hypomobile))
    };
    let mut findings = Vec::new();
    for plan in ground.facts.activities.iter().filter(|a| a.kind == ActivityKind::ToDo) {
        let named: BTreeSet<Segment> = plan.segments.iter().map(|(segment, _)| *segment).collect();
        for segment in named.difference(&treated) {
            let evidence: Vec<&Source> = stiff(*segment).flat_map(|cell| &cell.sources).collect();
            if !evidence.is_empty() {
                let evidence = sources(evidence.into_iter().chain([&plan.source]));
                findings.push(Finding::of(FindingKind::NamedNotTreated, evidence).at(*segment));
            }
        }
    }
    findings
}

fn retests(ground: &Ground<'_>) -> Vec<Finding> {
    let until = ground.course.end.unwrap_or(ground.today);
    let late = ground.retests.iter().filter(|retest| retest.is_late(until.min(ground.today)));
    let mut findings: Vec<Finding> = late
        .map(|retest| {
            let finding = Finding::of(FindingKind::RetestLate, retest.sources.clone());
            Finding { day: retest.planned_by, ..finding.about(retest.about) }
        })
        .collect();
    let changes = &ground.map.changes;
    if ground.ended() && !changes.is_empty() && changes.iter().all(|c| c.latest.is_none()) {
        let evidence = sources(changes.iter().flat_map(|change| &change.sources));
        findings.push(Finding::of(FindingKind::NoRetestOfSegments, evidence));
    }
    findings
}

/// Scores that were never taken although treatment was given, and scores of an ended episode that
/// were taken on one day only.
fn scores(ground: &Ground<'_>) -> Vec<Finding> {
    let first = ground.given().next();
    let mut findings = Vec::new();
    for measure in [Measure::Ndi, Measure::Nprs, Measure::Psfs] {
        let of_measure: Vec<_> = ground.outcomes.iter().filter(|o| o.measure == measure).collect();
        if of_measure.is_empty() {
            findings.extend(first.map(|treatment| {
                let evidence = sources([&treatment.seen.source]);
                Finding::of(FindingKind::FirstScoreMissing, evidence).about(about(measure))
            }));
        } else if ground.ended() && of_measure.iter().all(|outcome| outcome.latest.is_none()) {
            let evidence = sources(of_measure.iter().flat_map(|outcome| &outcome.sources));
            let finding = Finding::of(FindingKind::FinalScoreMissing, evidence);
            findings.push(finding.about(about(measure)));
        }
    }
    findings
}
