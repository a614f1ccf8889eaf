//! One patient's records: the script of each episode, told by one file for each part of it.

use serde_json::{Map, Value, json};
use time::Date;
use time::format_description::well_known::Iso8601;

use super::element::{date, episode_extension, later, moment, reference, resource, with};
use super::people::{organisation, patient, patient_id, practitioner};
use super::random::Random;
use super::setting::{Person, Place, Problem, Setting};
use super::{Fault, Records, course, findings, letter, safety, scores, treatment};

/// One visit of the script.
#[derive(Clone, Copy, Debug)]
pub(super) struct Visit {
    /// From 1.
    pub(super) number: usize,
    pub(super) day: Date,
    /// The minute of the day when it begins.
    pub(super) minute: i64,
}

/// How the episode goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Fate {
    /// To its planned end.
    Completed,
    /// The patient stays away.
    DropsOut,
    /// The patient ends it.
    Leaves,
    /// A screening is positive at the first visit.
    RedFlag,
    /// It goes on.
    Open,
}

/// One side of a segment, as it is at the start: a grade from 0 to 6.
#[derive(Clone, Debug)]
pub(super) struct Site {
    pub(super) segment: String,
    pub(super) side: &'static str,
    pub(super) grade: i64,
    /// Whether it stands in the first map.
    pub(super) mapped: bool,
}

/// An episode while it is written.
pub(super) struct Case<'a> {
    pub(super) setting: &'a Setting,
    pub(super) random: Random,
    pub(super) seed: u64,
    /// The start of all ids of this episode.
    pub(super) id: String,
    pub(super) patient: String,
    pub(super) episode: String,
    pub(super) therapist: &'a Person,
    pub(super) site: &'a Place,
    pub(super) problem: &'a Problem,
    pub(super) fate: Fate,
    pub(super) visits: Vec<Visit>,
    /// The last day, where the episode ended.
    pub(super) end: Option<Date>,
    pub(super) referred: bool,
    pub(super) sites: Vec<Site>,
    /// The share of the trouble that is gone at the end.
    pub(super) gain: f64,
    pub(super) records: Records,
}

impl<'a> Case<'a> {
    /// The records of a patient.
    ///
    /// # Errors
    /// [`Fault::Lacks`] for a setting in which something is empty.
    pub(super) fn records(setting: &'a Setting, seed: u64, number: u64) -> Result<Records, Fault> {
        let mut random = Random::of(seed, number);
        let first_day = Date::parse(&setting.first_day, &Iso8601::DATE)
            .map_err(|_| Fault::Lacks("a first day"))?;
        let site = random.weighted(&setting.sites, |site| site.weight);
        let site = site.ok_or(Fault::Lacks("a site"))?;
        let mut records = Records::default();
        records.first.push(patient(setting, &mut random, (seed, number), site, first_day));
        let episodes = if random.happens(setting.rates.second_episode) { 2 } else { 1 };
        let mut start = later(first_day, random.whole(0, setting.days));
        for episode in 1..=episodes {
            let id = format!("{}-e{episode}", patient_id(seed, number));
            let case = Case::new(setting, random.clone(), (seed, number), (id, site), start)?;
            let (written, after) = case.written();
            records.first.extend(written.first);
            records.later.extend(written.later);
            random = after;
            start = later(start, random.whole(150, 300));
        }
        Ok(records)
    }

