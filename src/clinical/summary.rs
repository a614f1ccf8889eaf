//! The summary of an episode: every computed number, each with its sources.
//!
//! A pure function of the record and of the moment of asking: same input, same bytes. What the
//! record lacks stands in `gaps`; what does not fit together stands in `findings`.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::clinical::caution::{Answer, Caution, not_after};
use crate::clinical::consistency::{Finding, Ground, findings};
use crate::clinical::course::{Course, course};
use crate::clinical::dose::{Dose, Treatment, dose};
use crate::clinical::exercise::{Advice, Exercise};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::goal::{Progress, progress};
use crate::clinical::habit::{Habit, habit};
use crate::clinical::outcome::{Measure, Outcome, about, outcomes};
use crate::clinical::people::{Activity, Goal, Party, Problem, Referral};
use crate::clinical::range::{RangeChange, changes};
use crate::clinical::range_side::{Implausible, SideDifference, differences, implausible};
use crate::clinical::record::{Facts, Record};
use crate::clinical::retest::{Retest, retest};
use crate::clinical::seen::Seen;
use crate::clinical::segment_map::{ChangeClass, SegmentMap, map};
use crate::clinical::source::{Day, Moment, Source, sources};
use crate::clinical::threshold::{ThresholdSet, Thresholds};
use crate::fhir::Instant;

/// Everything that a letter says of an episode.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Summary {
    /// The moment of asking.
    pub as_of: String,
    /// The day of asking, in UTC.
    pub day: Day,
    /// The episode.
    pub episode: Option<Source>,
    /// Identifiers of the episode, as recorded.
    pub identifiers: Vec<String>,
    /// The patient.
    pub patient: Option<Party>,
    /// Who answers for the episode.
    pub care_manager: Option<Party>,
    /// The organisation that answers for it.
    pub organization: Option<Party>,
    /// Problems.
    pub problems: Vec<Problem>,
    /// The referral that began the episode, and who wrote it.
    pub referral: Option<ReferralFacts>,
    /// Referrals out of the episode, by day.
    pub onward: Vec<ReferralFacts>,
    /// Visits, days, status.
    pub course: Course,
    /// Scores.
    pub outcomes: Vec<Outcome>,
    /// Ranges of motion.
    pub ranges: Vec<RangeChange>,
    /// Left against right of ranges of motion.
    pub side_differences: Vec<SideDifference>,
    /// Ranges of motion beyond a usual limit.
    pub implausible_ranges: Vec<Implausible>,
    /// The segment map.
    pub segments: SegmentMap,
    /// Treatment and dose.
    pub dose: Dose,
    /// Self-manipulation.
    pub habit: Option<Habit>,
    /// Screening, consent, flags, adverse events.
    pub caution: Caution,
    /// Goals.
    pub goals: Vec<Goal>,
    /// Targets of goals held against what was measured.
    pub goal_progress: Vec<Progress>,
    /// Times to re-test.
    pub retests: Vec<Retest>,
    /// Activities of the plan.
    pub activities: Vec<Activity>,
    /// Exercises taught.
    pub exercises: Vec<Exercise>,
    /// What the patient was told.
    pub advice: Vec<Advice>,
    /// What does not fit together.
    pub findings: Vec<Finding>,
    /// What is missing or could not be read.
    pub gaps: Vec<Gap>,
    /// The threshold set that judged the scores, and the rule that chose it.
    pub threshold_set: Option<ThresholdChoice>,
    /// Every resource that a number or statement comes from.
    pub sources: Vec<Source>,
}

/// A referral with its people.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct ReferralFacts {
    /// What it says.
    pub referral: Referral,
    /// Who asks.
    pub requester: Option<Party>,
    /// Who is asked.
    pub performer: Option<Party>,
}

impl ReferralFacts {
    /// Who is asked: by the name that is held, else in the words of the referral.
    pub fn asked(&self) -> Option<&str> {
        let held = self.performer.as_ref().map(|party| party.name.as_str());
        held.or(self.referral.performer_name.as_deref())
    }
}

impl Summary {
    /// The activities of plans that no later plan took the place of.
    pub fn current_activities(&self) -> impl Iterator<Item = &Activity> {
        self.activities.iter().filter(|activity| !activity.replaced)
    }
}

/// Which threshold set was chosen, and how.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct ThresholdChoice {
    /// The name of the set.
    pub set: String,
    /// Whom it is for.
    pub population: String,
    /// The rule of choosing.
    pub rule: String,
}

impl ThresholdChoice {
    fn of(set: &ThresholdSet, all: &Thresholds) -> Self {
        let (set, population) = (set.id.clone(), set.population.clone());
        Self { set, population, rule: all.rule.clone() }
    }
}

/// The summary of a record as of a moment, with the thresholds that ship with the project.
///
/// The moment is that of asking: open episodes run until then, and facts dated after it are told as
/// gaps. It leaves nothing out. To ask what a summary would have said then, give a record of the
/// versions that were stored then (`record::as_stored`); the same versions and the same moment give
/// the same bytes.
pub fn summary(record: &Record<'_>, as_of: Instant) -> Summary {
    summary_by(record, as_of, Thresholds::shipped())
}

