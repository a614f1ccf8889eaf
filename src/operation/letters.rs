//! The letters of an episode as they are stored, and who may sign the next one.
//!
//! Compositions that name the episode, with the `DocumentReference`s of their forms, whose bytes are
//! held against the hashes that were signed, and the Provenance with its inputs.
//! Source: <http://hl7.org/fhir/R4/composition.html>, <http://hl7.org/fhir/R4/documentreference.html>.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::app::App;
use crate::clinical::element::{Target, at, items, target, text};
use crate::clinical::people::Party;
use crate::clinical::{Record, Summary, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource};
use crate::letter::filed::{Filed, Form};
use crate::letter::inputs_digest;
use crate::operation::episode::{self, Episode};
use crate::repository;
use crate::store::View;

/// Someone who may sign: a Practitioner or `PractitionerRole` of the episode.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Signer {
    /// The name.
    pub name: String,
    /// The reference.
    pub reference: String,
}

/// An episode with its letters.
pub struct Letters {
    /// The episode as it stands now.
    pub summary: Summary,
    /// The digest of everything that a letter of now would be made from.
    pub digest: String,
    /// Who may sign, the care manager first; of whoever acts for a practitioner only that one.
    pub signers: Vec<Signer>,
    /// The letters, the latest first.
    pub filed: Vec<Filed>,
}

/// The letters of an episode, as they are stored now.
///
/// # Errors
/// As [`Episode::whole`].
pub fn letters(app: &App, id: &Id, now: Instant) -> Result<Letters, Error> {
    let view = app.store.view()?;
    let whole = Episode::whole(app, &*view, id, now, None)?;
    drop(view);
    whole.may_leave(app, now)?;
    let Episode { episode, resources } = whole;
    let view = app.store.view()?;
    let mut filed = filed(app, &*view, &episode, now)?;
    for one in &mut filed {
        let forms = std::mem::take(&mut one.forms).into_iter().map(|form| checked(&*view, form));
        one.forms = forms.collect::<Result<_, _>>()?;
    }
    drop(view);
    let record = Record::build(&episode, &resources);
    let summary = summary_by(&record, now, &app.thresholds);
    let digest = inputs_digest(&summary, &record);
    let own = app.access.as_ref().and_then(|access| access.practitioner());
    let mut signers = signers(&record, &episode, &resources);
    if let Some(own) = &own {
        signers.retain(|signer| is_own(&record, signer, own));
    }
    Ok(Letters { summary, digest, signers, filed })
}

/// The letters of an episode without a look at the bytes of their forms, the latest first.
///
/// # Errors
/// A failure of the store.
pub(super) fn filed(
    app: &App,
    view: &dyn View,
    episode: &Resource,
    now: Instant,
) -> Result<Vec<Filed>, Error> {
    let (Some(patient), Some(id)) = (target(episode.value(), "/patient"), episode.id_text()) else {
        return Ok(Vec::new());
    };
    let own = format!("EpisodeOfCare/{id}");
    let is_own = |composition: &Resource| {
        let mut details =
            items(composition.value(), "/event").flat_map(|event| items(event, "/detail"));
        details.any(|detail| text(detail, "/reference") == Some(&own))
    };
    let of_patient = contents(app, view, now, ("Composition", "subject", &patient.to_string()))?;
    let mut all = Vec::new();
    for composition in of_patient.iter().filter(|composition| is_own(composition)) {
        let part = |pointer| text(composition.value(), pointer).unwrap_or_default();
        let number = format!("{}|{}", part("/identifier/system"), part("/identifier/value"));
        let references = contents(app, view, now, ("DocumentReference", "identifier", &number))?;
        let target = format!("Composition/{}", composition.id_text().unwrap_or_default());
        let provenances = contents(app, view, now, ("Provenance", "target", &target))?;
        let Some(mut filed) = Filed::of(composition, &references, &provenances) else { continue };
        filed.name = filed.signer.as_ref().map(|by| name(view, by)).transpose()?.flatten();
        all.push(filed);
    }
    all.sort_by(|a, b| (b.moment, &b.letter).cmp(&(a.moment, &a.letter)));
    Ok(all)
}

