//! The episodes whose facts may be others after some commits.
//!
//! Rather one too many than one too few. An episode is touched by a change of itself; of what refers
//! to it or to one of its visits, in any version that the commits made or replaced; and of what its
//! facts name, which their rows tell. Of the people and places that many episodes name only what
//! facts can see is looked at, so that a new address touches none.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use crate::audit::Ledger;
use crate::clinical::element::{references, text};
use crate::error::Error;
use crate::fhir::{Id, Reference, Resource, ResourceType, VersionId};
use crate::repository::facts::Name;
use crate::repository::{self, Event, facts};
use crate::store::View;

const EPISODE: &str = "EpisodeOfCare";
const VISIT: &str = "Encounter";

/// Whom facts name only as who or where it was.
const PARTIES: [&str; 4] = ["Location", "Organization", "Practitioner", "PractitionerRole"];

/// The episodes that those commits touch.
///
/// # Errors
/// A failure of the store.
pub(super) fn touched(
    view: &dyn View,
    ledger: &Ledger,
    events: &[Event],
) -> Result<BTreeSet<Id>, Error> {
    let mut first: BTreeMap<Name, VersionId> = BTreeMap::new();
    for told in events.iter().flat_map(|event| &event.changes) {
        let name = (told.kind, told.id.clone());
        let least = first.entry(name).or_insert(told.version);
        *least = told.version.min(*least);
    }
    let mut touched = Touched { view, episodes: BTreeSet::new(), visits: BTreeSet::new() };
    for ((kind, id), from) in first {
        let versions = versions(view, (kind, &id), from)?;
        if kind.as_str() == EPISODE {
            touched.episodes.insert(id.clone());
        }
        versions.iter().flatten().for_each(|version| touched.refers(version));
        if !is_the_same(&versions) {
            let name = (kind, id);
            touched.episodes.extend(ledger.unsaved_naming(&name).cloned());
            for episode in facts::naming(view, (name.0, &name.1)) {
                touched.episodes.insert(episode?);
            }
        }
    }
    touched.finish()
}

struct Touched<'a> {
    view: &'a dyn View,
    episodes: BTreeSet<Id>,
    visits: BTreeSet<Id>,
}

impl Touched<'_> {
    /// Notes the episodes and visits that a version refers to.
    fn refers(&mut self, version: &Resource) {
        references(version.value(), &mut |text| {
            let reference = Reference::parse(text);
            match reference.target() {
                Some((kind, id)) if kind.as_str() == EPISODE => {
                    self.episodes.insert(id.clone());
                }
                Some((kind, id)) if kind.as_str() == VISIT => {
                    self.visits.insert(id.clone());
                }
                _ => {}
            }
        });
    }

    /// With the episodes of the visits. What a visit belonged to before is told by its own change.
    fn finish(mut self) -> Result<BTreeSet<Id>, Error> {
        let kind = ResourceType::parse(VISIT).ok_or(Error::UnknownType)?;
        for visit in std::mem::take(&mut self.visits) {
            let stored = repository::current(self.view, kind, &visit)?;
            if let Some(visit) = stored.map(|stored| stored.content()).transpose()?.flatten() {
                self.refers(&visit);
            }
        }
        Ok(self.episodes)
    }
}

/// The versions from the one before `from` to the current one; none for deletions, and for what was
/// before the first.
fn versions(
    view: &dyn View,
    (kind, id): (ResourceType, &Id),
    from: VersionId,
) -> Result<Vec<Option<Resource>>, Error> {
    let before = VersionId(from.0.saturating_sub(1));
    let mut versions = Vec::new();
    let mut at = before;
    loop {
        let stored = repository::version(view, kind, id, at)?;
        if stored.is_none() && at.0 > 0 {
            return Ok(versions);
        }
        versions.push(stored.map(|stored| stored.content()).transpose()?.flatten());
        at = at.next();
    }
}

/// Whether facts that name the resource are the same for all these versions.
fn is_the_same(versions: &[Option<Resource>]) -> bool {
    let mut seen = versions.iter().map(|version| version.as_ref().map(seen));
    match seen.next() {
        Some(Some(Some(first))) => seen.all(|other| other.flatten().as_ref() == Some(&first)),
        _ => false,
    }
}

/// What facts can see of a person or place: its standing, and all that it refers to.
fn seen(resource: &Resource) -> Option<Vec<String>> {
    if !PARTIES.contains(&resource.kind().as_str()) {
        return None;
    }
    let value: &Value = resource.value();
    let mut seen: Vec<String> = Vec::new();
    seen.push(text(value, "/status").unwrap_or_default().to_owned());
    // That a role names its practitioner, and not only somebody, counts too.
    seen.push(text(value, "/practitioner/reference").unwrap_or_default().to_owned());
    references(value, &mut |text| seen.push(text.to_owned()));
    Some(seen)
}
