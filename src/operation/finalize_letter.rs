//! `$finalize-letter`: a letter is signed, stored whole, and never changed again.
//!
//! One transaction stores Composition, document Bundle, page and PDF, a `DocumentReference` for each
//! form, and the Provenance with the digest of the inputs. A letter that replaces earlier ones says
//! so, and their `DocumentReference`s become superseded in the same transaction. The time of the
//! signature is that of the request: nobody signs in the past.
//!
//! Between reading and storing nothing of the record may have changed, and all that the letter names
//! must be there: else it is made anew. Who signs can say which record was read (`digest`); the same
//! letter is signed once only, also by two requests at one time.
//! Source: `schemas/operation/finalize-letter.json`,
//! <http://hl7.org/fhir/R4/documents.html#content>.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::app::Held;
use crate::clinical::element::{self, Target, at, target};
use crate::clinical::source::Source;
use crate::clinical::{Record, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Issue, IssueType, Resource, ResourceType};
use crate::letter::filed::Filed;
use crate::letter::{self, Finalising, Signature};
use crate::operation::episode::{self, Episode};
use crate::operation::episode_summary::{kind, language};
use crate::operation::letters::{can_sign, current, filed};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, Change, Method, Stored, key};
use crate::store::{self, Expect, View};

pub(super) const OPERATION: Operation = Operation {
    name: "finalize-letter",
    definition: "https://spondyl.example/fhir/OperationDefinition/finalize-letter",
    levels: &[Level::Instance],
    types: &["EpisodeOfCare"],
    by_get: false,
    document: false,
    run,
};

/// How often it is tried when others write the same resources.
const TRIES: usize = 3;
/// The longest text that a signer can add, in characters.
const ADDED: usize = 4000;

fn run(call: &Call<'_>) -> Result<Output, Error> {
    for _ in 0..TRIES {
        match once(call) {
            Err(Error::Repository(repository::Error::Store(store::Error::Conflict))) => {}
            done => return done,
        }
    }
    Err(Error::Conflict)
}

/// What a letter is made from, as one view shows it.
struct Start {
    episode: Resource,
    resources: Vec<Resource>,
    signer: Signer,
    replaced: Replaced,
    filed: Vec<Filed>,
}

impl Start {
    fn read(call: &Call<'_>) -> Result<Self, Error> {
        let view = call.app.store.view()?;
        let id = call.id().ok_or(Error::UnknownRoute)?;
        let Episode { episode, resources } = Episode::whole(call.app, &*view, id, call.now, None)?;
        signable(&episode, &resources)?;
        let (signer, replaced) = (signer(call, &*view)?, Replaced::read(call, &*view, id)?);
        let filed = filed(call.app, &*view, &episode, call.now)?;
        drop(view);
        let whole = Episode { episode, resources };
        whole.may_leave(call.app, call.now)?;
        let Episode { episode, resources } = whole;
        Ok(Self { episode, resources, signer, replaced, filed })
    }
}

fn once(call: &Call<'_>) -> Result<Output, Error> {
    let words = language(&call.parameters)?;
    let kind = kind(&call.parameters)?;
    let added = added(call)?;
    let Start { episode, mut resources, signer, replaced, filed } = Start::read(call)?;
    let read = versions(resources.iter().chain([&episode]));
    resources.extend(signer.resources);
    let record = Record::build(&episode, &resources);
    let party = record.party_of(Some(&signer.by)).filter(|party| !party.name.trim().is_empty());
    let unnamed = || Error::request("http.attester", "Who signs has a name in the record.");
    let name = party.ok_or_else(unnamed)?.name;
    let signature = Signature { name, by: signer.by, at: call.now };
    let summary = summary_by(&record, call.now, &call.app.thresholds);
    if summary.course.start.is_none() && summary.course.latest_visit.is_none() {
        let text = "A letter says of what time it is; the episode has neither a begin nor a visit.";
        return refuse("EpisodeOfCare.period", text);
    }
    as_read(call, &letter::inputs_digest(&summary, &record))?;
    let made = letter::finalise(
        &summary,
        &record,
        &Finalising {
            base: call.base,
            signature: &signature,
            replaces: &replaced.targets,
            kind,
            words,
            added: added.as_deref(),
        },
    );
    let made = made.map_err(|error| Error::Internal(Box::new(error)))?;
    let part = |kind: &str| made.iter().find(|part| at(part, "/resourceType") == kind);
    if let Some((letter, provenance)) = part("Composition").zip(part("Provenance"))
        && let Some(before) = filed.iter().find(|one| one.says_the_same(letter, provenance))
    {
        return Ok(Output::Resource(told_before(before)));
    }
    let told = told(&made);
    store(call, made, replaced.references, &read)?;
    Ok(Output::Resource(told))
}

