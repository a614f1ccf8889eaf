//! What `$consistency` finds now and did not find before.

use std::collections::BTreeSet;

use crate::app::App;
use crate::clinical::consistency::Finding;
use crate::clinical::element::references;
use crate::clinical::{Record, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType};
use crate::notify::Fault;
use crate::operation::episode::Episode;
use crate::repository::{self, Stored};
use crate::store::{Overlay, Seq, View};

const EPISODE: &str = "EpisodeOfCare";
const VISIT: &str = "Encounter";

/// How many resources may have changed since for an earlier moment to be looked at.
const MOST: usize = 20_000;

/// The episodes that a resource is part of: by itself, by its links, by those of its visits.
pub(super) fn episodes(view: &dyn View, resource: &Resource) -> Result<BTreeSet<Id>, Fault> {
    let mut found = BTreeSet::new();
    if resource.kind().as_str() == EPISODE {
        found.extend(resource.id_text().and_then(Id::parse));
    }
    for (kind, id) in targets(resource) {
        match kind.as_str() {
            EPISODE => {
                found.insert(id);
            }
            VISIT => {
                let visit = repository::current(view, kind, &id)?;
                let visit = visit.map(|visit| visit.content()).transpose()?.flatten();
                let episodes = visit.iter().flat_map(targets);
                found.extend(episodes.filter(|(k, _)| k.as_str() == EPISODE).map(|(_, id)| id));
            }
            _ => {}
        }
    }
    Ok(found)
}

fn targets(resource: &Resource) -> Vec<(ResourceType, Id)> {
    let mut found = Vec::new();
    references(resource.value(), &mut |text| {
        let reference = Reference::parse(text);
        found.extend(reference.target().map(|(kind, id)| (kind, id.clone())));
    });
    found
}

/// The episode, if something is found after the later commit that was not found after the earlier.
pub(super) fn fresh(
    app: &App,
    view: &dyn View,
    id: &Id,
    (from, until): (Seq, Seq),
    at: Instant,
) -> Result<Option<Stored>, Fault> {
    let held = app.held();
    let after = |seq| repository::past(view, seq, MOST, |resource| held.entries(resource));
    let (Some(then), Some(now)) = (after(from)?, after(until)?) else {
        tracing::warn!("too much has changed to tell which findings are new");
        return Ok(None);
    };
    let before = findings(app, &Overlay::new(view, &then), id, at)?;
    let overlay = Overlay::new(view, &now);
    if findings(app, &overlay, id, at)?.is_subset(&before) {
        return Ok(None);
    }
    let kind = ResourceType::parse(EPISODE).ok_or(Error::UnknownType)?;
    Ok(repository::current(&overlay, kind, id)?)
}

/// What is found in the record of the episode, as far as the view shows it.
fn findings(app: &App, view: &dyn View, id: &Id, at: Instant) -> Result<BTreeSet<String>, Fault> {
    let Episode { episode, resources } = match Episode::whole(app, view, id, at, None) {
        Err(Error::NotFound | Error::Deleted(_)) => return Ok(BTreeSet::new()),
        found => found?,
    };
    let summary = summary_by(&Record::build(&episode, &resources), at, &app.thresholds);
    Ok(summary.findings.iter().map(name).collect())
}

/// A finding as the same thing in every version of its evidence.
fn name(finding: &Finding) -> String {
    let mut sources: Vec<String> =
        finding.sources.iter().map(|source| source.target().to_string()).collect();
    sources.sort();
    let segment = finding.segment.map_or("", |segment| segment.code());
    let day = finding.day.map(|day| day.to_string()).unwrap_or_default();
    let about = finding.about.unwrap_or_default();
    format!("{} {segment} {day} {about} {}", finding.kind.code(), sources.join(" "))
}
