//! The measurements behind statistics.
//!
//! Found by the index of subject and codes, of Observations and of their components. An Observation
//! without a value of its own is a panel: its components and members are measured in its place,
//! members of members too. Each is counted once.
//! Source: <http://hl7.org/fhir/R4/observation-operation-stats.html> ("For LOINC codes that are
//! panels, the $stats operation returns statistics for each of the individual panel measurements.
//! That means it will include all underlying values recursively").

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::{Asked, Code, Period};
use crate::app::Held;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Reference, ResourceType};
use crate::index::date::Interval;
use crate::operation::Call;
use crate::operation::pages::{MOST, too_costly};
use crate::repository::{self, Stored};
use crate::search::query::Limits;
use crate::search::value::escape;
use crate::search::{self, Query, Setting, Total};
use crate::store::View;
use crate::terminology::ucum;

/// How deep panels nest.
const DEPTH: usize = 8;
/// How many measurements are taken.
const MEASURES: usize = 100_000;

/// What was measured of one code.
#[derive(Clone, Debug)]
pub(super) struct Group {
    /// The code, as a Coding.
    pub(super) coding: Value,
    pub(super) measures: Vec<Measure>,
}

/// One measurement.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Measure {
    /// When, in milliseconds.
    pub(super) at: i64,
    pub(super) value: Measured,
}

/// What a measurement says.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Measured {
    /// A number with a UCUM unit.
    Number(Decimal, String),
    /// A Quantity that cannot be computed with, or nothing.
    Nothing,
    /// Something that is no Quantity.
    Other,
}

/// All measurements.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    /// By code, those that were asked for first.
    pub(super) groups: Vec<Group>,
    /// The Observations that were used, newest first.
    pub(super) sources: Vec<Value>,
}

/// Gathers what is asked for.
///
/// # Errors
/// Those of a search.
pub(super) fn gather(
    call: &Call<'_>,
    held: &Held,
    view: &dyn View,
    asked: &Asked,
) -> Result<Gathered, Error> {
    let (groups, panels, sources) = (Vec::new(), BTreeSet::new(), BTreeMap::new());
    let mut look = Look { call, held, view, asked, groups, panels, sources, taken: 0 };
    for code in &asked.codes {
        look.group(code, &Value::Null);
    }
    for code in &asked.codes {
        for stored in look.found(code)? {
            look.observation(&stored, code)?;
        }
    }
    let mut sources: Vec<(i64, Id, Value)> =
        look.sources.into_iter().map(|(id, (at, value))| (at, id, value)).collect();
    sources.sort_by(|a, b| b.0.cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    // A panel is told by what it measures; what was asked for and has nothing at all says so.
    let panels = look.panels;
    let is_told = |group: &Filling| !group.own.measures.is_empty() || !panels.contains(&group.code);
    Ok(Gathered {
        groups: look.groups.into_iter().filter(is_told).map(|group| group.own).collect(),
        sources: sources.into_iter().map(|(_, _, value)| value).collect(),
    })
}

/// A group as it fills.
struct Filling {
    code: Code,
    own: Group,
    /// What was taken: Observations, each with the number of the component from 1, or 0 for itself.
    seen: BTreeSet<(Id, usize)>,
}

struct Look<'a> {
    call: &'a Call<'a>,
    held: &'a Held,
    view: &'a dyn View,
    asked: &'a Asked,
    groups: Vec<Filling>,
    /// The codes that were asked for and that panels have.
    panels: BTreeSet<Code>,
    sources: BTreeMap<Id, (i64, Value)>,
    taken: usize,
}

/// An Observation that counts.
struct Seen<'v> {
    id: &'v Id,
    at: i64,
    value: &'v Value,
}

