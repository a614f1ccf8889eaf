//! People, organisations, referrals, problems, goals and plans, as a letter names them.

use std::collections::BTreeSet;

use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{OWN, Target, at, items, own_code, target, text, words};
use crate::clinical::goal;
use crate::clinical::segment::{Segment, Side};
use crate::clinical::source::{Day, Source};
use crate::fhir::Resource;

/// A person or an organisation.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Party {
    /// The name, as recorded.
    pub name: String,
    /// Identifiers, as recorded.
    pub identifiers: Vec<String>,
    /// Lines of the postal address.
    pub address: Vec<String>,
    /// Telephone numbers and mail addresses.
    pub contact: Vec<String>,
    /// Birth date, for a patient.
    pub birth_date: Option<String>,
    /// Administrative gender, for a patient.
    pub gender: Option<String>,
    /// Profession, for a practitioner.
    pub profession: Option<String>,
    /// The resource.
    pub source: Source,
}

impl Party {
    /// The party of a Patient, Practitioner or Organization.
    pub fn of(resource: &Resource) -> Option<Self> {
        let value = resource.value();
        let own = |pointer| text(value, pointer).map(str::to_owned);
        let values = |pointer| {
            let found = items(value, pointer).filter_map(|item| text(item, "/value"));
            found.map(str::to_owned).collect()
        };
        Some(Self {
            name: own("/name").or_else(|| human_name(value)).unwrap_or_default(),
            identifiers: values("/identifier"),
            address: address(at(value, "/address/0")),
            contact: values("/telecom"),
            birth_date: own("/birthDate"),
            gender: own("/gender"),
            profession: words(at(value, "/qualification/0/code")).map(str::to_owned),
            source: Source::of(resource)?,
        })
    }
}

fn human_name(value: &Value) -> Option<String> {
    let official = |name: &&Value| text(name, "/use") == Some("official");
    let name = items(value, "/name").find(official).or_else(|| items(value, "/name").next())?;
    if let Some(whole) = text(name, "/text") {
        return Some(whole.to_owned());
    }
    let parts = ["/prefix", "/given"].into_iter().flat_map(|part| items(name, part));
    let mut words: Vec<&str> = parts.filter_map(Value::as_str).collect();
    words.extend(text(name, "/family"));
    (!words.is_empty()).then(|| words.join(" "))
}

fn address(address: &Value) -> Vec<String> {
    if let Some(whole) = text(address, "/text") {
        return whole.lines().map(str::to_owned).collect();
    }
    let lines = items(address, "/line").filter_map(Value::as_str).map(str::to_owned);
    let town = ["/postalCode", "/city"].into_iter().filter_map(|part| text(address, part));
    let town = town.collect::<Vec<_>>().join(" ");
    lines.chain([town]).filter(|line| !line.is_empty()).collect()
}

/// A referral into the episode or out of it.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Referral {
    /// When it was written, where recorded.
    pub day: Option<Day>,
    /// Its identifiers, verbatim.
    pub identifiers: Vec<String>,
    /// What is asked for, in the record's words.
    pub service: Option<String>,
    /// Urgency as recorded: routine, urgent, asap, stat.
    pub priority: Option<String>,
    /// Reasons, in the record's words.
    pub reasons: Vec<String>,
    /// Notes and questions, in the record's words.
    pub notes: Vec<String>,
    /// Who asks.
    #[serde(skip)]
    pub requester: Option<Target>,
    /// Who is asked.
    #[serde(skip)]
    pub performer: Option<Target>,
    /// Who is asked, in the words of the referral.
    #[serde(skip)]
    pub performer_name: Option<String>,
    /// The `ServiceRequest`.
    pub source: Source,
}

impl Referral {
    /// The referral of a `ServiceRequest`; none of one that was never sent or was withdrawn.
    pub fn of(resource: &Resource) -> Option<Self> {
        let value = resource.value();
        let status = text(value, "/status").unwrap_or_default();
        if ["draft", "revoked"].contains(&status) {
            return None;
        }
        let texts = |items: &mut dyn Iterator<Item = Option<&str>>| {
            items.flatten().map(str::to_owned).collect::<Vec<_>>()
        };
        Some(Self {
            day: text(value, "/authoredOn").and_then(Day::parse),
            identifiers: texts(&mut items(value, "/identifier").map(|i| text(i, "/value"))),
            service: words(at(value, "/code")).map(str::to_owned),
            priority: text(value, "/priority").map(str::to_owned),
            reasons: texts(&mut items(value, "/reasonCode").map(words)),
            notes: texts(&mut items(value, "/note").map(|note| text(note, "/text"))),
            requester: target(value, "/requester"),
            performer: target(value, "/performer/0"),
            performer_name: text(value, "/performer/0/display").map(str::to_owned),
            source: Source::of(resource)?,
        })
    }
}

/// A problem.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Problem {
    /// Its name, in the record's words.
    pub name: String,
    /// Its codes, as `system|code`.
    pub codes: Vec<String>,
    /// Whether it is coded as cervical radiculopathy.
    pub radiculopathy: bool,
    /// Clinical status as recorded.
    pub status: Option<String>,
    /// Onset, as recorded.
    pub onset: Option<String>,
    /// The Condition.
    pub source: Source,
}

