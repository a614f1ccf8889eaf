//! `$lastn`: the most recent Observations of a subject, of each code.
//!
//! Which Observations come into question is a search like any other. They are told code by code, the
//! code with the newest first, each from the newest to the oldest: as many as `max` says, and as
//! many more as have the very time of the last. Two Observations have the same code when one
//! coding of the one (system and code) is one of the other, also by way of a third; without codings
//! when their texts are the same. Those that tell no time come last. Subjects are never mixed.
//! Source: <http://hl7.org/fhir/R4/observation-operation-lastn.html>.

use std::cmp::Reverse;
use std::collections::HashMap;

use serde_json::Value;

use crate::app::Held;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Resource, ResourceType};
use crate::index::date::Interval;
use crate::operation::pages::{self, Cursor, Page, missing, too_costly, whole};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, Stored};
use crate::search::query::Limits;
use crate::search::{self, Query, Setting, Summary, Total, subset};
use crate::store::{Overlay, View};

pub(super) const OPERATION: Operation = Operation {
    name: "lastn",
    definition: "http://hl7.org/fhir/OperationDefinition/Observation-lastn",
    levels: &[Level::Type],
    types: &["Observation"],
    by_get: true,
    document: false,
    run,
};

/// How many Observations may come into question.
const MOST: usize = 100_000;

/// Parameters of searches that would say something else than the operation does.
const REFUSED: [&str; 4] = ["_include", "_revinclude", "_total", "_sort"];

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let asked = Asked::read(call)?;
    let cursor = Cursor::of(call)?;
    let bad = || Error::Search(search::Error::BadCursor);
    let offset = cursor.as_ref().map(|cursor| cursor.place.parse::<usize>().map_err(|_| bad()));
    let offset = offset.transpose()?.unwrap_or_default();
    let held = call.app.held();
    let view = call.app.store.view()?;
    let (seen, batch) = pages::moment(&*view, &held, cursor.as_ref())?;
    let view = Overlay::new(&*view, &batch);
    let query = asked.query(call, &held)?;
    let last = last(candidates(&view, &held, &query)?, asked.max);
    let mut page = Page { total: u64::try_from(last.len()).ok(), ..Page::default() };
    let end = offset.saturating_add(asked.count).min(last.len());
    for id in last.get(offset..end).unwrap_or_default() {
        let stored = repository::current(&view, query.kind, id)?;
        let stored = stored.map(|stored| cut(stored, &held, &query)).transpose()?;
        page.matches.extend(stored);
    }
    page.next = (end < last.len()).then(|| Cursor { seen, place: end.to_string() });
    let bundle = page.bundle(call, "Observation/$lastn", (&asked.used, cursor.as_ref()));
    Ok(Output::Text(bundle.to_bytes()))
}

/// What of it `_summary` and `_elements` leave.
fn cut(stored: Stored, held: &Held, query: &Query) -> Result<Stored, Error> {
    if query.summary == Summary::False && query.elements.is_empty() {
        return Ok(stored);
    }
    let Some(mut resource) = stored.content()? else { return Ok(stored) };
    subset(&held.standard.model, &mut resource, query.summary, &query.elements);
    Ok(Stored { body: Some(resource.to_bytes()), ..stored })
}

/// What is asked.
struct Asked {
    max: usize,
    count: usize,
    criteria: Vec<(String, String)>,
    /// All parameters, for the links.
    used: Vec<(String, String)>,
}

