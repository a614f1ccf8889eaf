//! The course of an episode: visits, days, status, how it ended.
//!
//! Attended are visits in progress or finished; missed are cancelled ones whose recorded reason is
//! that the patient did not attend; the other cancelled ones are counted as cancelled. Days run
//! from the first day of the episode's period to its last, or to the day of the summary.

use serde::Serialize;

use crate::clinical::element::{at, own_code, own_extension, text, whole};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::source::{Day, Moment, Source};
use crate::fhir::Resource;

/// What became of a visit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Attendance {
    /// It took place, or is taking place.
    Attended,
    /// The patient did not attend.
    Missed,
    /// It was cancelled for another reason.
    Cancelled,
    /// It has not taken place yet.
    Planned,
}

/// One visit.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Visit {
    /// Its day, or the day it was planned for.
    pub day: Day,
    /// What became of it.
    pub attendance: Attendance,
    /// The Encounter.
    pub source: Source,
}

impl Visit {
    /// The visit of an Encounter; a gap where day or status cannot be read.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let source = Source::of(resource)?;
        let value = resource.value();
        let mut unreadable = |element: &str| {
            gaps.push(Gap::at(GapKind::NotReadable, "visit", element, &source));
        };
        let Some(moment) = text(value, "/period/start").and_then(Moment::parse) else {
            unreadable("Encounter.period.start");
            return None;
        };
        let reason = own_extension(value, "missed-visit-reason").and_then(|extension| {
            own_code(at(extension, "/valueCodeableConcept"), "missed-visit-reason")
        });
        let attendance = match (text(value, "/status").unwrap_or_default(), reason) {
            ("arrived" | "triaged" | "in-progress" | "onleave" | "finished", _) => {
                Attendance::Attended
            }
            ("planned", _) => Attendance::Planned,
            ("cancelled", Some("did-not-attend")) => Attendance::Missed,
            ("cancelled", _) => Attendance::Cancelled,
            _ => {
                unreadable("Encounter.status");
                return None;
            }
        };
        Some(Self { day: moment.day, attendance, source })
    }
}

/// The course of the episode.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Course {
    /// The episode's status, as the standard codes it.
    pub status: Option<String>,
    /// Our code of why it ended.
    pub end_reason: Option<String>,
    /// The first day of its period.
    pub start: Option<Day>,
    /// The last day of its period.
    pub end: Option<Day>,
    /// Days from the first to the last day, or to the day of the summary where it has not ended.
    pub days: Option<i64>,
    /// Visits that were planned for the whole episode.
    pub planned_visits: Option<u32>,
    /// Visits that took place.
    pub attended: usize,
    /// Visits that the patient did not attend.
    pub missed: usize,
    /// Visits cancelled for another reason.
    pub cancelled: usize,
    /// Visits that have not taken place yet.
    pub upcoming: usize,
    /// The first visit that took place.
    pub first_visit: Option<Day>,
    /// The latest visit that took place.
    pub latest_visit: Option<Day>,
    /// Days from the referral to the first visit that took place.
    pub days_to_first_visit: Option<i64>,
    /// Every visit, by day.
    pub visits: Vec<Visit>,
    /// The episode.
    pub source: Option<Source>,
}

/// The course, from the episode and its visits sorted by day.
pub fn course(episode: &Resource, visits: &[Visit], referred: Option<Day>, today: Day) -> Course {
    let value = episode.value();
    let day = |pointer| text(value, pointer).and_then(Day::parse);
    let (start, end) = (day("/period/start"), day("/period/end"));
    let of = |kind| visits.iter().filter(move |visit| visit.attendance == kind);
    let first_visit = of(Attendance::Attended).map(|visit| visit.day).next();
    let coded = own_extension(value, "episode-end-reason");
    let end_reason = coded
        .and_then(|reason| own_code(at(reason, "/valueCodeableConcept"), "episode-end-reason"));
    let planned = own_extension(value, "planned-visits");
    Course {
        status: text(value, "/status").map(str::to_owned),
        end_reason: end_reason.map(str::to_owned),
        start,
        end,
        days: start.map(|start| end.unwrap_or(today).since(start)),
        planned_visits: planned.and_then(|planned| whole(at(planned, "/valuePositiveInt"))),
        attended: of(Attendance::Attended).count(),
        missed: of(Attendance::Missed).count(),
        cancelled: of(Attendance::Cancelled).count(),
        upcoming: of(Attendance::Planned).count(),
        first_visit,
        latest_visit: of(Attendance::Attended).map(|visit| visit.day).next_back(),
        days_to_first_visit: first_visit
            .zip(referred)
            .map(|(first, referred)| first.since(referred)),
        visits: visits.to_vec(),
        source: Source::of(episode),
    }
}