impl Look<'_> {
    /// The Observations of the subject that have the code, or a component that does.
    fn found(&self, code: &Code) -> Result<Vec<Stored>, Error> {
        let rules = &self.held.rules;
        let limits = Limits { rows: self.call.app.config.max_search_rows, ..Limits::default() };
        let setting = Setting { rules, now: self.call.now, strict: true, limits };
        let pairs = [
            ("subject".to_owned(), self.asked.subject.clone()),
            ("combo-code".to_owned(), format!("{}|{}", escape(&code.system), escape(&code.code))),
        ];
        let mut query = Query::parse(&setting, self.call.kind()?, &pairs)?;
        (query.count, query.total) = (MOST, Total::None);
        let (mut found, mut cursor) = (Vec::new(), None);
        loop {
            let page = search::run(self.view, rules, &query, cursor.as_ref())?;
            found.extend(page.matches);
            cursor = page.next;
            if cursor.is_none() {
                return Ok(found);
            }
            if found.len() > MEASURES {
                return Err(too_costly(format!("more than {MEASURES} Observations have the code")));
            }
        }
    }

    /// The place of the group of a code.
    fn group(&mut self, code: &Code, coding: &Value) -> usize {
        let at = self.groups.iter().position(|group| group.code == *code).unwrap_or_else(|| {
            let coding = json!({ "system": code.system, "code": code.code });
            let own = Group { coding, measures: Vec::new() };
            self.groups.push(Filling { code: code.clone(), own, seen: BTreeSet::new() });
            self.groups.len() - 1
        });
        if let (Some(group), Some(display)) = (self.groups.get_mut(at), coding.get("display"))
            && let Some(object) = group.own.coding.as_object_mut()
        {
            object.entry("display").or_insert_with(|| display.clone());
        }
        at
    }

    /// Takes what an Observation measures of a code, by itself or in a component.
    fn observation(&mut self, stored: &Stored, code: &Code) -> Result<(), Error> {
        let Some(content) = stored.content()? else { return Ok(()) };
        let value = content.value();
        let Some(at) = self.time(value) else { return Ok(()) };
        let seen = Seen { id: &stored.id, at, value };
        if let Some(coding) = coding_of(value.at("code"), code) {
            if is_panel(value) {
                self.panels.insert(code.clone());
                return self.panel(&seen, DEPTH, &mut BTreeSet::new());
            }
            return self.take((code, coding), &seen, (0, value));
        }
        for (number, component) in (1..).zip(value.at("component").as_array().into_iter().flatten())
        {
            if let Some(coding) = coding_of(component.at("code"), code) {
                self.take((code, coding), &seen, (number, component))?;
            }
        }
        Ok(())
    }

    /// Takes what a panel measures: its components, and its members.
    fn panel(
        &mut self,
        panel: &Seen<'_>,
        depth: usize,
        visited: &mut BTreeSet<Id>,
    ) -> Result<(), Error> {
        // A panel may be its own member, by way of others.
        if !visited.insert(panel.id.clone()) {
            return Ok(());
        }
        let components = panel.value.at("component").as_array().into_iter().flatten();
        for (number, component) in (1..).zip(components) {
            if let Some((code, coding)) = first_code(component.at("code")) {
                self.take((&code, coding), panel, (number, component))?;
            }
        }
        let Some(depth) = depth.checked_sub(1) else { return Ok(()) };
        for member in panel.value.at("hasMember").as_array().into_iter().flatten() {
            let Some((kind, id)) = self.member(member) else { continue };
            let Some(stored) = repository::current(self.view, kind, &id)? else { continue };
            let Some(content) = stored.content()? else { continue };
            let value = content.value();
            let Some(at) = self.time(value) else { continue };
            let seen = Seen { id: &id, at, value };
            if is_panel(value) {
                self.panel(&seen, depth, visited)?;
            } else if let Some((code, coding)) = first_code(value.at("code")) {
                self.take((&code, coding), &seen, (0, value))?;
            }
        }
        Ok(())
    }

    /// The Observation that a panel names as its member, if it is one here.
    fn member(&self, member: &Value) -> Option<(ResourceType, Id)> {
        match Reference::parse(member.at("reference").as_str()?) {
            Reference::Resource { base, kind, id, .. }
                if kind.as_str() == "Observation"
                    && base.as_deref().is_none_or(|base| base == self.call.base) =>
            {
                Some((kind, id))
            }
            _ => None,
        }
    }

    /// The time of an Observation that counts, in the period that is asked about.
    fn time(&self, observation: &Value) -> Option<i64> {
        if observation.at("status") == "entered-in-error" {
            return None;
        }
        let Period { start, end, .. } = self.asked.period;
        time_of(observation).filter(|at| *at >= start && *at <= end)
    }

    /// Takes the value of an Observation (as number 0), or of its component of that number, once for
    /// each code.
    fn take(
        &mut self,
        (code, coding): (&Code, &Value),
        from: &Seen<'_>,
        (number, value): (usize, &Value),
    ) -> Result<(), Error> {
        let place = self.group(code, coding);
        let Some(group) = self.groups.get_mut(place) else { return Ok(()) };
        if !group.seen.insert((from.id.clone(), number)) {
            return Ok(());
        }
        group.own.measures.push(Measure { at: from.at, value: measured(value) });
        self.taken += 1;
        if self.taken > MEASURES {
            return Err(too_costly(format!("there are more than {MEASURES} measurements")));
        }
        self.sources.entry(from.id.clone()).or_insert_with(|| (from.at, from.value.clone()));
        Ok(())
    }
}

