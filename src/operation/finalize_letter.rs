//! `$finalize-letter`: a letter is signed, stored whole, and never changed again.
//!
//! One transaction stores Composition, document Bundle, page and PDF, a `DocumentReference` for each
//! form, and the Provenance with the digest of the inputs. A letter that replaces earlier ones says
//! so, and their `DocumentReference`s become superseded in the same transaction. The time of the
//! signature is that of the request: nobody signs in the past.
//! Source: `schemas/operation/finalize-letter.json`,
//! <http://hl7.org/fhir/R4/documents.html#content>.

use serde_json::{Value, json};

use crate::app::Held;
use crate::clinical::element::Target;
use crate::clinical::{Record, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Issue, Reference, Resource};
use crate::letter::{self, Finalising, Signature};
use crate::operation::episode::{self, Episode};
use crate::operation::episode_summary::{kind, language};
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

fn once(call: &Call<'_>) -> Result<Output, Error> {
    let words = language(&call.parameters)?;
    let kind = kind(&call.parameters)?;
    let added = call.parameters.text("words")?.filter(|text| !text.trim().is_empty());
    if added.as_ref().is_some_and(|text| text.chars().count() > ADDED) {
        let text = format!("The words that are added have {ADDED} characters at most.");
        return Err(Error::request("http.words", text));
    }
    let (Episode { episode, mut resources }, signer, replaced) = {
        let view = call.app.store.view()?;
        let id = call.id().ok_or(Error::UnknownRoute)?;
        let episode = Episode::whole(call.app, &*view, id, call.now, None)?;
        (episode, signer(call, &*view)?, Replaced::read(call, &*view, id)?)
    };
    resources.extend(signer.resources);
    let record = Record::build(&episode, &resources);
    let party = record.party_of(Some(&signer.by)).filter(|party| !party.name.trim().is_empty());
    let unnamed = || Error::request("http.attester", "Who signs has a name in the record.");
    let name = party.ok_or_else(unnamed)?.name;
    let signature = Signature { name, by: signer.by, at: call.now };
    let summary = summary_by(&record, call.now, &call.app.thresholds);
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
    let told = told(&made);
    store(call, made, replaced.references)?;
    Ok(Output::Resource(told))
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
    let by = Target::of(named).filter(|by| by.is("Practitioner") || by.is("PractitionerRole"));
    let by = by.ok_or_else(wrong)?;
    let first = current(view, named)?.ok_or_else(wrong)?;
    let person = first.value().pointer("/practitioner/reference").and_then(Value::as_str);
    let person = person.map(|person| current(view, person)).transpose()?.flatten();
    Ok(Signer { by, resources: [first].into_iter().chain(person).collect() })
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
        for named in call.parameters.references("replaces")? {
            let rule = "What is replaced is the Composition of a signed letter of this episode.";
            let wrong = || Error::request(place, rule);
            let target = Target::of(&named).filter(|target| target.is("Composition"));
            let target = target.ok_or_else(wrong)?;
            let composition = current(view, &named)?.ok_or_else(wrong)?;
            let value = composition.value();
            let text = |pointer| value.pointer(pointer).and_then(Value::as_str);
            let own = format!("EpisodeOfCare/{episode}");
            let status = text("/status").unwrap_or_default();
            let signed = ["final", "amended"].contains(&status);
            if !signed || text("/event/0/detail/0/reference") != Some(&own) {
                return Err(wrong());
            }
            let system = text("/identifier/system").unwrap_or_default();
            let number = format!("{system}|{}", text("/identifier/value").unwrap_or_default());
            let references = episode::references_of(call.app, view, call.now, &number)?;
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

/// The resource that a reference names, as it is stored now.
fn current(view: &dyn View, reference: &str) -> Result<Option<Resource>, Error> {
    let reference = Reference::parse(reference);
    let Some((kind, id)) = reference.target() else { return Ok(None) };
    let stored = repository::current(view, kind, id)?;
    Ok(stored.map(|stored| stored.content()).transpose()?.flatten())
}

/// Stores the parts of the letter, and marks what it replaces, in one commit.
fn store(call: &Call<'_>, made: Vec<Value>, replaced: Vec<Stored>) -> Result<(), Error> {
    let held = call.app.held();
    let mut changes = Vec::with_capacity(made.len() + replaced.len());
    let view = call.app.store.view()?;
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
    drop(view);
    call.app.store.commit(batch)?;
    Ok(())
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
