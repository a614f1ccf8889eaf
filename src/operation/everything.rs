//! `$everything`: all that belongs to a patient, a visit, an episode of care or the members of a
//! group, and what it refers to, page by page.
//!
//! First come what belongs there, as matches in the order of type and id; then what these refer to
//! (practitioners, organisations, medications, binaries …) and the Provenance of them, as includes.
//! Nothing comes twice, and all pages are of the moment of the first. `start` and `end` are about
//! care: what tells no time of care is in scope at any. References are followed from all that is in
//! scope, whatever `_type` and `_since` leave of the answer.
//! Source: <http://hl7.org/fhir/R4/patient-operation-everything.html>,
//! <http://hl7.org/fhir/R4/encounter-operation-everything.html>,
//! <http://hl7.org/fhir/R4/group-operation-everything.html>,
//! `schemas/operation/episode-everything.json`.

mod care;
mod reach;
pub(super) mod scope;

use std::collections::BTreeSet;

use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use crate::index::date::Interval;
use crate::operation::pages::{self, Cursor, Page, wrong};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, Stored};
use crate::search;
use crate::store::Overlay;
use care::Care;
use scope::{Reader, Scope};

pub(super) const PATIENT: Operation = Operation {
    name: "everything",
    definition: "http://hl7.org/fhir/OperationDefinition/Patient-everything",
    levels: &[Level::Type, Level::Instance],
    types: &["Patient"],
    by_get: true,
    document: false,
    run: |call| run(call, &["start", "end", "_since", "_type", "_count"]),
};

pub(super) const ENCOUNTER: Operation = Operation {
    definition: "http://hl7.org/fhir/OperationDefinition/Encounter-everything",
    levels: &[Level::Instance],
    types: &["Encounter"],
    run: |call| run(call, &["_since", "_type", "_count"]),
    ..PATIENT
};

pub(super) const GROUP: Operation = Operation {
    definition: "http://hl7.org/fhir/OperationDefinition/Group-everything",
    levels: &[Level::Instance],
    types: &["Group"],
    ..PATIENT
};

pub(super) const EPISODE: Operation = Operation {
    definition: "https://spondyl.example/fhir/OperationDefinition/episode-everything",
    levels: &[Level::Instance],
    types: &["EpisodeOfCare"],
    ..PATIENT
};

/// What of all that belongs there is asked for.
struct Asked {
    care: Care,
    since: Option<Instant>,
    types: BTreeSet<ResourceType>,
    count: usize,
    /// How many members are looked at for one page.
    most: u64,
    /// The parameters, for the links.
    used: Vec<(String, String)>,
}

fn run(call: &Call<'_>, known: &[&str]) -> Result<Output, Error> {
    let known: Vec<&str> = known.iter().copied().chain([pages::CURSOR]).collect();
    call.parameters.only(&known)?;
    let asked = Asked::read(call)?;
    let cursor = Cursor::of(call)?;
    let bad = || Error::Search(search::Error::BadCursor);
    let place =
        cursor.as_ref().map(|cursor| place_of(&cursor.place).ok_or_else(bad)).transpose()?;
    let held = call.app.held();
    let view = call.app.store.view()?;
    let (seen, batch) = pages::moment(&*view, &held, cursor.as_ref())?;
    let view = Overlay::new(&*view, &batch);
    let kind = call.kind()?;
    let scope = Scope::read(&view, &held.rules, kind, call.id())?;
    let reader = Reader { view: &view, rules: &held.rules, now: call.now, scope: &scope };
    let mut found = Found { asked: &asked, reader, seen, page: Page::default() };
    found.fill(place.as_ref(), call.base)?;
    if cursor.is_none() && found.page.next.is_none() {
        found.page.total = u64::try_from(found.page.matches.len()).ok();
    }
    let id = call.id().map(|id| format!("/{id}")).unwrap_or_default();
    let path = format!("{kind}{id}/$everything");
    let bundle = found.page.bundle(call, &path, (&asked.used, cursor.as_ref()));
    Ok(Output::Text(bundle.to_bytes()))
}

impl Asked {
    fn read(call: &Call<'_>) -> Result<Self, Error> {
        let parameters = &call.parameters;
        let text = |name: &str| parameters.text(name);
        let day = |name: &str| -> Result<Option<Interval>, Error> {
            let rule = "It is a date: a year, a month or a day, such as 2026-03-02.";
            let read = |text: String| Interval::parse(&text).filter(|_| !text.contains('T'));
            text(name)?.map(|text| read(text).ok_or_else(|| wrong(name, rule))).transpose()
        };
        let (start, end) = (day("start")?, day("end")?);
        if start.zip(end).is_some_and(|(start, end)| end.end < start.start) {
            return Err(wrong("end", "The end is not before the start."));
        }
        let rule = "It is an instant, such as 2026-03-02T08:10:00Z.";
        let instant = |text: String| Instant::parse(&text).ok_or_else(|| wrong("_since", rule));
        let since = text("_since")?.map(instant).transpose()?;
        let names = parameters.texts("_type")?;
        let mut types = BTreeSet::new();
        for name in names.iter().flat_map(|text| text.split(',')) {
            let kind = ResourceType::parse(name);
            types.insert(kind.ok_or_else(|| wrong("_type", "It names resource types of R4."))?);
        }
        let mut used = Vec::new();
        for name in ["start", "end", "_since", "_type", "_count", "_format", "_pretty"] {
            used.extend(parameters.texts(name)?.into_iter().map(|text| (name.to_owned(), text)));
        }
        let (care, count) = (Care::new(start, end), pages::count(call)?);
        // A resource costs about as much as a hundred rows of an index.
        let most = (call.app.config.max_search_rows / 100).max(1);
        Ok(Self { care, since, types, count, most, used })
    }

