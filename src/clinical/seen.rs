//! What every fact has in common: when it was so, at which visit, by whom, stated where.

use serde_json::Value;

use crate::clinical::element::{Target, at, items, target, text};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::source::{Moment, Source};
use crate::fhir::Resource;

/// When, where, by whom a fact was recorded, and in which resource.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Seen {
    /// When it was so.
    pub at: Moment,
    /// The resource that says so.
    pub source: Source,
    /// The visit, where one is named.
    pub visit: Option<Target>,
    /// Who looked or acted, as far as the resource says.
    pub by: Vec<Target>,
}

/// Where the moment of a fact may stand, in order of preference.
const MOMENTS: [&str; 10] = [
    "/effectiveDateTime",
    "/effectiveInstant",
    "/effectivePeriod/end",
    "/effectivePeriod/start",
    "/performedDateTime",
    "/performedPeriod/start",
    "/dateTime",
    "/date",
    "/authored",
    "/sent",
];

impl Seen {
    /// What the resource says of itself; a gap instead where its day is not known.
    pub fn of(resource: &Resource, about: &str, gaps: &mut Vec<Gap>) -> Option<Self> {
        let source = Source::of(resource)?;
        let value = resource.value();
        let moment = MOMENTS.iter().find_map(|pointer| text(value, pointer));
        let Some(moment) = moment.and_then(Moment::parse) else {
            let kind = GapKind::NotReadable;
            gaps.push(Gap::at(kind, about, &format!("{}.date", resource.kind()), &source));
            return None;
        };
        let visit = target(value, "/encounter").or_else(|| target(value, "/context"));
        Some(Self { at: moment, source, visit, by: performers(value) })
    }
}

fn performers(value: &Value) -> Vec<Target> {
    let mut by: Vec<Target> = items(value, "/performer")
        .filter_map(|performer| {
            let actor = if at(performer, "/actor").is_null() { "" } else { "/actor" };
            target(performer, actor)
        })
        .collect();
    by.sort();
    by.dedup();
    by
}
