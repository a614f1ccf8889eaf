//! The record of one episode of care: typed facts, each with its source.
//!
//! From whatever resources are at hand, those of the episode are taken: resources of its patient
//! that name it (by the core extension `workflow-episodeOfCare`, or by our `episode-link` where the
//! core extension is not allowed), that belong to one of its visits, or that it names itself. What
//! was entered in error, and what an Observation calls cancelled, never counts. The order in which
//! resources come makes no difference, nor do resources of other episodes.
//! Not done here: no computation, no reading from anywhere.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use crate::clinical::caution::{AdverseEvent, BloodPressure, Consent, Flag, SafetyTest, Screening};
use crate::clinical::course::Visit;
use crate::clinical::dose::Treatment;
use crate::clinical::element::{LOINC, Target, at, code_in, items, own_extension, target, text};
use crate::clinical::exercise::{Advice, Exercise};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::outcome::Measure;
use crate::clinical::people::{
    Activity, Goal, Party, Problem, Referral, activities, finding, mark_replaced,
};
use crate::clinical::segment::episode_link;
use crate::clinical::source::Source;
use crate::clinical::{habit, outcome, range, retest, segment};
use crate::fhir::{Instant, Resource};

/// Resources as they were stored at a moment: of each the latest version until then, whatever came
/// later left out. `versions` may hold any versions in any order; a resource that was deleted by
/// then must be left out by who knows of it, as a deletion is no version of a resource.
///
/// This is what recomputing a summary as of a moment takes; a summary itself leaves out nothing that
/// it is given.
pub fn as_stored(versions: &[Resource], at: Instant) -> Vec<Resource> {
    let until = |resource: &&Resource| {
        let updated = text(resource.value(), "/meta/lastUpdated").and_then(Instant::parse);
        updated.is_none_or(|updated| updated <= at)
    };
    let mut latest: BTreeMap<Target, &Resource> = BTreeMap::new();
    for resource in versions.iter().filter(until) {
        let Some(source) = Source::of(resource) else { continue };
        let entry = latest.entry(source.target().clone()).or_insert(resource);
        if version(resource) > version(entry) {
            *entry = resource;
        }
    }
    latest.into_values().cloned().collect()
}

/// The facts of one episode, and the resources they come from.
#[derive(Debug)]
pub struct Record<'a> {
    pub(super) episode: &'a Resource,
    pub(super) facts: Facts,
    at_hand: BTreeMap<Target, &'a Resource>,
}

/// The typed facts, each list sorted by moment and source.
#[derive(Debug, Default)]
pub(super) struct Facts {
    pub visits: Vec<Visit>,
    pub segments: Vec<segment::Reading>,
    pub ranges: Vec<range::Reading>,
    pub scores: Vec<outcome::Reading>,
    pub habits: Vec<habit::Reading>,
    pub treatments: Vec<Treatment>,
    pub screenings: Vec<Screening>,
    pub consents: Vec<Consent>,
    pub adverse_events: Vec<AdverseEvent>,
    pub flags: Vec<Flag>,
    pub blood_pressures: Vec<BloodPressure>,
    pub safety_tests: Vec<SafetyTest>,
    pub exercises: Vec<Exercise>,
    pub advice: Vec<Advice>,
    pub problems: Vec<Problem>,
    pub referrals: Vec<Referral>,
    pub goals: Vec<Goal>,
    pub activities: Vec<Activity>,
    pub planned_retests: Vec<retest::Planned>,
    pub gaps: Vec<Gap>,
}

impl<'a> Record<'a> {
    /// The record of an `EpisodeOfCare` from resources at hand: those of its patient, and those that
    /// they name (practitioners, organisations). Of several versions of a resource the latest
    /// counts.
    pub fn build(episode: &'a Resource, resources: &'a [Resource]) -> Self {
        let mut at_hand: BTreeMap<Target, &Resource> = BTreeMap::new();
        for resource in resources.iter().chain([episode]) {
            let Some(source) = Source::of(resource) else { continue };
            let entry = at_hand.entry(source.target().clone()).or_insert(resource);
            if version(resource) > version(entry) {
                *entry = resource;
            }
        }
        let members = Members::of(episode, &at_hand);
        let mut facts = Facts::default();
        for resource in members.resources() {
            facts.read(resource);
        }
        facts.sort();
        mark_replaced(&mut facts.activities, &members.replaced_plans());
        Self { episode, facts, at_hand }
    }