/// The first moment that an Observation is about; of a Timing the first event.
fn time_of(observation: &Value) -> Option<i64> {
    let text = |value: &Value| value.as_str().and_then(Interval::parse).map(|time| time.start);
    let period = observation.at("effectivePeriod");
    text(observation.at("effectiveDateTime"))
        .or_else(|| text(observation.at("effectiveInstant")))
        .or_else(|| text(period.at("start")).or_else(|| text(period.at("end"))))
        .or_else(|| {
            let events = observation.at("effectiveTiming").at("event").as_array();
            events.into_iter().flatten().filter_map(text).min()
        })
}

/// The value of an Observation or a component.
fn value_of(value: &Value) -> Option<(&String, &Value)> {
    let mut members = value.as_object()?.iter();
    members.find(|(name, _)| name.strip_prefix("value").is_some_and(|rest| !rest.is_empty()))
}

/// Whether an Observation only groups others: it says neither a value nor why there is none.
fn is_panel(observation: &Value) -> bool {
    let has = |name: &str| observation.get(name).is_some();
    value_of(observation).is_none()
        && !has("dataAbsentReason")
        && (has("component") || has("hasMember"))
}

fn measured(of: &Value) -> Measured {
    let Some((name, value)) = value_of(of) else { return Measured::Nothing };
    if name != "valueQuantity" {
        return Measured::Other;
    }
    let is_exact = value.get("comparator").is_none() && value.at("system") == ucum::SYSTEM;
    let number = value.at("value").as_number().map(ToString::to_string);
    let number = number.and_then(|text| {
        Decimal::from_str_exact(&text).or_else(|_| Decimal::from_scientific(&text)).ok()
    });
    let unit = value.at("code").as_str().filter(|unit| is_exact && ucum::check(unit).is_ok());
    match number.zip(unit) {
        Some((number, unit)) => Measured::Number(number, unit.to_owned()),
        None => Measured::Nothing,
    }
}

/// The coding of a concept that is that code.
fn coding_of<'v>(concept: &'v Value, code: &Code) -> Option<&'v Value> {
    let mut codings = concept.at("coding").as_array()?.iter();
    codings.find(|coding| {
        coding.at("system") == code.system.as_str() && coding.at("code") == code.code.as_str()
    })
}

/// The first code of a concept.
fn first_code(concept: &Value) -> Option<(Code, &Value)> {
    let codings = concept.at("coding").as_array()?.iter();
    let mut codes = codings.filter_map(|coding| {
        let system = coding.at("system").as_str().unwrap_or_default().to_owned();
        Some((Code { system, code: coding.at("code").as_str()?.to_owned() }, coding))
    });
    codes.next()
}