/// The refusal of an episode as it stands.
fn refuse<T>(place: &str, text: &str) -> Result<T, Error> {
    Err(Error::Standing(Issue::error(IssueType::BusinessRule, text).at(place)))
}

/// Refuses an episode that no letter can be of.
fn signable(episode: &Resource, resources: &[Resource]) -> Result<(), Error> {
    if status_of(episode) == "entered-in-error" {
        let text = "The episode was entered in error; no letter of it is signed.";
        return refuse("EpisodeOfCare.status", text);
    }
    let patient = target(episode.value(), "/patient");
    let held = |resource: &Resource| Source::of(resource).map(|source| source.target().clone());
    if patient.is_none() || !resources.iter().any(|resource| held(resource) == patient) {
        let text = "A letter is of a patient that this server holds; the episode names none.";
        return refuse("EpisodeOfCare.patient", text);
    }
    Ok(())
}

/// What the signer adds in own words.
fn added(call: &Call<'_>) -> Result<Option<String>, Error> {
    let added = call.parameters.text("words")?.filter(|text| !text.trim().is_empty());
    if added.as_ref().is_some_and(|text| text.chars().count() > ADDED) {
        let text = format!("The words that are added have {ADDED} characters at most.");
        return Err(Error::request("http.words", text));
    }
    Ok(added)
}

/// Refuses where the record is no longer the one that the signer has read, if the call says which.
fn as_read(call: &Call<'_>, digest: &str) -> Result<(), Error> {
    let asked = call.parameters.text("digest")?;
    if asked.is_none_or(|asked| asked == digest) {
        return Ok(());
    }
    let text = "The record has changed since the draft was read; read it again before signing.";
    Err(Error::Standing(Issue::error(IssueType::Conflict, text).at("http.digest")))
}

/// The versions of resources.
fn versions<'a>(resources: impl Iterator<Item = &'a Resource>) -> BTreeSet<Source> {
    resources.filter_map(Source::of).collect()
}

/// Who signs, with the resources that tell the name.
struct Signer {
    by: Target,
    resources: Vec<Resource>,
}

fn signer(call: &Call<'_>, view: &dyn View) -> Result<Signer, Error> {
    let place = "http.attester";
    let rule = "One attester signs: a Practitioner or PractitionerRole that this server holds.";
    let wrong = || Error::request(place, rule);
    let named = call.parameters.references("attester")?;
    let [named] = named.as_slice() else { return Err(wrong()) };
    let by = Target::of(named).filter(can_sign).ok_or_else(wrong)?;
    let first = current(view, named)?.ok_or_else(wrong)?;
    let person = first.value().pointer("/practitioner/reference").and_then(Value::as_str);
    let person = person.map(|person| current(view, person)).transpose()?.flatten();
    let resources: Vec<Resource> = [first].into_iter().chain(person).collect();
    if resources.iter().any(|who| at(who.value(), "/active") == &Value::Bool(false)) {
        return Err(Error::request(place, "Who signs is active in the record."));
    }
    let access = call.app.access.as_ref();
    if let Some(own) = access.and_then(|access| access.practitioner()) {
        let is_own =
            |who: &Resource| Source::of(who).is_some_and(|who| who.target().to_string() == own);
        if !resources.iter().any(is_own) {
            let text = "Who acts for a practitioner signs as that one, and as no other.";
            return Err(Error::Request(Issue::error(IssueType::Forbidden, text).at(place)));
        }
    }
    Ok(Signer { by, resources })
}

