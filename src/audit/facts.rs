//! What an audit asks of one episode: a small part of its summary, kept by itself.
//!
//! Everything here is computed by `clinical`; nothing is judged anew, so that a letter and an audit
//! cannot disagree. Numbers of patients stay exact in `clinical`; here they are binary floating
//! point, for statistics. No names, no birth dates: the references lead back to the record.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::clinical::caution::AdverseEvent;
use crate::clinical::consistency::FindingKind;
use crate::clinical::course::{Attendance, Visit};
use crate::clinical::dose::Technique;
use crate::clinical::element::text;
use crate::clinical::number::Number;
use crate::clinical::outcome::{Measure, Outcome};
use crate::clinical::people::{Party, Referral};
use crate::clinical::segment::Class;
use crate::clinical::source::{Day, Source};
use crate::clinical::{Record, Summary};
use crate::fhir::Resource;

/// Days between two scores below which the second is no outcome (common practice, no source).
const APART: i64 = 7;

/// The facts of one episode.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
pub struct Facts {
    /// The episode, as `EpisodeOfCare/id`.
    pub episode: String,
    /// The patient, as a reference.
    pub patient: Option<String>,
    /// The care manager's practitioner, as a reference.
    pub practitioner: Option<String>,
    /// The managing organisation, as a reference.
    pub site: Option<String>,
    /// Who referred, as a reference; none where nobody did or nobody is recorded.
    pub referrer: Option<String>,
    /// Whether a referral is recorded.
    pub referred: bool,
    /// First day.
    pub start: Option<Day>,
    /// Last day; none while it goes on.
    pub end: Option<Day>,
    /// Why it ended, as our code.
    pub end_reason: Option<String>,
    /// Age in whole years at the start.
    pub age: Option<i64>,
    /// Administrative gender as recorded.
    pub sex: Option<String>,
    /// Visits that took place.
    pub attended: u32,
    /// Visits that the patient did not attend.
    pub missed: u32,
    /// Visits that were cancelled.
    pub cancelled: u32,
    /// The Neck Disability Index in percent; lower is better.
    pub disability: Option<Pair>,
    /// Pain from 0 to 10; lower is better.
    pub pain: Option<Pair>,
    /// The patient-specific function score from 0 to 10; higher is better.
    pub function: Option<Pair>,
    /// The band of the first disability score.
    pub severity: Option<String>,
    /// Whether anything was treated by hand.
    pub treated: bool,
    /// Whether a thrust was made.
    pub thrust: bool,
    /// Whether a complete screening is recorded before the first treatment; none without one.
    pub screened: Option<bool>,
    /// Whether consent is recorded as given before the first treatment; none without one.
    pub consented: Option<bool>,
    /// Whether screening and consent are recorded before each thrust; none without a thrust.
    pub thrust_prepared: Option<bool>,
    /// Treated segments and sides, each treatment by itself; soft tissue is not counted.
    pub sites: u32,
    /// Those of them that no assessment precedes.
    pub sites_not_assessed: u32,
    /// Those graded loose at their latest assessment.
    pub sites_loose: u32,
    /// Those graded normal, or stiff on the other side only.
    pub sites_not_stiff: u32,
    /// Whether a segment was found loose at any time.
    pub loose_found: bool,
    /// Segments, sides and tests of the first map.
    pub mapped: u32,
    /// Those of them that were graded again on a later day.
    pub mapped_again: u32,
    /// Measurements with a planned day of re-test.
    pub retests_planned: u32,
    /// Those of them that were taken by that day.
    pub retests_on_time: u32,
    /// Self-manipulation, times a day, at first.
    pub habit_first: Option<f64>,
    /// The latest count on a later day.
    pub habit_latest: Option<f64>,
    /// Adverse events recorded.
    pub adverse_events: u32,
    /// Those of them recorded as severe.
    pub severe_events: u32,
    /// Whether a screening item was positive.
    pub red_flag: bool,
    /// Whether a referral out of the episode stands on the day of the first positive screening.
    pub red_flag_referred: bool,
    /// Whether an urgent referral was made on the day of the first visit.
    pub referred_at_once: bool,
    /// Goals that were not cancelled and have an achievement, and those achieved.
    pub goals: (u32, u32),
    /// The day of the first signed letter.
    pub letter: Option<Day>,
}