impl Problem {
    /// The problem of a Condition; none of one that is refuted.
    pub fn of(resource: &Resource) -> Option<Self> {
        let value = resource.value();
        if text(value, "/verificationStatus/coding/0/code") == Some("refuted") {
            return None;
        }
        let coded = |coding: &Value| {
            Some((text(coding, "/system")?.to_owned(), text(coding, "/code")?.to_owned()))
        };
        let names: Vec<_> = items(value, "/code/coding").filter_map(coded).collect();
        let radicular = |(system, code): &(String, String)| {
            (system.contains("snomed") && code == "54404000")
                || (system.contains("icd-10") && code.starts_with("M54.1"))
        };
        let onset = ["/onsetString", "/onsetDateTime"].into_iter().find_map(|p| text(value, p));
        Some(Self {
            name: words(at(value, "/code")).unwrap_or_default().to_owned(),
            radiculopathy: names.iter().any(radicular),
            codes: names.into_iter().map(|(system, code)| format!("{system}|{code}")).collect(),
            status: text(value, "/clinicalStatus/coding/0/code").map(str::to_owned),
            onset: onset.map(str::to_owned),
            source: Source::of(resource)?,
        })
    }
}

/// A goal.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Goal {
    /// What it says, in the record's words.
    pub says: String,
    /// Achievement as recorded.
    pub achievement: Option<String>,
    /// Lifecycle as recorded.
    pub lifecycle: Option<String>,
    /// Its targets whose measure, unit and bound are understood.
    pub targets: Vec<goal::Target>,
    /// The Goal.
    pub source: Source,
}

impl Goal {
    /// The goal of a Goal.
    pub fn of(resource: &Resource) -> Option<Self> {
        let value = resource.value();
        Some(Self {
            says: words(at(value, "/description")).unwrap_or_default().to_owned(),
            achievement: text(value, "/achievementStatus/coding/0/code").map(str::to_owned),
            lifecycle: text(value, "/lifecycleStatus").map(str::to_owned),
            targets: goal::targets(value),
            source: Source::of(resource)?,
        })
    }
}

/// One activity of a plan.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Activity {
    /// What kind.
    pub kind: ActivityKind,
    /// What it says, in the record's words.
    pub says: String,
    /// The segments that it is about, each with its side where one is named.
    #[serde(skip)]
    pub segments: Vec<(Segment, Option<Side>)>,
    /// Since when it holds, where recorded.
    #[serde(skip)]
    pub since: Option<Day>,
    /// Whether a later plan took its place.
    #[serde(skip)]
    pub replaced: bool,
    /// The `CarePlan`.
    pub source: Source,
}

/// The kinds of activities.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ActivityKind {
    /// To be done.
    ToDo,
    /// Not to be done.
    ToAvoid,
    /// Told to the patient.
    Advice,
}

/// The activities of a `CarePlan`, in its order.
pub fn activities(resource: &Resource) -> Vec<Activity> {
    let Some(source) = Source::of(resource) else { return Vec::new() };
    let moments = ["/created", "/period/start"].into_iter();
    let since = moments.filter_map(|p| text(resource.value(), p)).find_map(Day::parse);
    let one = |activity: &Value| {
        let detail = at(activity, "/detail");
        let told = text(detail, "/kind") == Some("CommunicationRequest");
        let kind = match at(detail, "/doNotPerform").as_bool() {
            Some(true) => ActivityKind::ToAvoid,
            _ if told => ActivityKind::Advice,
            _ => ActivityKind::ToDo,
        };
        let says = text(detail, "/description").or_else(|| words(at(detail, "/code")))?;
        let (says, segments) = (says.to_owned(), segments(detail, says));
        Some(Activity { kind, says, segments, since, replaced: false, source: source.clone() })
    };
    items(resource.value(), "/activity").filter_map(one).collect()
}

/// Marks the activities of plans that another plan names as replaced by it.
pub fn mark_replaced(activities: &mut [Activity], replaced: &BTreeSet<Target>) {
    for activity in activities {
        activity.replaced = replaced.contains(activity.source.target());
    }
}

/// The segments that an activity names: by our extension, else in its words.
fn segments(detail: &Value, says: &str) -> Vec<(Segment, Option<Side>)> {
    let url = format!("{OWN}/StructureDefinition/plan-segment");
    let named = items(detail, "/extension").filter(|e| text(e, "/url") == Some(url.as_str()));
    let site = |extension: &Value| {
        let concept = at(extension, "/valueCodeableConcept");
        let segment = own_code(concept, "motion-segment").and_then(Segment::parse)?;
        Some((segment, Side::of_body_site(concept)))
    };
    let coded: Vec<_> = named.filter_map(site).collect();
    if coded.is_empty() {
        return Segment::named(says).into_iter().map(|segment| (segment, None)).collect();
    }
    coded
}

/// The code of a finding of ours that an Observation reports.
pub fn finding(value: &Value) -> Option<&str> {
    own_code(at(value, "/code"), "finding")
}