/// The summary of a record as of a moment, with given thresholds.
pub fn summary_by(record: &Record<'_>, as_of: Instant, thresholds: &Thresholds) -> Summary {
    let facts = &record.facts;
    let mut gaps = facts.gaps.clone();
    let today = Day(as_of.to_utc().date());
    let (referral, onward) = referrals(record);
    let referred = referral.as_ref().and_then(|facts| facts.referral.day);
    let course = course(record.episode, &facts.visits, referred, today);
    let radiculopathy = facts.problems.iter().any(|problem| problem.radiculopathy);
    let set = thresholds.choose(radiculopathy);
    let segments = map(&facts.segments);
    let dose = dose(&facts.treatments, &mut gaps);
    let caution = caution(record);
    let outcomes = outcomes(&facts.scores, set);
    let habit = habit(&facts.habits);
    let implausible = implausible(&facts.ranges);
    let retests = retests(facts);
    let findings = findings(&Ground {
        facts,
        map: &segments,
        dose: &dose,
        caution: &caution,
        course: &course,
        outcomes: &outcomes,
        implausible: &implausible,
        retests: &retests,
        today,
    });
    let mut summary = Summary {
        as_of: as_of.to_string(),
        day: today,
        episode: Source::of(record.episode),
        identifiers: identifiers(record),
        patient: record.party("/patient"),
        care_manager: record.party("/careManager"),
        organization: record.party("/managingOrganization"),
        problems: facts.problems.clone(),
        referral,
        onward,
        goal_progress: progress(&facts.goals, &outcomes, habit.as_ref()),
        outcomes,
        ranges: changes(&facts.ranges),
        side_differences: differences(&facts.ranges),
        implausible_ranges: implausible,
        habit,
        retests,
        goals: facts.goals.clone(),
        activities: facts.activities.clone(),
        exercises: facts.exercises.clone(),
        advice: facts.advice.clone(),
        threshold_set: set.map(|set| ThresholdChoice::of(set, thresholds)),
        course,
        segments,
        dose,
        caution,
        findings,
        gaps: Vec::new(),
        sources: Vec::new(),
    };
    close(record, &mut summary, gaps);
    summary
}

/// Adds what is known only at the end: what is missing, and where everything comes from.
fn close(record: &Record<'_>, summary: &mut Summary, mut gaps: Vec<Gap>) {
    gaps.extend(missing(summary));
    gaps.extend(later_than(record, summary.day));
    gaps.sort();
    gaps.dedup();
    summary.gaps = gaps;
    summary.sources = all_sources(record, summary);
}

fn identifiers(record: &Record<'_>) -> Vec<String> {
    use crate::clinical::element::{items, text};
    let identifiers = items(record.episode.value(), "/identifier");
    identifiers.filter_map(|identifier| text(identifier, "/value")).map(str::to_owned).collect()
}

/// The referral that the episode names (else the earliest one not written by its care manager),
/// and the others.
fn referrals(record: &Record<'_>) -> (Option<ReferralFacts>, Vec<ReferralFacts>) {
    use crate::clinical::element::{items, target};
    let named: BTreeSet<_> = items(record.episode.value(), "/referralRequest")
        .filter_map(|reference| target(reference, ""))
        .collect();
    let facts = |referral: &Referral| ReferralFacts {
        requester: record.party_of(referral.requester.as_ref()),
        performer: record.party_of(referral.performer.as_ref()),
        referral: referral.clone(),
    };
    let (incoming, onward): (Vec<&Referral>, Vec<&Referral>) =
        record.facts.referrals.iter().partition(|r| named.contains(r.source.target()));
    (incoming.first().map(|r| facts(r)), onward.into_iter().map(facts).collect())
}

fn caution(record: &Record<'_>) -> Caution {
    let facts = &record.facts;
    let done = |treatment: &&Treatment| treatment.left_alone.is_none();
    let first = facts.treatments.iter().find(done).map(|treatment| treatment.seen.at);
    let given = |consent: &&super::caution::Consent| consent.answer == Answer::Given;
    let before = |at: Moment| first.is_some_and(|first| not_after(at, first));
    Caution {
        screenings: facts.screenings.clone(),
        consents: facts.consents.clone(),
        adverse_events: facts.adverse_events.clone(),
        flags: facts.flags.clone(),
        blood_pressures: facts.blood_pressures.clone(),
        safety_tests: facts.safety_tests.clone(),
        screened_before_treatment: first
            .map(|_| facts.screenings.iter().any(|screening| before(screening.moment()))),
        completely_screened: first
            .map(|_| facts.screenings.iter().any(|s| s.is_complete() && before(s.moment()))),
        consent_before_treatment: first
            .map(|_| facts.consents.iter().filter(given).any(|consent| before(consent.moment()))),
    }
}

