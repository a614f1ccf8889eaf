//! Screening, consent, flags, adverse events: what was asked, answered and noted.
//!
//! "Not asked" is not "no", a negative list rules nothing out, and "none recorded" is not "none".
//! Severity is passed on as recorded, never computed. No cut-off is applied to blood pressure.
//! Framework of the list: Rushton et al. 2020, and 2023 J Orthop Sports Phys Ther 53(1):7-22.

use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{
    OWN, Target, at, code_in, items, own_code, target, text, ucum, words,
};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::source::{Day, Moment, Source};
use crate::clinical::worded::Worded;
use crate::fhir::Resource;

/// The code system of yes and no.
const YES_NO: &str = "http://terminology.hl7.org/CodeSystem/v2-0136";

/// The code system of how an adverse event went on.
const OUTCOME: &str = "http://terminology.hl7.org/CodeSystem/adverse-event-outcome";
/// The code system of judgements of causality.
const CAUSALITY: &str = "http://terminology.hl7.org/CodeSystem/adverse-event-causality-assess";

/// One screening, with every item.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Screening {
    /// When it was asked.
    pub day: Day,
    #[serde(skip)]
    at: Moment,
    /// Items answered yes.
    pub positive: Vec<Worded>,
    /// Items answered no.
    pub negative: usize,
    /// Items not asked or without an answer.
    pub not_asked: Vec<Worded>,
    /// The Observation.
    pub source: Source,
}

impl Screening {
    /// The screening of an Observation; a gap where it has no day.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "screening", gaps)?;
        let mut screening = Self {
            day: seen.at.day,
            at: seen.at,
            positive: Vec::new(),
            negative: 0,
            not_asked: Vec::new(),
            source: seen.source,
        };
        let items_system = format!("{OWN}/CodeSystem/screening-item");
        for item in items(resource.value(), "/component") {
            let name = Worded::of(at(item, "/code"), &items_system);
            match code_in(at(item, "/valueCodeableConcept"), YES_NO) {
                Some("Y") => screening.positive.push(name),
                Some("N") => screening.negative += 1,
                _ => screening.not_asked.push(name),
            }
        }
        let result = own_code(at(resource.value(), "/valueCodeableConcept"), "screening-result");
        if (result == Some("item-positive")) == screening.positive.is_empty() {
            let kind = GapKind::Contradiction;
            gaps.push(Gap::at(kind, "screening", "Observation.value", &screening.source));
        }
        Some(screening)
    }

    /// When it was asked.
    pub fn moment(&self) -> Moment {
        self.at
    }

    /// Whether every item has an answer.
    pub fn is_complete(&self) -> bool {
        self.not_asked.is_empty() && self.positive.len() + self.negative > 0
    }
}

/// One consent to treatment.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Consent {
    /// When it was given or refused.
    pub day: Day,
    #[serde(skip)]
    at: Moment,
    /// Given, refused or withdrawn.
    pub answer: Answer,
    /// What it covers, in the record's words.
    pub covers: Vec<String>,
    /// The Consent.
    pub source: Source,
}

/// The answer of a consent.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// Consent was given.
    Given,
    /// Consent was refused.
    Refused,
    /// Consent is no longer in force.
    Withdrawn,
    /// Consent was prepared and not yet given.
    Open,
}

impl Consent {
    /// The consent of a Consent; a gap where it has no day.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "consent", gaps)?;
        let value = resource.value();
        let denied = text(value, "/provision/type") == Some("deny");
        let answer = match text(value, "/status").unwrap_or_default() {
            "active" if denied => Answer::Refused,
            "active" => Answer::Given,
            "rejected" => Answer::Refused,
            "inactive" => Answer::Withdrawn,
            _ => Answer::Open,
        };
        let covers = items(value, "/provision/code").filter_map(words).map(str::to_owned).collect();
        Some(Self { day: seen.at.day, at: seen.at, answer, covers, source: seen.source })
    }

    /// When it was given or refused.
    pub fn moment(&self) -> Moment {
        self.at
    }
}

/// One adverse event that did happen.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct AdverseEvent {
    /// When it happened, where recorded.
    pub day: Option<Day>,
    /// What happened.
    pub event: Worded,
    /// Severity as recorded: mild, moderate, severe.
    pub severity: Option<String>,
    /// How it went on.
    pub outcome: Option<Worded>,
    /// Whether the outcome says how it went on: recorded, and neither unknown nor ongoing.
    pub followed_up: bool,
    /// Judgements of causality.
    pub causality: Vec<Worded>,
    /// The treatments suspected.
    #[serde(skip)]
    pub suspected: Vec<Target>,
    /// The `AdverseEvent`.
    pub source: Source,
}