/// A score at the start, and the same score later.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Pair {
    /// Whether the first score was taken by the day of the second visit.
    pub at_start: bool,
    /// The first score.
    pub first: f64,
    /// The latest score at least a week later that can be compared with the first.
    pub latest: Option<f64>,
    /// Whether the improvement meets the important change; none without a pair.
    pub improved: Option<bool>,
    /// Whether it meets the detectable change too; none where the threshold set has none.
    pub past_error: Option<bool>,
    /// Whether the first score leaves room for the important change; none without a pair.
    pub room: Option<bool>,
}

impl Facts {
    /// The facts of an episode from its record, its summary, and the `DocumentReference`s of its
    /// signed letters.
    pub fn of(record: &Record<'_>, summary: &Summary, letters: &[Resource]) -> Self {
        let mut facts = Self {
            episode: summary.episode.as_ref().map(reference).unwrap_or_default(),
            patient: record.patient().map(|patient| patient.to_string()),
            practitioner: summary.care_manager.as_ref().map(party),
            site: summary.organization.as_ref().map(party),
            letter: letters.iter().filter_map(signed_on).min(),
            ..Self::default()
        };
        facts.take_course(summary);
        facts.take_scores(summary);
        facts.take_treatment(summary);
        facts.take_caution(summary);
        facts
    }

    /// Days from the first to the last day; none while the episode goes on.
    pub fn days(&self) -> Option<i64> {
        Some(self.end?.since(self.start?))
    }

    fn take_course(&mut self, summary: &Summary) {
        let course = &summary.course;
        self.start = course.start;
        self.end = course.end;
        self.end_reason.clone_from(&course.end_reason);
        self.attended = count(course.attended);
        self.missed = count(course.missed);
        self.cancelled = count(course.cancelled);
        self.referred = summary.referral.is_some();
        let requester = summary.referral.as_ref().and_then(|facts| facts.requester.as_ref());
        self.referrer = requester.map(party);
        let patient = summary.patient.as_ref();
        self.sex = patient.and_then(|patient| patient.gender.clone());
        let born = patient.and_then(|patient| Day::parse(patient.birth_date.as_deref()?));
        self.age = born.zip(course.start).and_then(|(born, start)| age(born, start));
        let urgent = |referral: &Referral| {
            matches!(referral.priority.as_deref(), Some("urgent" | "asap" | "stat"))
                && referral.day.is_some()
                && referral.day == course.first_visit
        };
        self.referred_at_once = summary.onward.iter().any(|onward| urgent(&onward.referral));
        let judged = summary.goals.iter().filter(|goal| {
            goal.lifecycle.as_deref() != Some("cancelled") && goal.achievement.is_some()
        });
        let achieved =
            judged.clone().filter(|goal| goal.achievement.as_deref() == Some("achieved"));
        self.goals = (count(judged.count()), count(achieved.count()));
    }

    fn take_scores(&mut self, summary: &Summary) {
        let attended = |visit: &&Visit| visit.attendance == Attendance::Attended;
        // The day of the second visit, or of the only one.
        let by = summary.course.visits.iter().filter(attended).take(2).last();
        let by = by.map(|visit| visit.day);
        // Pain ratings of different kinds are different measures; the plain rating is the outcome.
        let find = |measure| {
            let mut found = summary.outcomes.iter().filter(move |o| o.measure == measure);
            found.find(|outcome| outcome.kind.is_none_or(|kind| kind == "pain-now"))
        };
        self.disability = find(Measure::Ndi).map(|outcome| Pair::of(outcome, by));
        self.pain = find(Measure::Nprs).map(|outcome| Pair::of(outcome, by));
        self.function = find(Measure::Psfs).map(|outcome| Pair::of(outcome, by));
        self.severity = find(Measure::Ndi).and_then(|o| o.first.band).map(str::to_owned);
        let habit = summary.habit.as_ref();
        self.habit_first = habit.map(|habit| real(habit.first.per_day));
        self.habit_latest = habit.and_then(|habit| habit.latest).map(|latest| real(latest.per_day));
    }

