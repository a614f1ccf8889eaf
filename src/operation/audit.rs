//! The episodes that an audit counts, gathered through the index.
//!
//! Those that ended within a period, each with the facts of its summary. Counts rest on the facts
//! that are kept ([`crate::operation::facts`]). What also tells the evidence of each case is computed
//! from the records, and so is everything for a client that may not see everything; of that more than
//! [`MOST`] episodes are refused.
//! Source: <http://hl7.org/fhir/R4/episodeofcare.html>.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::app::App;
use crate::audit::{Facts, Ledger};
use crate::clinical::source::Day;
use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource};
use crate::operation::episode;
use crate::operation::facts::{Case, Computer};
use crate::operation::pages::too_costly;
use crate::repository::{self, group};
use crate::store::View;

/// How many episodes are computed for one question.
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
                cohort.members = Some(members(view, &resource)?);
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
fn members(view: &dyn View, group: &Resource) -> Result<BTreeSet<String>, Error> {
    if group.value().pointer("/actual") != Some(&Value::Bool(true)) {
        let rule = "The Group lists its members: actual is true.";
        return Err(Error::request("http.subject", rule));
    }
    let (mut patients, mut groups) = (BTreeSet::new(), BTreeSet::new());
    if let Some(id) = group.id_text().and_then(Id::parse) {
        group::members(view, (group.kind(), id), &mut patients, &mut groups)?;
    }
    Ok(patients.into_iter().map(|id| format!("Patient/{id}")).collect())
}

/// The episodes of a cohort that ended in a period.
pub(super) struct Asked<'a> {
    /// The application.
    pub app: &'a App,
    /// The time of the request.
    pub now: Instant,
    /// First and last day.
    pub period: (Day, Day),
    /// Whose.
    pub cohort: &'a Cohort,
}

impl Asked<'_> {
    fn has(&self, facts: &Facts) -> bool {
        let (first, last) = self.period;
        facts.end.is_some_and(|end| first <= end && end <= last) && self.cohort.has(facts)
    }

    /// The facts that are kept of them, by id of the episode.
    pub(super) fn kept<'l>(&self, ledger: &'l Ledger) -> Vec<&'l Facts> {
        ledger.cases().map(|(_, facts)| facts).filter(|facts| self.has(facts)).collect()
    }

    /// The cases computed from what the view shows, with all that they rest on, by id of the episode;
    /// the ledger, where there is one, tells which these are.
    ///
    /// # Errors
    /// A failure of the store, or a refusal as too costly.
    pub(super) fn computed(
        &self,
        view: &dyn View,
        ledger: Option<&Ledger>,
    ) -> Result<Vec<Case>, Error> {
        let ids = match ledger {
            Some(ledger) => {
                let own = ledger.cases().filter(|(_, facts)| self.has(facts));
                own.map(|(id, _)| id.clone()).collect()
            }
            None => episode::ids_within(self.app, view, self.period, self.now)?,
        };
        if ids.len() > MOST {
            let text = format!("more than {MOST} episodes; ask for a shorter period or a subject");
            return Err(too_costly(text));
        }
        let held = self.app.held();
        let computer = Computer::new((&held, &self.app.thresholds), view)?;
        let mut cases = Vec::new();
        for id in ids {
            let case = computer.case(&id)?;
            if self.has(&case.facts) {
                cases.push(case);
            }
        }
        Ok(cases)
    }
}