    /// The resource of a target, if it is at hand and was not entered in error.
    pub fn resource(&self, target: &Target) -> Option<&'a Resource> {
        self.at_hand.get(target).copied().filter(|resource| counts(resource))
    }

    /// The episode's resource.
    pub fn episode(&self) -> &'a Resource {
        self.episode
    }

    /// The party that a reference within the episode names.
    pub(super) fn party(&self, pointer: &str) -> Option<Party> {
        self.party_of(target(self.episode.value(), pointer).as_ref())
    }

    /// The party of a target; through a `PractitionerRole`, its practitioner.
    pub fn party_of(&self, wanted: Option<&Target>) -> Option<Party> {
        let resource = self.resource(wanted?)?;
        if resource.kind().as_str() == "PractitionerRole" {
            let practitioner = target(resource.value(), "/practitioner")?;
            return Party::of(self.resource(&practitioner)?);
        }
        Party::of(resource)
    }

    /// The patient's target, as the episode names it.
    pub fn patient(&self) -> Option<Target> {
        target(self.episode.value(), "/patient")
    }
}

fn version(resource: &Resource) -> u64 {
    let text = text(resource.value(), "/meta/versionId");
    text.and_then(|version| version.parse().ok()).unwrap_or_default()
}

/// Whether a resource counts at all: not entered in error, not a cancelled Observation.
fn counts(resource: &Resource) -> bool {
    let value = resource.value();
    let status = |pointer| text(value, pointer).unwrap_or_default();
    let error = "entered-in-error";
    let verified = items(value, "/verificationStatus/coding")
        .all(|coding| text(coding, "/code").unwrap_or_default() != error);
    let cancelled = resource.kind().as_str() == "Observation" && status("/status") == "cancelled";
    verified && status("/status") != error && status("/lifecycleStatus") != error && !cancelled
}

/// The resources of one episode.
struct Members<'a> {
    resources: BTreeMap<Target, &'a Resource>,
}