/// The time to the re-test of each kind of measurement.
fn retests(facts: &Facts) -> Vec<Retest> {
    let of = |about, seen: &mut dyn Iterator<Item = &Seen>| {
        let days: Vec<_> = seen.map(|seen| (seen.at.day, &seen.source)).collect();
        retest(about, &days, &facts.planned_retests)
    };
    let scores =
        |measure| facts.scores.iter().filter(move |r| r.measure == measure).map(|r| &r.seen);
    let measures = [Measure::Ndi, Measure::Nprs, Measure::Psfs];
    let scores = measures.into_iter().map(|m| of(about(m), &mut scores(m)));
    let others = [
        of("segmental-mobility", &mut facts.segments.iter().map(|r| &r.seen)),
        of("range-of-motion", &mut facts.ranges.iter().map(|r| &r.seen)),
        of("self-manipulation", &mut facts.habits.iter().map(|r| &r.seen)),
    ];
    scores.chain(others).flatten().collect()
}

/// What an episode should have and this one lacks.
fn missing(summary: &Summary) -> Vec<Gap> {
    let mut gaps = Vec::new();
    let mut gap = |kind, about: &str| gaps.push(Gap::missing(kind, about));
    for measure in [Measure::Ndi, Measure::Nprs, Measure::Psfs] {
        let of_measure = || summary.outcomes.iter().filter(move |o| o.measure == measure);
        if of_measure().next().is_none() {
            gap(GapKind::NotRecorded, about(measure));
        } else if of_measure().all(|outcome| outcome.latest.is_none()) {
            gap(GapKind::NotRepeated, about(measure));
        }
    }
    if summary.ranges.is_empty() {
        gap(GapKind::NotRecorded, "range-of-motion");
    } else if summary.ranges.iter().all(|range| range.latest.is_none()) {
        gap(GapKind::NotRepeated, "range-of-motion");
    }
    let segments = &summary.segments;
    if segments.cells.is_empty() {
        gap(GapKind::NotRecorded, "segmental-mobility");
    } else if segments.changes.iter().any(|c| c.class == ChangeClass::NotReassessed) {
        gap(GapKind::NotRepeated, "segmental-mobility");
    }
    let absent = [
        (summary.patient.is_none(), "patient"),
        (summary.habit.is_none(), "self-manipulation"),
        (summary.caution.screenings.is_empty(), "screening"),
        (summary.caution.consents.is_empty(), "consent"),
        (summary.caution.adverse_events.is_empty(), "adverse-event"),
        (summary.referral.is_none(), "referral"),
        (summary.problems.is_empty(), "problem"),
        (summary.dose.lines.is_empty(), "treatment"),
        (summary.course.start.is_none(), "period"),
        (summary.course.planned_visits.is_none(), "planned-visits"),
        (summary.course.end.is_some() && summary.course.end_reason.is_none(), "end-reason"),
    ];
    for (_, about) in absent.into_iter().filter(|(absent, _)| *absent) {
        gap(GapKind::NotRecorded, about);
    }
    if summary.habit.as_ref().is_some_and(|habit| habit.latest.is_none()) {
        gap(GapKind::NotRepeated, "self-manipulation");
    }
    gaps
}

/// Facts dated after the day of asking: they count, and it is said.
fn later_than(record: &Record<'_>, today: Day) -> Vec<Gap> {
    let facts = &record.facts;
    let seen = (facts.segments.iter().map(|r| &r.seen))
        .chain(facts.ranges.iter().map(|r| &r.seen))
        .chain(facts.scores.iter().map(|r| &r.seen))
        .chain(facts.habits.iter().map(|r| &r.seen))
        .chain(facts.treatments.iter().map(|r| &r.seen));
    let later = seen.filter(|seen| seen.at.day.since(today) > 1);
    later.map(|seen| Gap::at(GapKind::AfterSummary, "date", "", &seen.source)).collect()
}

fn all_sources(record: &Record<'_>, summary: &Summary) -> Vec<Source> {
    let facts = &record.facts;
    let parties = [&summary.patient, &summary.care_manager, &summary.organization];
    let all = (summary.episode.iter())
        .chain(parties.into_iter().flatten().map(|party| &party.source))
        .chain(facts.visits.iter().map(|visit| &visit.source))
        .chain(facts.segments.iter().map(|r| &r.seen.source))
        .chain(facts.ranges.iter().map(|r| &r.seen.source))
        .chain(facts.scores.iter().map(|r| &r.seen.source))
        .chain(facts.habits.iter().map(|r| &r.seen.source))
        .chain(facts.treatments.iter().map(|r| &r.seen.source))
        .chain(facts.screenings.iter().map(|r| &r.source))
        .chain(facts.consents.iter().map(|r| &r.source))
        .chain(facts.adverse_events.iter().map(|r| &r.source))
        .chain(facts.flags.iter().map(|r| &r.source))
        .chain(facts.blood_pressures.iter().map(|r| &r.source))
        .chain(facts.safety_tests.iter().map(|r| &r.source))
        .chain(facts.exercises.iter().map(|r| &r.source))
        .chain(facts.advice.iter().map(|r| &r.source))
        .chain(facts.problems.iter().map(|r| &r.source))
        .chain(facts.referrals.iter().map(|r| &r.source))
        .chain(facts.goals.iter().map(|r| &r.source))
        .chain(facts.activities.iter().map(|r| &r.source));
    sources(all)
}