impl Asked {
    fn read(call: &Call<'_>) -> Result<Self, Error> {
        let parameters = &call.parameters;
        let mut names = parameters.names()?;
        names.sort_unstable();
        names.dedup();
        let mut used = Vec::new();
        for name in names.iter().filter(|name| **name != pages::CURSOR) {
            used.extend(parameters.texts(name)?.into_iter().map(|text| ((*name).to_owned(), text)));
        }
        let is_own = |name: &str| ["max", "_count", "_format", "_pretty"].contains(&name);
        let criteria = used.iter().filter(|(name, _)| !is_own(name)).cloned().collect();
        let asked = Self {
            max: whole(call, "max")?.unwrap_or(1),
            count: pages::count(call)?,
            criteria,
            used,
        };
        let bare = |name: &str| name.split([':', '.']).next().unwrap_or_default().to_owned();
        let has = |fits: &dyn Fn(&str) -> bool| {
            asked.criteria.iter().any(|(name, value)| !value.is_empty() && fits(&bare(name)))
        };
        if !has(&|name| name == "patient" || name == "subject") {
            let text = "Whose Observations: the parameter patient or subject is needed.";
            return Err(missing("patient", text));
        }
        if !has(&|name| name == "category" || name.split('-').any(|part| part == "code")) {
            let text = "Which Observations: the parameter category or one about codes is needed.";
            return Err(missing("category", text));
        }
        let refused = asked.criteria.iter().find(|(name, value)| {
            REFUSED.contains(&bare(name).as_str())
                && (name.as_str(), value.as_str()) != ("_sort", "-date")
        });
        if let Some((name, _)) = refused {
            let text = "The operation says what is told and in which order; this is not offered.";
            return Err(Error::not_supported(format!("http.{name}"), text));
        }
        Ok(asked)
    }

    fn query(&self, call: &Call<'_>, held: &Held) -> Result<Query, Error> {
        let kind = call.kind()?;
        let limits = Limits { rows: call.app.config.max_search_rows, ..Limits::default() };
        let setting = Setting { rules: &held.rules, now: call.now, strict: true, limits };
        let mut query = Query::parse(&setting, kind, &self.criteria)?;
        if query.summary == Summary::Count {
            let text = "The operation tells Observations, not how many there are.";
            return Err(Error::not_supported("http._summary", text));
        }
        // The order is made here; by id each page of candidates is cheapest.
        query.sort.clear();
        (query.count, query.total) = (pages::MOST, Total::None);
        Ok(query)
    }
}

/// An Observation that comes into question.
#[derive(Clone, PartialEq, Eq, Debug)]
struct Candidate {
    id: Id,
    /// Its last moment, and its first; none: it tells no time.
    time: Option<(i64, i64)>,
    /// What it is about, each as text that tells it from all else.
    names: Vec<String>,
}

fn candidates(view: &dyn View, held: &Held, query: &Query) -> Result<Vec<Candidate>, Error> {
    let sources = held.rules.sources(query.kind, "date");
    let mut found = Vec::new();
    let mut cursor = None;
    loop {
        let page = search::run(view, &held.rules, query, cursor.as_ref())?;
        for stored in page.matches {
            let time = time(view, query.kind, &stored.id, sources)?;
            let content = stored.content()?;
            let names = content.as_ref().map(names).unwrap_or_default();
            found.push(Candidate { id: stored.id, time, names });
        }
        if found.len() > MOST {
            return Err(too_costly(format!("more than {MOST} Observations come into question")));
        }
        cursor = page.next;
        if cursor.is_none() {
            return Ok(found);
        }
    }
}

/// The time that the Observation is about, as `_sort=-date` has it.
fn time(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    sources: &[String],
) -> Result<Option<(i64, i64)>, Error> {
    let mut latest = None;
    for found in repository::read::keys(view, kind, id)?.of(sources) {
        let time = Interval::from_parts(&found?.1.parts);
        latest = latest.max(time.map(|time| (time.end, time.start)));
    }
    Ok(latest)
}

/// What an Observation is about: its subject with each of its codings, or with the text of its code.
fn names(observation: &Resource) -> Vec<String> {
    let value = observation.value();
    let subject = value.at("subject").at("reference").as_str().unwrap_or_default();
    let text = |value: &Value, name: &str| value.at(name).as_str().unwrap_or_default().to_owned();
    let code = value.at("code");
    let codings = code.at("coding").as_array().into_iter().flatten();
    let codings = codings.filter(|coding| coding.at("code").is_string());
    let named =
        codings.map(|coding| format!("{}|{}", text(coding, "system"), text(coding, "code")));
    let mut names: Vec<String> = named.map(|name| format!("{subject} c {name}")).collect();
    if names.is_empty() {
        names.push(format!("{subject} t {}", text(code, "text")));
    }
    names
}

