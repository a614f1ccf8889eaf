//! The episodes that an audit counts, gathered through the index.
//!
//! Those that ended within a period, each with the facts of its summary. They are computed anew for
//! every question, so they are never stale; more episodes than [`MOST`] are refused.
//! Source: <http://hl7.org/fhir/R4/episodeofcare.html>.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::app::App;
use crate::audit::Facts;
use crate::clinical::element::{items, text};
use crate::clinical::source::{Day, Source};
use crate::clinical::{Record, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource};
use crate::operation::episode::{self, Episode};
use crate::operation::letters::contents;
use crate::operation::pages::too_costly;
use crate::repository;
use crate::store::View;

/// How many episodes one question may count.
const MOST: usize = 5_000;

/// Whose episodes are counted; what is empty does not narrow.
#[derive(Default)]
pub(super) struct Cohort {
    /// The subject: a Patient, Practitioner, Organization or Group, as a reference.
    pub subject: Option<String>,
    /// The practitioner, as a reference.
    pub practitioner: Option<String>,
    /// The patients of the subject, where it is a Group.
    members: Option<BTreeSet<String>>,
}

/// One episode with what it rests on.
pub(super) struct Case {
    /// The facts.
    pub facts: Facts,
    /// The versions that they come from.
    pub sources: Vec<String>,
}

impl Cohort {
    /// The cohort of a subject and a practitioner.
    ///
    /// # Errors
    /// [`Error::Request`] for a subject of another type, or one that is not stored.
    pub(super) fn read(
        view: &dyn View,
        subject: Option<String>,
        practitioner: Option<String>,
    ) -> Result<Self, Error> {
        let mut cohort = Self { subject, practitioner, members: None };
        if let Some(practitioner) = &cohort.practitioner {
            stored(view, practitioner, &["Practitioner"], "http.practitioner")?;
        }
        if let Some(subject) = &cohort.subject {
            let types = ["Patient", "Practitioner", "Organization", "Group"];
            let resource = stored(view, subject, &types, "http.subject")?;
            if resource.kind().as_str() == "Group" {
                cohort.members = Some(members(&resource)?);
            }
        }
        Ok(cohort)
    }

    fn has(&self, facts: &Facts) -> bool {
        let is = |wanted: &Option<String>, own: &Option<String>| wanted.is_none() || wanted == own;
        let subject = match self.subject.as_deref().and_then(|subject| subject.split('/').next()) {
            Some("Patient") => is(&self.subject, &facts.patient),
            Some("Practitioner") => is(&self.subject, &facts.practitioner),
            Some("Organization") => is(&self.subject, &facts.site),
            Some(_) => {
                let members = self.members.as_ref();
                members.zip(facts.patient.as_ref()).is_some_and(|(all, own)| all.contains(own))
            }
            None => true,
        };
        subject && is(&self.practitioner, &facts.practitioner)
    }
}

/// The resource of a reference of one of the types.
fn stored(
    view: &dyn View,
    reference: &str,
    types: &[&str],
    place: &str,
) -> Result<Resource, Error> {
    let rule = format!("The parameter names one of {} on this server.", types.join(", "));
    let wrong = || Error::request(place, rule.clone());
    let parsed = Reference::parse(reference);
    let target = parsed.target().filter(|(kind, _)| types.contains(&kind.as_str()));
    let (kind, id) = target.ok_or_else(wrong)?;
    let found = repository::current(view, kind, id)?.ok_or_else(wrong)?;
    found.content()?.ok_or_else(wrong)
}

/// The patients of a Group that lists them.
fn members(group: &Resource) -> Result<BTreeSet<String>, Error> {
    let value = group.value();
    if value.pointer("/actual") != Some(&Value::Bool(true)) {
        let rule = "The Group lists its members: actual is true.";
        return Err(Error::request("http.subject", rule));
    }
    let active =
        items(value, "/member").filter(|member| member.get("inactive") != Some(&Value::Bool(true)));
    Ok(active.filter_map(|member| text(member, "/entity/reference")).map(str::to_owned).collect())
}

/// The cases of a cohort whose episode ended from the first to the last day, by id of the episode.
///
/// # Errors
/// A failure of the store, or a refusal as too costly.
pub(super) fn cases(
    app: &App,
    view: &dyn View,
    now: Instant,
    (first, last): (Day, Day),
    cohort: &Cohort,
) -> Result<Vec<Case>, Error> {
    let ids = episode::ids_within(app, view, (first, last), now)?;
    if ids.len() > MOST {
        return Err(too_costly(format!("more than {MOST} episodes; ask for a shorter period")));
    }
    let mut cases = Vec::new();
    for id in ids {
        let case = case(app, view, &id, now)?;
        let ended = case.facts.end.is_some_and(|end| first <= end && end <= last);
        if ended && cohort.has(&case.facts) {
            cases.push(case);
        }
    }
    Ok(cases)
}

fn case(app: &App, view: &dyn View, id: &Id, now: Instant) -> Result<Case, Error> {
    let Episode { episode, resources } = Episode::whole(app, view, id, now, None)?;
    let record = Record::build(&episode, &resources);
    let summary = summary_by(&record, now, &app.thresholds);
    let about = format!("EpisodeOfCare/{id}");
    let letters = contents(app, view, now, ("DocumentReference", "encounter", &about))?;
    let mut sources: Vec<String> = summary.sources.iter().map(ToString::to_string).collect();
    sources.extend(letters.iter().filter_map(Source::of).map(|source| source.to_string()));
    Ok(Case { facts: Facts::of(&record, &summary, &letters), sources })
}