impl AdverseEvent {
    /// The event of an `AdverseEvent`; none where it is a potential one.
    pub fn of(resource: &Resource) -> Option<Self> {
        let value = resource.value();
        let source =
            Source::of(resource).filter(|_| text(value, "/actuality") == Some("actual"))?;
        let suspects = || items(value, "/suspectEntity");
        let outcome = at(value, "/outcome");
        let open = ["unknown", "ongoing"].map(Some);
        let code = text(outcome, "/coding/0/code");
        let causes = suspects().flat_map(|suspect| items(suspect, "/causality"));
        Some(Self {
            day: text(value, "/date").and_then(Day::parse),
            event: Worded::of(at(value, "/event"), &format!("{OWN}/CodeSystem/treatment-reaction")),
            severity: code_in(
                at(value, "/severity"),
                "http://terminology.hl7.org/CodeSystem/adverse-event-severity",
            )
            .map(str::to_owned),
            outcome: (!outcome.is_null()).then(|| Worded::of(outcome, OUTCOME)),
            followed_up: !outcome.is_null() && !open.contains(&code),
            causality: causes
                .map(|cause| at(cause, "/assessment"))
                .filter(|assessment| !assessment.is_null())
                .map(|assessment| Worded::of(assessment, CAUSALITY))
                .collect(),
            suspected: suspects().filter_map(|suspect| target(suspect, "/instance")).collect(),
            source,
        })
    }
}

/// One flag.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Flag {
    /// Since when, where recorded.
    pub since: Option<Day>,
    /// What it says, in the record's words.
    pub says: String,
    /// Whether it is still active.
    pub active: bool,
    /// The Flag.
    pub source: Source,
}

impl Flag {
    /// The flag of a Flag.
    pub fn of(resource: &Resource) -> Option<Self> {
        let value = resource.value();
        Some(Self {
            since: text(value, "/period/start").and_then(Day::parse),
            says: words(at(value, "/code")).unwrap_or_default().to_owned(),
            active: text(value, "/status") == Some("active"),
            source: Source::of(resource)?,
        })
    }
}

/// One blood pressure.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct BloodPressure {
    /// When it was taken.
    pub day: Day,
    /// Systolic, in mm Hg.
    pub systolic: Number,
    /// Diastolic, in mm Hg.
    pub diastolic: Number,
    /// The Observation.
    pub source: Source,
}

impl BloodPressure {
    /// The pressure of a blood pressure panel; a gap where either value cannot be read.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "blood-pressure", gaps)?;
        let part = |code: &str| pressure(resource.value(), code);
        let Some((systolic, diastolic)) = part("8480-6").zip(part("8462-4")) else {
            let kind = GapKind::NotReadable;
            gaps.push(Gap::at(kind, "blood-pressure", "Observation.component", &seen.source));
            return None;
        };
        Some(Self { day: seen.at.day, systolic, diastolic, source: seen.source })
    }
}

fn pressure(panel: &Value, code: &str) -> Option<Number> {
    let loinc = crate::clinical::element::LOINC;
    let mut parts = items(panel, "/component");
    let part = parts.find(|part| code_in(at(part, "/code"), loinc) == Some(code))?;
    let (value, unit) = ucum(at(part, "/valueQuantity"))?;
    (unit == "mm[Hg]").then(|| value.into())
}

/// One test of the stability of the neck or of the nerves, made before treatment.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct SafetyTest {
    /// When it was made.
    pub day: Day,
    /// Our code of the test.
    pub code: String,
    /// The test, in the record's words.
    pub says: String,
    /// POS, NEG or IND, where it has a result.
    pub result: Option<String>,
    /// Notes, in the record's words.
    pub notes: Vec<String>,
    /// The Observation.
    pub source: Source,
}

impl SafetyTest {
    /// The code of the test that an Observation reports.
    pub fn code(value: &Value) -> Option<&str> {
        own_code(at(value, "/code"), "safety-test")
    }

    /// The test of an Observation; a gap where it has no day.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "safety-test", gaps)?;
        let value = resource.value();
        let system = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation";
        let notes = items(value, "/note").filter_map(|note| text(note, "/text"));
        Some(Self {
            day: seen.at.day,
            code: Self::code(value)?.to_owned(),
            says: words(at(value, "/code")).unwrap_or_default().to_owned(),
            result: code_in(at(value, "/valueCodeableConcept"), system).map(str::to_owned),
            notes: notes.map(str::to_owned).collect(),
            source: seen.source,
        })
    }
}

/// Everything of this kind in one episode.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Caution {
    /// Screenings, by day.
    pub screenings: Vec<Screening>,
    /// Consents, by day.
    pub consents: Vec<Consent>,
    /// Adverse events; an empty list means that none is recorded.
    pub adverse_events: Vec<AdverseEvent>,
    /// Flags.
    pub flags: Vec<Flag>,
    /// Tests before treatment, by day.
    pub safety_tests: Vec<SafetyTest>,
    /// Blood pressures, by day.
    pub blood_pressures: Vec<BloodPressure>,
    /// Whether a screening is recorded before the first treatment; none without a treatment.
    pub screened_before_treatment: Option<bool>,
    /// Whether one of those before the first treatment has an answer to every item, for an audit.
    #[serde(skip)]
    pub completely_screened: Option<bool>,
    /// Whether a consent is recorded as given before the first treatment; none without a treatment.
    pub consent_before_treatment: Option<bool>,
}

/// Whether one moment is not after another: by the day, and within a day by the time where both
/// have one.
pub fn not_after(one: Moment, other: Moment) -> bool {
    match (one.instant, other.instant) {
        (Some(a), Some(b)) if one.day == other.day => a <= b,
        _ => one.day <= other.day,
    }
}
