//! Which resources belong to what is asked about.
//!
//! To a patient or a visit: those of its compartment. To a group: those of the compartments of its
//! members, members of member groups among them, and the groups themselves. To an episode of care:
//! what names it (by the core extension, or ours), what belongs to one of its visits and names no
//! other episode, and its letters; of its own patient only.
//! Source: <http://hl7.org/fhir/R4/compartmentdefinition.html>,
//! `schemas/operation/episode-everything.json`.

use std::collections::BTreeSet;

use serde_json::Value;

use super::reach;
use crate::clinical::element::{Target as Named, items, own_extension, target};
use crate::clinical::segment::episode_link;
use crate::definitions::compartment::Compartments;
use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType};
use crate::index::Rules;
use crate::operation::episode::live;
use crate::operation::pages::MOST;
use crate::repository::group::members;
use crate::repository::read::pointing;
use crate::repository::{self, Stored};
use crate::search::clause::Clause;
use crate::search::condition::{Condition, Target, Test};
use crate::search::cursor::Tie;
use crate::search::query::Limits;
use crate::search::{Cursor, Query, Setting, Total};
use crate::store::View;

/// What is asked about.
#[derive(Debug)]
pub(in crate::operation) enum Scope {
    /// All that is stored.
    All,
    /// The compartments of resources of a type, and some resources beside.
    Compartments { of: ResourceType, ids: BTreeSet<Id>, beside: BTreeSet<(ResourceType, Id)> },
    /// The compartments of all patients.
    Patients,
    /// An episode of care.
    Episode(Episode),
}

/// An episode of care, as far as membership asks.
#[derive(Debug)]
pub(in crate::operation) struct Episode {
    id: Id,
    patient: Option<Named>,
    visits: BTreeSet<Id>,
}

/// What reading members takes.
#[derive(Clone, Copy)]
pub(in crate::operation) struct Reader<'a> {
    pub(in crate::operation) view: &'a dyn View,
    pub(in crate::operation) rules: &'a Rules,
    pub(in crate::operation) now: Instant,
    pub(in crate::operation) scope: &'a Scope,
}

impl Scope {
    /// What the URL of the call is about.
    ///
    /// # Errors
    /// [`Error::NotFound`], [`Error::Deleted`], or a failure of the store.
    pub(super) fn read(
        view: &dyn View,
        rules: &Rules,
        kind: ResourceType,
        id: Option<&Id>,
    ) -> Result<Self, Error> {
        let Some(id) = id else {
            reach::refuse_many(view)?;
            return Ok(Self::Patients);
        };
        let resource = live(view, kind, id)?;
        Ok(match kind.as_str() {
            "Group" => {
                let of = ResourceType::parse("Patient").ok_or(Error::UnknownType)?;
                let (mut ids, mut beside) = (BTreeSet::new(), BTreeSet::new());
                members(view, (kind, id.clone()), &mut ids, &mut beside)?;
                Self::Compartments { of, ids, beside }
            }
            "EpisodeOfCare" => Self::Episode(Episode {
                id: id.clone(),
                patient: target(resource.value(), "/patient"),
                visits: visits(view, rules, (kind, id))?,
            }),
            _ => {
                let ids = BTreeSet::from([id.clone()]);
                Self::Compartments { of: kind, ids, beside: BTreeSet::new() }
            }
        })
    }

    /// The compartments of the patients that are members of one of the groups (of all patients,
    /// where none is named), of that patient only where one is named.
    ///
    /// # Errors
    /// A failure of the store.
    pub(in crate::operation) fn of_patients(
        view: &dyn View,
        patient: Option<&Id>,
        groups: &[Id],
    ) -> Result<Self, Error> {
        let parse = |name| ResourceType::parse(name).ok_or(Error::UnknownType);
        let (of, group) = (parse("Patient")?, parse("Group")?);
        let (mut ids, mut met) = (BTreeSet::new(), BTreeSet::new());
        for id in groups {
            members(view, (group, id.clone()), &mut ids, &mut met)?;
        }
        if let Some(patient) = patient {
            let is_member = groups.is_empty() || ids.contains(patient);
            ids = is_member.then(|| patient.clone()).into_iter().collect();
        }
        Ok(Self::Compartments { of, ids, beside: BTreeSet::new() })
    }