/// The letters that are replaced.
#[derive(Default)]
struct Replaced {
    /// Compositions and the `DocumentReference`s of their forms.
    targets: Vec<Target>,
    /// The `DocumentReference`s, as they are stored.
    references: Vec<Stored>,
}

impl Replaced {
    fn read(call: &Call<'_>, view: &dyn View, episode: &Id) -> Result<Self, Error> {
        let place = "http.replaces";
        let mut replaced = Self::default();
        let named: BTreeSet<String> = call.parameters.references("replaces")?.into_iter().collect();
        for named in named {
            let rule = "What is replaced is the Composition of a signed letter of this episode.";
            let wrong = || Error::request(place, rule);
            let target = Target::of(&named).filter(|target| target.is("Composition"));
            let target = target.ok_or_else(wrong)?;
            let composition = current(view, &named)?.ok_or_else(wrong)?;
            let value = composition.value();
            let text = |pointer| value.pointer(pointer).and_then(Value::as_str);
            let own = format!("EpisodeOfCare/{episode}");
            let status = text("/status").unwrap_or_default();
            let signed =
                ["final", "amended"].contains(&status) && letter::is_sealed(composition.value());
            if !signed || text("/event/0/detail/0/reference") != Some(&own) {
                return Err(wrong());
            }
            let system = text("/identifier/system").unwrap_or_default();
            let number = format!("{system}|{}", text("/identifier/value").unwrap_or_default());
            let wanted = ("DocumentReference", "identifier", number.as_str());
            let references = episode::found(call.app, view, call.now, wanted)?;
            let is_current = |stored: &Stored| {
                stored.content().is_ok_and(|r| r.is_some_and(|r| status_of(&r) == "current"))
            };
            if references.is_empty() || !references.iter().all(is_current) {
                let text = "The letter has been replaced already.";
                return Err(Error::request(place, text));
            }
            let forms = references.iter().map(|stored| format!("{}/{}", stored.kind, stored.id));
            replaced.targets.push(target);
            replaced.targets.extend(forms.filter_map(|form| Target::of(&form)));
            replaced.references.extend(references);
        }
        Ok(replaced)
    }
}

fn status_of(resource: &Resource) -> String {
    let status = resource.value().get("status").and_then(Value::as_str);
    status.unwrap_or_default().to_owned()
}

/// Stores the parts of the letter, and marks what it replaces, in one commit; a conflict where what
/// was read is no longer what is stored.
fn store(
    call: &Call<'_>,
    made: Vec<Value>,
    replaced: Vec<Stored>,
    read: &BTreeSet<Source>,
) -> Result<(), Error> {
    let held = call.app.held();
    let view = call.app.store.view()?;
    let mut expects = standing(call, &*view, read)?;
    expects.extend(named(&*view, &made)?);
    let mut changes = Vec::with_capacity(made.len() + replaced.len());
    for value in made {
        let resource = Resource::from_value(value)?;
        let issues = held.check(&resource);
        if issues.iter().any(Issue::is_error) {
            return Err(Error::Invalid(issues));
        }
        let id = resource.id_text().and_then(Id::parse).ok_or(Error::NotFound)?;
        let current = repository::current(&*view, resource.kind(), &id)?;
        // The device is the same for every letter; a part of the very same letter is there already.
        if current.as_ref().is_none_or(|current| current.body.is_none()) {
            changes.push(written(&held, current.as_ref(), id, resource, call.now));
        }
    }
    for stored in replaced {
        let mut resource = stored.content()?.ok_or(Error::Deleted(stored.version))?;
        if let Some(object) = resource.value_mut().as_object_mut() {
            object.insert("status".to_owned(), json!("superseded"));
        }
        changes.push(written(&held, Some(&stored), stored.id.clone(), resource, call.now));
    }
    let mut batch = repository::batch(&*view, &changes)?;
    batch.expects.push(Expect::At(key::definitions(), held.generation()));
    batch.expects.extend(expects);
    drop(view);
    call.app.store.commit(batch)?;
    Ok(())
}