    fn new(
        setting: &'a Setting,
        mut random: Random,
        (seed, number): (u64, u64),
        (id, site): (String, &'a Place),
        start: Date,
    ) -> Result<Self, Fault> {
        let here: Vec<&Person> =
            setting.therapists.iter().filter(|person| person.site == site.id).collect();
        let therapist = random.weighted(&here, |person| person.weight);
        let problem = random.weighted(&setting.problems, |problem| problem.weight);
        let rates = &setting.rates;
        let fates = [
            (Fate::RedFlag, rates.red_flag),
            (Fate::DropsOut, rates.drop_out),
            (Fate::Leaves, rates.self_discharge),
            (Fate::Open, rates.still_open),
        ];
        let fate = fates.into_iter().find(|(_, rate)| random.happens(*rate));
        let therapist = *therapist.ok_or(Fault::Lacks("a therapist of each site"))?;
        let gain = 0.45 + therapist.gain + random.normal() * 0.28;
        let mut case = Self {
            setting,
            seed,
            patient: format!("Patient/{}", patient_id(seed, number)),
            episode: format!("EpisodeOfCare/{id}"),
            id,
            therapist,
            site,
            problem: problem.ok_or(Fault::Lacks("a problem"))?,
            fate: fate.map_or(Fate::Completed, |(fate, _)| fate),
            visits: Vec::new(),
            end: None,
            referred: !random.happens(rates.self_referral),
            sites: Vec::new(),
            gain: gain.clamp(-0.3, 0.95),
            records: Records::default(),
            random,
        };
        course::plan(&mut case, start);
        case.sites = findings::sites(&mut case);
        Ok(case)
    }

    /// Writes all resources, and gives back the source of numbers.
    fn written(mut self) -> (Records, Random) {
        course::write(&mut self);
        safety::write(&mut self);
        scores::write(&mut self);
        findings::write(&mut self);
        treatment::write(&mut self);
        letter::write(&mut self);
        (self.records, self.random)
    }

    /// Whether something of that rate happens.
    pub(super) fn happens(&mut self, rate: f64) -> bool {
        self.random.happens(rate)
    }

    /// Whether the therapist records what should be recorded.
    pub(super) fn careful(&mut self) -> bool {
        self.random.happens(self.therapist.care)
    }

    /// The reference to the therapist.
    pub(super) fn therapist(&self) -> Value {
        reference(&format!("Practitioner/{}", practitioner(self.seed, &self.therapist.id)))
    }

    /// The reference to the site.
    pub(super) fn organisation(&self) -> Value {
        reference(&format!("Organization/{}", organisation(self.seed, &self.site.id)))
    }

    /// The first and the last visit that took place.
    pub(super) fn ends(&self) -> Option<(Visit, Visit)> {
        Some((*self.visits.first()?, *self.visits.last()?))
    }

    /// The reference to a visit.
    pub(super) fn encounter(&self, visit: Visit) -> Value {
        reference(&format!("Encounter/{}-v{}", self.id, visit.number))
    }

    /// A resource of this episode.
    pub(super) fn resource(&self, kind: &str, name: &str, profiles: &[&str]) -> Map<String, Value> {
        resource(kind, &format!("{}-{name}", self.id), profiles)
    }

    /// Adds a resource.
    pub(super) fn put(&mut self, resource: Value) {
        self.records.first.push(resource);
    }

    /// An Observation at a visit, so many minutes after it began, without its value.
    pub(super) fn observation(
        &self,
        (visit, minutes): (Visit, i64),
        name: &str,
        profiles: &[&str],
        (category, code): (&str, Value),
    ) -> Map<String, Value> {
        let mut observation =
            self.resource("Observation", &format!("v{}-{name}", visit.number), profiles);
        let members = json!({
            "extension": [episode_extension(&self.episode)],
            "status": "final",
            "category": super::people::category(category),
            "code": code,
            "subject": reference(&self.patient),
            "encounter": self.encounter(visit),
            "effectiveDateTime": moment(visit.day, visit.minute + minutes),
            "performer": [self.therapist()],
        });
        if let Value::Object(members) = members {
            observation.extend(members);
        }
        observation
    }

    /// Adds an Observation that is sometimes corrected or withdrawn later.
    ///
    /// `wrong` is what the value was at first where it was corrected.
    pub(super) fn put_score(
        &mut self,
        observation: Map<String, Value>,
        value: Value,
        wrong: Value,
    ) {
        let right = with(observation.clone(), value);
        if self.random.happens(self.setting.rates.amended) {
            let mut amended = right;
            if let Some(status) = amended.get_mut("status") {
                *status = json!("amended");
            }
            self.records.first.push(with(observation, wrong));
            self.records.later.push(amended);
        } else {
            self.put(right);
        }
    }

    /// Marks the resource put last as entered in error, by a later version.
    pub(super) fn withdraw_last(&mut self) {
        let Some(mut last) = self.records.first.last().cloned() else { return };
        if let Some(status) = last.get_mut("status") {
            *status = json!("entered-in-error");
            self.records.later.push(last);
        }
    }

    /// The first day as a date.
    pub(super) fn start(&self) -> Option<String> {
        self.visits.first().map(|visit| date(visit.day))
    }
}