impl<'a> Members<'a> {
    fn of(episode: &'a Resource, at_hand: &BTreeMap<Target, &'a Resource>) -> Self {
        let mut members = Self { resources: BTreeMap::new() };
        let Some(own) = Source::of(episode).map(|source| source.target().clone()) else {
            return members;
        };
        let patient = target(episode.value(), "/patient");
        let same_patient = |value: &Value| {
            let subject = target(value, "/subject").or_else(|| target(value, "/patient"));
            subject.is_none() || subject == patient
        };
        let eligible: Vec<(&Target, &'a Resource)> = at_hand
            .iter()
            .filter(|(_, resource)| counts(resource) && same_patient(resource.value()))
            .map(|(target, resource)| (target, *resource))
            .collect();
        let of_episode = |value: &Value| {
            items(value, "/episodeOfCare").any(|link| target(link, "") == Some(own.clone()))
        };
        let visits: BTreeSet<&Target> = eligible
            .iter()
            .filter(|(target, resource)| target.is("Encounter") && of_episode(resource.value()))
            .map(|(target, _)| *target)
            .collect();
        let named = named_by_episode(episode.value());
        for (target, resource) in &eligible {
            let link = Link::of(resource.value());
            let member = match &link.episode {
                Some(episode) => *episode == own,
                None => link.visit.is_some_and(|visit| visits.contains(&visit)),
            };
            if member || visits.contains(target) || named.contains(target) {
                members.resources.insert((*target).clone(), resource);
            }
        }
        members.add_goals(&eligible);
        members
    }

    /// The goals that a plan of the episode lists.
    fn add_goals(&mut self, eligible: &[(&Target, &'a Resource)]) {
        let plans = self.resources.iter().filter(|(target, _)| target.is("CarePlan"));
        let goals: BTreeSet<Target> = plans
            .flat_map(|(_, plan)| items(plan.value(), "/goal"))
            .filter_map(|goal| target(goal, ""))
            .collect();
        for (target, resource) in eligible {
            if target.is("Goal") && goals.contains(target) {
                self.resources.insert((*target).clone(), resource);
            }
        }
    }

    /// The plans whose place another plan of the episode took.
    fn replaced_plans(&self) -> BTreeSet<Target> {
        let plans = self.resources.iter().filter(|(target, _)| target.is("CarePlan"));
        let replaced = plans.flat_map(|(_, plan)| items(plan.value(), "/replaces"));
        replaced.filter_map(|plan| target(plan, "")).collect()
    }

    fn resources(&self) -> impl Iterator<Item = &'a Resource> {
        self.resources.values().copied()
    }
}

/// How a resource says where it belongs.
struct Link {
    episode: Option<Target>,
    visit: Option<Target>,
}

impl Link {
    fn of(value: &Value) -> Self {
        let own = own_extension(value, "episode-link");
        let episode =
            episode_link(value).or_else(|| own.and_then(|link| target(link, "/valueReference")));
        let visit = target(value, "/encounter").or_else(|| target(value, "/context"));
        Self { episode, visit }
    }
}

/// Problems and referrals that the episode names itself.
fn named_by_episode(episode: &Value) -> BTreeSet<Target> {
    let problems = items(episode, "/diagnosis").filter_map(|d| target(d, "/condition"));
    let referrals = items(episode, "/referralRequest").filter_map(|r| target(r, ""));
    problems.chain(referrals).collect()
}

impl Facts {
    fn read(&mut self, resource: &Resource) {
        let gaps = &mut self.gaps;
        match resource.kind().as_str() {
            "Encounter" => self.visits.extend(Visit::of(resource, gaps)),
            "Observation" => self.read_observation(resource),
            "Procedure" if Exercise::is(resource.value()) => {
                self.exercises.extend(Exercise::of(resource, gaps));
            }
            "Procedure" => self.treatments.extend(Treatment::of(resource, gaps)),
            "Communication" if Advice::is(resource.value()) => {
                self.advice.extend(Advice::of(resource, gaps));
            }
            "Consent" => self.consents.extend(Consent::of(resource, gaps)),
            "AdverseEvent" => self.adverse_events.extend(AdverseEvent::of(resource)),
            "Flag" => self.flags.extend(Flag::of(resource)),
            "Condition" => self.problems.extend(Problem::of(resource)),
            "ServiceRequest" => self.referrals.extend(Referral::of(resource)),
            "Goal" => self.goals.extend(Goal::of(resource)),
            "CarePlan" => {
                self.activities.extend(activities(resource));
                let plan = |source: Source| retest::planned(resource.value(), &source);
                self.planned_retests.extend(Source::of(resource).into_iter().flat_map(plan));
            }
            _ => self.not_used(resource, "other"),
        }
    }

    fn read_observation(&mut self, resource: &Resource) {
        let value = resource.value();
        let gaps = &mut self.gaps;
        let code = at(value, "/code");
        if let Some(measure) = Measure::of_code(code) {
            self.scores.extend(outcome::Reading::of(resource, measure, gaps));
            return;
        }
        match finding(value) {
            Some("segmental-mobility") => {
                self.segments.extend(segment::Reading::of(resource, gaps));
            }
            Some("self-manipulation-frequency") => {
                self.habits.extend(habit::Reading::of(resource, gaps));
            }
            Some("red-flag-screening") => self.screenings.extend(Screening::of(resource, gaps)),
            Some("segmental-examination") => {}
            Some(direction) if range::is_direction(direction) => {
                self.ranges.extend(range::Reading::of(resource, gaps));
            }
            None if SafetyTest::code(value).is_some() => {
                self.safety_tests.extend(SafetyTest::of(resource, gaps));
            }
            None if code_in(code, LOINC) == Some("85354-9") => {
                self.blood_pressures.extend(BloodPressure::of(resource, gaps));
            }
            _ => self.not_used(resource, "observation"),
        }
    }

    /// Notes a member of the episode that no computation uses.
    fn not_used(&mut self, resource: &Resource, about: &str) {
        if let Some(source) = Source::of(resource) {
            let place = resource.kind().as_str();
            self.gaps.push(Gap::at(GapKind::NotUsed, about, place, &source));
        }
    }

    fn sort(&mut self) {
        self.visits.sort();
        self.segments.sort();
        self.ranges.sort();
        self.scores.sort_by(|a, b| a.seen.cmp(&b.seen));
        self.habits.sort();
        self.treatments.sort();
        self.screenings.sort_by_key(|screening| (screening.moment(), screening.source.clone()));
        self.consents.sort_by_key(|consent| (consent.moment(), consent.source.clone()));
        self.adverse_events.sort();
        self.flags.sort();
        self.blood_pressures.sort();
        self.safety_tests.sort();
        self.exercises.sort();
        self.advice.sort();
        self.referrals.sort();
        self.planned_retests.extend(retest::planned_by_goals(&self.goals));
        self.planned_retests.sort();
    }
}