/// That the record is still the one that was read, and stays so until the commit; and that nobody
/// signs the same at the same time.
fn standing(
    call: &Call<'_>,
    view: &dyn View,
    read: &BTreeSet<Source>,
) -> Result<Vec<Expect>, Error> {
    let id = call.id().ok_or(Error::UnknownRoute)?;
    let Episode { episode, resources } = Episode::whole(call.app, view, id, call.now, None)?;
    if versions(resources.iter().chain([&episode])) != *read {
        return Err(Error::Repository(store::Error::Conflict.into()));
    }
    let composition = ResourceType::parse("Composition").ok_or(Error::UnknownType)?;
    let mut expects = vec![Expect::NoneNewer(key::current_range(composition), view.seq())];
    for source in read {
        expects.push(stands(view, source.target())?);
    }
    Ok(expects)
}

/// That what the parts name is there, unless it is one of them.
fn named(view: &dyn View, made: &[Value]) -> Result<Vec<Expect>, Error> {
    let own: BTreeSet<Target> = made
        .iter()
        .filter_map(|part| {
            let text = |pointer| at(part, pointer).as_str().unwrap_or_default();
            Target::of(&format!("{}/{}", text("/resourceType"), text("/id")))
        })
        .collect();
    let mut targets = BTreeSet::new();
    // What the document's entries name beyond it was there or not when they were stored.
    for part in made.iter().filter(|part| at(part, "/resourceType") != "Bundle") {
        element::references(part, &mut |text| targets.extend(Target::of(text)));
    }
    targets.difference(&own).map(|target| stands(view, target)).collect()
}

/// That a resource stays as it is in the view; a conflict where it is not there any more.
fn stands(view: &dyn View, target: &Target) -> Result<Expect, Error> {
    let gone = || Error::Repository(store::Error::Conflict.into());
    let id = Id::parse(&target.id).ok_or_else(gone)?;
    repository::standing(view, target.kind, &id)?.ok_or_else(gone)
}

fn written(
    held: &Held,
    current: Option<&Stored>,
    id: Id,
    resource: Resource,
    now: Instant,
) -> Change {
    let at = current.map_or(now, |current| now.max(current.last_updated));
    Change::write(current, Method::Put, id, resource, at, |resource| held.entries(resource))
}

/// What was stored, by its references.
fn told(made: &[Value]) -> Value {
    let text = |resource: &Value, name: &str| {
        resource.get(name).and_then(Value::as_str).unwrap_or_default().to_owned()
    };
    let name = |resource: &Value| match text(resource, "resourceType").as_str() {
        "Composition" => Some("letter"),
        "Bundle" => Some("document"),
        "Binary" if text(resource, "contentType") == "application/pdf" => Some("pdf"),
        "Binary" => Some("page"),
        "DocumentReference" => Some("reference"),
        "Provenance" => Some("provenance"),
        _ => None,
    };
    let parts: Vec<Value> = made
        .iter()
        .filter_map(|resource| {
            let target = format!("{}/{}", text(resource, "resourceType"), text(resource, "id"));
            Some(json!({ "name": name(resource)?, "valueReference": { "reference": target } }))
        })
        .collect();
    json!({ "resourceType": "Parameters", "parameter": parts })
}

/// A letter that was signed before, by its references, as [`told`] tells of a new one.
fn told_before(before: &Filed) -> Value {
    let part = |name: &str, target: &Target| json!({ "name": name, "valueReference": { "reference": target.to_string() } });
    let forms =
        [("pdf", "application/pdf"), ("page", "text/html"), ("document", "application/fhir+json")];
    let held = forms.into_iter().filter_map(|(name, media_type)| {
        before.form(media_type)?.held_by.as_ref().map(|target| part(name, target))
    });
    let letter = [part("letter", before.letter.target())];
    let references = before.forms.iter().map(|form| part("reference", &form.reference));
    let provenance = before.provenance.iter().map(|target| part("provenance", target));
    let parts: Vec<Value> = held.chain(letter).chain(references).chain(provenance).collect();
    json!({ "resourceType": "Parameters", "parameter": parts })
}