/// The ids of the last of each group, in the order in which they are told.
fn last(candidates: Vec<Candidate>, max: usize) -> Vec<Id> {
    let mut groups: Vec<Vec<Candidate>> = Vec::new();
    let mut by_name: HashMap<String, usize> = HashMap::new();
    for candidate in candidates {
        let mut known: Vec<usize> =
            candidate.names.iter().filter_map(|name| by_name.get(name).copied()).collect();
        known.sort_unstable();
        known.dedup();
        let group = known.first().copied().unwrap_or(groups.len());
        if known.is_empty() {
            groups.push(Vec::new());
        }
        // A candidate that has names of several groups makes one of them.
        for other in known.into_iter().skip(1) {
            let moved = groups.get_mut(other).map(std::mem::take).unwrap_or_default();
            for name in moved.iter().flat_map(|candidate| &candidate.names) {
                by_name.insert(name.clone(), group);
            }
            if let Some(own) = groups.get_mut(group) {
                own.extend(moved);
            }
        }
        for name in &candidate.names {
            by_name.insert(name.clone(), group);
        }
        if let Some(own) = groups.get_mut(group) {
            own.push(candidate);
        }
    }
    for group in &mut groups {
        group.sort_by(|a, b| (Reverse(a.time), &a.id).cmp(&(Reverse(b.time), &b.id)));
        let nth = max.checked_sub(1).and_then(|at| group.get(at)).map(|candidate| candidate.time);
        if let Some(nth) = nth {
            let mut at = 0;
            group.retain(|candidate| {
                at += 1;
                at <= max || nth.is_some() && candidate.time == nth
            });
        }
    }
    let newest =
        |group: &Vec<Candidate>| group.first().map(|first| (Reverse(first.time), first.id.clone()));
    groups.sort_by_cached_key(newest);
    groups.into_iter().flatten().map(|candidate| candidate.id).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each candidate as id, time (0: none), names.
    fn check(max: usize, candidates: &[(&str, i64, &str)], expected: &str) {
        let list = candidates.iter().map(|(id, time, names)| Candidate {
            id: Id::parse(id).unwrap(),
            time: (*time != 0).then_some((*time, *time)),
            names: names.split(' ').map(str::to_owned).collect(),
        });
        let found: Vec<String> =
            last(list.collect(), max).iter().map(ToString::to_string).collect();
        assert_eq!(found.join(" "), expected, "{max} {candidates:?}");
    }

    /// <http://hl7.org/fhir/R4/observation-operation-lastn.html>: groups by code, translations
    /// joined, ties kept, one of each where `max` does not say.
    #[test]
    fn the_last_of_each() {
        let plain = [("a", 1, "x"), ("b", 3, "x"), ("c", 2, "y"), ("d", 2, "x")];
        check(1, &plain, "b c");
        check(2, &plain, "b d c");
        check(9, &plain, "b d a c");
        check(1, &[("a", 2, "x"), ("b", 2, "x"), ("c", 1, "x")], "a b");
        check(2, &[("a", 3, "x"), ("b", 2, "x"), ("c", 2, "x"), ("d", 1, "x")], "a b c");
        // x and z are the same by way of the third, wherever it comes.
        check(1, &[("a", 1, "x"), ("b", 2, "z"), ("c", 3, "x z"), ("d", 4, "y")], "d c");
        check(9, &[("a", 1, "x"), ("b", 2, "x y"), ("c", 3, "y z"), ("d", 4, "w")], "d c b a");
        // Without a time: last, and never tied.
        check(1, &[("a", 0, "x"), ("b", 1, "x")], "b");
        check(1, &[("b", 0, "x"), ("a", 0, "x")], "a");
        check(3, &[("b", 0, "x"), ("c", 5, "x")], "c b");
    }
}