    /// Whether resources of that type are told.
    fn tells(&self, kind: ResourceType) -> bool {
        self.types.is_empty() || self.types.contains(&kind)
    }

    /// What was written at the very moment is told: better twice than never.
    fn is_recent(&self, stored: &Stored) -> bool {
        self.since.is_none_or(|since| stored.last_updated >= since)
    }
}

/// A page as it fills.
struct Found<'a> {
    asked: &'a Asked,
    reader: Reader<'a>,
    seen: u64,
    page: Page,
}

/// How the places of members and of what they refer to begin.
const MEMBER: char = 'm';
const REFERRED: char = 'r';

impl Found<'_> {
    fn fill(&mut self, place: Option<&Place>, base: &str) -> Result<(), Error> {
        let from = place.map(|(_, kind, id)| (*kind, id));
        if place.is_none_or(|(phase, ..)| *phase == MEMBER) && self.members(from)? {
            return Ok(());
        }
        let from = from.filter(|_| place.is_some_and(|(phase, ..)| *phase == REFERRED));
        self.referred(from, base)
    }

    /// Fills the page with members after the place; whether more remain. A page for which too many
    /// would have to be looked at ends before it is full.
    fn members(&mut self, from: Option<(ResourceType, &Id)>) -> Result<bool, Error> {
        let kinds = ResourceType::all().filter(|kind| self.asked.tells(*kind));
        let mut looked_at = 0;
        let mut last = None;
        for kind in kinds.filter(|kind| from.is_none_or(|(at, _)| *kind >= at)) {
            let after = from.filter(|(at, _)| *at == kind).map(|(_, id)| id.clone());
            let (asked, reader, page) = (self.asked, self.reader, &mut self.page);
            let likely = asked.count + 1 - page.matches.len();
            let more = reader.each(kind, after, likely, &mut |stored| {
                let is_full = page.matches.len() == asked.count;
                let is_wanted = asked.is_recent(&stored)
                    && asked.care.covers(reader.view, reader.rules, &stored)?;
                if is_full && is_wanted || looked_at == asked.most {
                    return Ok(false);
                }
                looked_at += 1;
                last = Some((stored.kind, stored.id.clone()));
                page.matches.extend(is_wanted.then_some(stored));
                Ok(true)
            })?;
            if more {
                self.page.next = last.map(|(kind, id)| self.place(MEMBER, kind, &id));
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Fills the rest of the page with what the members refer to.
    fn referred(&mut self, from: Option<(ResourceType, &Id)>, base: &str) -> Result<(), Error> {
        let reached = reach::reach(&self.reader, &self.asked.care, base)?;
        let past = |target: &&(ResourceType, Id)| {
            from.is_none_or(|(kind, id)| (target.0, &target.1) > (kind, id))
        };
        let wanted = reached.iter().filter(past).filter(|(kind, _)| self.asked.tells(*kind));
        let room = self.asked.count.saturating_sub(self.page.matches.len());
        for (kind, id) in wanted {
            let stored = repository::current(self.reader.view, *kind, id)?;
            let Some(stored) = stored.filter(|stored| self.asked.is_recent(stored)) else {
                continue;
            };
            if self.page.included.len() == room {
                let last = self.page.included.last().or(self.page.matches.last());
                let phase = if self.page.included.is_empty() { MEMBER } else { REFERRED };
                self.page.next = last.map(|last| self.place(phase, last.kind, &last.id));
                return Ok(());
            }
            self.page.included.push(stored);
        }
        Ok(())
    }

    fn place(&self, phase: char, kind: ResourceType, id: &Id) -> Cursor {
        Cursor { seen: self.seen, place: format!("{phase}.{kind}.{id}") }
    }
}

/// A place: among what, and the last resource before it.
type Place = (char, ResourceType, Id);

/// Reads what [`Found::place`] writes.
fn place_of(text: &str) -> Option<Place> {
    let mut parts = text.splitn(3, '.');
    let phase = match parts.next()? {
        "m" => MEMBER,
        "r" => REFERRED,
        _ => return None,
    };
    Some((phase, ResourceType::parse(parts.next()?)?, Id::parse(parts.next()?)?))
}