    fn take_treatment(&mut self, summary: &Summary) {
        let lines = || summary.dose.lines.iter();
        let held = || lines().filter(|line| line.technique != Technique::SoftTissue);
        self.treated = lines().next().is_some();
        self.thrust = lines().any(|line| line.technique == Technique::Thrust);
        self.sites = count(held().count());
        let findings = |kind| count(summary.findings.iter().filter(|f| f.kind == kind).count());
        self.sites_not_assessed = findings(FindingKind::TreatedNotAssessed);
        self.sites_loose = findings(FindingKind::HypermobileTreated);
        self.sites_not_stiff =
            findings(FindingKind::NormalTreated) + findings(FindingKind::OtherSideStiff);
        let unprepared = findings(FindingKind::ThrustBeforeScreening)
            + findings(FindingKind::ThrustBeforeConsent);
        self.thrust_prepared = self.thrust.then_some(unprepared == 0);
        let map = &summary.segments;
        self.loose_found = map
            .cells
            .iter()
            .any(|cell| cell.mobility.is_some_and(|m| m.class == Class::Hypermobile));
        let first_day = map.changes.iter().map(|change| change.first.day).min();
        let mapped = || map.changes.iter().filter(|c| Some(c.first.day) == first_day);
        self.mapped = count(mapped().count());
        self.mapped_again = count(mapped().filter(|change| change.latest.is_some()).count());
        let planned = || summary.retests.iter().filter(|retest| retest.planned_by.is_some());
        self.retests_planned = count(planned().count());
        let on_time = planned().filter(|r| r.again.is_some() && r.again <= r.planned_by);
        self.retests_on_time = count(on_time.count());
    }

    fn take_caution(&mut self, summary: &Summary) {
        let caution = &summary.caution;
        self.screened = caution.completely_screened;
        self.consented = caution.consent_before_treatment;
        self.adverse_events = count(caution.adverse_events.len());
        let severe = |event: &&AdverseEvent| event.severity.as_deref() == Some("severe");
        self.severe_events = count(caution.adverse_events.iter().filter(severe).count());
        let positive = caution.screenings.iter().find(|screening| !screening.positive.is_empty());
        self.red_flag = positive.is_some();
        self.red_flag_referred = positive.is_some_and(|screening| {
            summary.onward.iter().any(|onward| onward.referral.day == Some(screening.day))
        });
    }
}

impl Pair {
    fn of(outcome: &Outcome, by: Option<Day>) -> Self {
        let first_day = outcome.first.day;
        let latest = outcome
            .latest
            .as_ref()
            .filter(|latest| outcome.improvement.is_some() && latest.day.since(first_day) >= APART);
        let judgement = outcome.judgement.as_ref().filter(|_| latest.is_some());
        let past = |detectable: Number| outcome.improvement.is_some_and(|by| by >= detectable);
        Self {
            at_start: by.is_some_and(|by| first_day <= by),
            first: real(outcome.first.value),
            latest: latest.map(|latest| real(latest.value)),
            improved: judgement.map(|judgement| judgement.responder),
            past_error: judgement.and_then(|j| Some(j.responder && past(j.detectable?))),
            room: judgement.map(|judgement| !judgement.no_room),
        }
    }

    /// Latest minus first.
    pub fn change(&self) -> Option<f64> {
        Some(self.latest? - self.first)
    }
}

fn reference(source: &Source) -> String {
    source.target().to_string()
}

fn party(party: &Party) -> String {
    reference(&party.source)
}

/// The day of a signed letter, of whatever standing it is now.
fn signed_on(letter: &Resource) -> Option<Day> {
    let value: &Value = letter.value();
    let signed = text(value, "/docStatus") == Some("final")
        && text(value, "/status") != Some("entered-in-error");
    text(value, "/date").filter(|_| signed).and_then(Day::parse)
}

/// Whole years from a birth to a later day.
fn age(born: Day, on: Day) -> Option<i64> {
    let had_birthday = (on.0.month() as u8, on.0.day()) >= (born.0.month() as u8, born.0.day());
    let years = i64::from(on.0.year() - born.0.year()) - i64::from(!had_birthday);
    (years >= 0).then_some(years)
}

fn real(number: Number) -> f64 {
    use rust_decimal::prelude::ToPrimitive as _;
    number.get().to_f64().unwrap_or(f64::NAN)
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}