/// What a search finds, as it is stored now.
pub(super) fn contents(
    app: &App,
    view: &dyn View,
    now: Instant,
    (kind, parameter, value): (&str, &str, &str),
) -> Result<Vec<Resource>, Error> {
    let found = episode::found(app, view, now, (kind, parameter, value))?;
    let contents = found.iter().map(repository::Stored::content);
    Ok(contents.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
}

/// A form with its bytes held against its hash.
fn checked(view: &dyn View, form: Form) -> Result<Form, Error> {
    let binary = form.held_by.as_ref().filter(|target| target.is("Binary"));
    let binary = binary.map(|target| current(view, &target.to_string())).transpose()?.flatten();
    Ok(form.held_against(binary.as_ref()))
}

/// The resource that a reference names, as it is stored now.
pub(super) fn current(view: &dyn View, reference: &str) -> Result<Option<Resource>, Error> {
    let reference = Reference::parse(reference);
    let Some((kind, id)) = reference.target() else { return Ok(None) };
    let stored = repository::current(view, kind, id)?;
    Ok(stored.map(|stored| stored.content()).transpose()?.flatten())
}

/// The name of a person or of who has a role.
fn name(view: &dyn View, by: &Target) -> Result<Option<String>, Error> {
    let Some(resource) = current(view, &by.to_string())? else { return Ok(None) };
    let person = target(resource.value(), "/practitioner");
    let person = person.map(|person| current(view, &person.to_string())).transpose()?.flatten();
    Ok(Party::of(person.as_ref().unwrap_or(&resource)).map(|party| party.name))
}

/// The people who worked in the episode and are still active, by name; its care manager first.
fn signers(record: &Record<'_>, episode: &Resource, resources: &[Resource]) -> Vec<Signer> {
    let manager = target(episode.value(), "/careManager");
    let at_work = resources.iter().flat_map(worked);
    let all: BTreeSet<Target> = at_work.chain(manager.clone()).collect();
    let active = |by: &Target| {
        record.resource(by).is_some_and(|who| at(who.value(), "/active") != &Value::Bool(false))
    };
    let named = all.into_iter().filter(|by| can_sign(by) && active(by)).filter_map(|by| {
        let name = record.party_of(Some(&by))?.name;
        (!name.trim().is_empty()).then(|| Signer { name, reference: by.to_string() })
    });
    let mut signers: Vec<Signer> = named.collect();
    let first = manager.map(|manager| manager.to_string());
    signers.sort_by_key(|signer| {
        (Some(&signer.reference) != first.as_ref(), signer.name.clone(), signer.reference.clone())
    });
    signers
}

/// Whether who signs is that practitioner, or has a role of theirs.
fn is_own(record: &Record<'_>, signer: &Signer, own: &str) -> bool {
    let role = Target::of(&signer.reference).and_then(|by| record.resource(&by));
    let person = role.and_then(|role| target(role.value(), "/practitioner"));
    signer.reference == own || person.is_some_and(|person| person.to_string() == own)
}

/// Whether that is someone who can sign.
pub(super) fn can_sign(by: &Target) -> bool {
    by.is("Practitioner") || by.is("PractitionerRole")
}

/// Who did what a resource tells of.
fn worked(resource: &Resource) -> Vec<Target> {
    let value = resource.value();
    let (list, pointer) = match resource.kind().as_str() {
        "Encounter" => ("/participant", "/individual"),
        "Procedure" => ("/performer", "/actor"),
        "Observation" => ("/performer", ""),
        _ => return Vec::new(),
    };
    items(value, list).filter_map(|one| target(one, pointer)).collect()
}