    /// What is asked about, in words.
    fn label(&self) -> String {
        match self {
            Self::All => "all".to_owned(),
            Self::Compartments { of, .. } => format!("{of} compartment"),
            Self::Patients => "Patient compartments".to_owned(),
            Self::Episode(_) => "episode of care".to_owned(),
        }
    }
}

/// The visits of an episode.
fn visits(
    view: &dyn View,
    rules: &Rules,
    (of, id): (ResourceType, &Id),
) -> Result<BTreeSet<Id>, Error> {
    let kind = ResourceType::parse("Encounter").ok_or(Error::UnknownType)?;
    let sources = rules.sources(kind, "episode-of-care").iter();
    Ok(sources.flat_map(|name| pointing(view, kind, name, (of, id))).collect::<Result<_, _>>()?)
}

/// What the index is asked for.
enum Question {
    /// There cannot be members.
    Nothing,
    /// All resources of the type.
    All,
    /// Those.
    Those(Clause),
}

impl Reader<'_> {
    /// Hands over the members of a type after that id, in the order of ids, until the function
    /// wants no more; whether it did not. `page` is how many are likely to be wanted.
    ///
    /// # Errors
    /// Those of the function, or of a search.
    pub(in crate::operation) fn each(
        &self,
        kind: ResourceType,
        after: Option<Id>,
        page: usize,
        take: &mut dyn FnMut(Stored) -> Result<bool, Error>,
    ) -> Result<bool, Error> {
        let clause = match self.question(kind)? {
            Question::Nothing => return Ok(false),
            Question::All => None,
            Question::Those(clause) => Some(clause),
        };
        let (rules, now) = (self.rules, self.now);
        let limits = Limits { rows: u64::MAX, ..Limits::default() };
        let setting = Setting { rules, now, strict: true, limits };
        let mut query = Query::parse(&setting, kind, &[])?;
        query.clauses.extend(clause);
        (query.count, query.total) = (page.clamp(1, MOST), Total::None);
        let seen = self.view.seq();
        let mut cursor =
            after.map(|id| Cursor { place: Vec::new(), id, backward: false, seen, tie: Tie::At });
        loop {
            let found = crate::search::run(self.view, rules, &query, cursor.as_ref())?;
            for stored in found.matches {
                if self.holds(&stored)? && !take(stored)? {
                    return Ok(true);
                }
            }
            cursor = found.next;
            if cursor.is_none() {
                return Ok(false);
            }
        }
    }

    /// What the index is asked for members of that type. What it finds is still to be held against
    /// [`Self::holds`].
    fn question(&self, kind: ResourceType) -> Result<Question, Error> {
        if self.rules.awaits_references(kind) {
            let text = "What is stored is still being indexed; try again later.";
            return Err(Error::not_supported(kind.as_str(), text));
        }
        let parameters = |of| Compartments::standard().parameters(of, kind);
        match self.scope {
            Scope::All => Ok(Question::All),
            Scope::Compartments { of, ids, beside } => {
                let mut own: BTreeSet<Id> = beside
                    .iter()
                    .filter(|(own, _)| *own == kind)
                    .map(|(_, id)| id.clone())
                    .collect();
                if kind == *of {
                    own.extend(ids.iter().cloned());
                }
                let codes: Vec<&str> = parameters(*of).iter().map(String::as_str).collect();
                Ok(self.either(own, self.pointing(kind, &codes, (*of, ids))))
            }
            Scope::Patients => {
                let of = ResourceType::parse("Patient").ok_or(Error::UnknownType)?;
                let is_of_patients = kind == of || !parameters(of).is_empty();
                Ok(if is_of_patients { Question::All } else { Question::Nothing })
            }
            Scope::Episode(episode) => {
                let parse = |name| ResourceType::parse(name).ok_or(Error::UnknownType);
                let of = parse("EpisodeOfCare")?;
                let visit = parse("Encounter")?;
                let own = BTreeSet::from([episode.id.clone()]);
                // DocumentReference.context.encounter names episodes too.
                let mut links = self.pointing(kind, &["episode-of-care", "encounter"], (of, &own));
                links.extend(self.pointing(kind, &["encounter"], (visit, &episode.visits)));
                if let (Some(patient), "Composition") = (&episode.patient, kind.as_str()) {
                    // No parameter tells what a Composition is about beside the patient.
                    let named = Reference::parse(&patient.to_string());
                    if let Some((patient, id)) = named.target() {
                        let ids = BTreeSet::from([id.clone()]);
                        links.extend(self.pointing(kind, &["subject"], (patient, &ids)));
                    }
                }
                let own = if kind == of { own } else { BTreeSet::new() };
                Ok(self.either(own, links))
            }
        }
    }

    fn either(&self, own: BTreeSet<Id>, links: Vec<Condition>) -> Question {
        let (some_own, some_links) = (!own.is_empty(), !links.is_empty());
        let named = Clause::Ids { ids: own, negated: false };
        let linked = Clause::Index { label: self.scope.label(), negated: false, any: links };
        match (some_own, some_links) {
            (false, false) => Question::Nothing,
            (false, true) => Question::Those(linked),
            (true, false) => Question::Those(named),
            (true, true) => Question::Those(Clause::Either(vec![named, linked])),
        }
    }

    /// That a reference of those parameters points to one of the resources.
    fn pointing(
        &self,
        kind: ResourceType,
        codes: &[&str],
        (of, ids): (ResourceType, &BTreeSet<Id>),
    ) -> Vec<Condition> {
        let found = codes.iter().filter_map(|code| self.rules.parameter(kind, code));
        let found = found.filter(|parameter| {
            !parameter.sources.is_empty() && parameter.target.is_none_or(|only| only == of)
        });
        let each = |id: &Id| {
            Test::Target(Target { id: id.to_string(), place: Some(of.to_string()), version: None })
        };
        let conditions = found.flat_map(|parameter| {
            let (sources, target) = (&parameter.sources, parameter.target);
            ids.iter().map(move |id| (sources.clone(), target, each(id)))
        });
        conditions
            .map(|(sources, target, test)| Condition { sources, target, arity: 2, test })
            .collect()
    }

    /// Whether what the index found is a member.
    fn holds(&self, stored: &Stored) -> Result<bool, Error> {
        match self.scope {
            Scope::All | Scope::Compartments { .. } => Ok(true),
            Scope::Patients => self.is_of_a_patient(stored),
            Scope::Episode(episode) => {
                let content = stored.content()?;
                Ok(content.is_some_and(|content| episode.has(&content)))
            }
        }
    }

    fn is_of_a_patient(&self, stored: &Stored) -> Result<bool, Error> {
        let of = ResourceType::parse("Patient").ok_or(Error::UnknownType)?;
        if stored.kind == of {
            return Ok(true);
        }
        let codes = Compartments::standard().parameters(of, stored.kind);
        let sources: Vec<String> =
            codes.iter().flat_map(|code| self.rules.sources(stored.kind, code)).cloned().collect();
        let keys = repository::read::keys(self.view, stored.kind, &stored.id)?;
        for found in keys.of(&sources) {
            let kind = found?.1.parts.into_iter().nth(1);
            if kind.as_deref() == Some(of.as_str().as_bytes()) {
                return Ok(true);
            }
        }
        Ok(false)
    }
}

impl Episode {
    /// Whether what the index found by episode, visit or patient belongs to the episode.
    fn has(&self, resource: &Resource) -> bool {
        let value = resource.value();
        let subject = target(value, "/subject").or_else(|| target(value, "/patient"));
        if subject.is_some() && self.patient.is_some() && subject != self.patient {
            return false;
        }
        let is_own = |target: &Named| target.to_string() == format!("EpisodeOfCare/{}", self.id);
        match resource.kind().as_str() {
            "EpisodeOfCare" => resource.id_text() == Some(self.id.as_str()),
            "Encounter" => items(value, "/episodeOfCare")
                .any(|link| target(link, "").as_ref().is_some_and(is_own)),
            "Composition" => items(value, "/event")
                .flat_map(|event| items(event, "/detail"))
                .any(|link| target(link, "").as_ref().is_some_and(is_own)),
            // What names another episode is that one's, wherever it was written.
            _ => link(value).is_none_or(|link| is_own(&link)),
        }
    }
}

/// The episode that a resource names.
fn link(value: &Value) -> Option<Named> {
    let own = || target(own_extension(value, "episode-link")?, "/valueReference");
    episode_link(value).or_else(own)
}
