//! `$document`: a Composition and what it refers to, as one document.
//!
//! The Composition comes first, then what it must bring along, then what these refer to in turn, as
//! far as it is on this server; but no other patient, and no other document or list. A
//! `GraphDefinition` adds what its links name. What the Composition itself names must be there, or the answer says
//! where it is not. The identifier follows from the versions in it: the same content is the same
//! document, other content another one, and what is stored never changes. Of a signed letter the
//! signed document is the answer, whatever has become of its parts.
//! Source: <http://hl7.org/fhir/R4/composition-operation-document.html>,
//! <http://hl7.org/fhir/R4/documents.html#content>.

mod graph;

use std::collections::BTreeSet;
use std::collections::VecDeque;

use serde_json::{Value, json};
use uuid::Uuid;

use crate::app::Held;
use crate::clinical::element::references;
use crate::consent;
use crate::error::Error;
use crate::fhir::{Id, Issue, IssueType, Reference, Resource, ResourceType, VersionId, query};
use crate::letter::is_sealed;
use crate::operation::episode::found;
use crate::operation::label;
use crate::operation::pages::{too_costly, wrong};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, Stored};
use crate::store::View;

pub(super) const OPERATION: Operation = Operation {
    name: "document",
    definition: "http://hl7.org/fhir/OperationDefinition/Composition-document",
    levels: &[Level::Type, Level::Instance],
    types: &["Composition"],
    by_get: true,
    document: false,
    run,
};

/// How many resources a document has at most.
const MOST: usize = 5_000;
/// The system of identifiers that are URIs.
const URI: &str = "urn:ietf:rfc:3986";
/// Types that are reached only where a Composition or a graph names them: other documents, and
/// lists of anything.
const APART: [&str; 5] = ["Bundle", "Composition", "DocumentManifest", "Group", "List"];

fn run(call: &Call<'_>) -> Result<Output, Error> {
    call.parameters.only(&["id", "persist", "graph"])?;
    let id = composition(call)?;
    let persist = call.parameters.flag("persist")?;
    let graph = call.parameters.text("graph")?;
    let held = call.app.held();
    may_leave(call, &id)?;
    let bundle = {
        let view = call.app.store.view()?;
        let kind = ResourceType::parse("Composition").ok_or(Error::UnknownType)?;
        let stored = repository::current(&*view, kind, &id)?.ok_or(Error::NotFound)?;
        let content = stored.content()?.ok_or(Error::Deleted(stored.version))?;
        if let Some(signed) = signed(call, &*view, &content)? {
            return Ok(if persist { Output::Stored(Box::new(signed)) } else { text(signed) });
        }
        let mut document = Document::new(call, &held, &*view);
        document.begin(stored, &content)?;
        if let Some(graph) = &graph {
            graph::add(&mut document, &content, graph)?;
        }
        document.close()?;
        let mut bundle = document.bundle(&content, graph.as_deref())?;
        let entries = bundle.get("entry").and_then(Value::as_array).cloned().unwrap_or_default();
        label::mark(&mut bundle, entries.iter().filter_map(|entry| entry.get("resource")));
        bundle
    };
    if !persist {
        return Ok(Output::Resource(bundle));
    }
    let identifier = bundle.pointer("/identifier/value").and_then(Value::as_str);
    let criteria = format!("{URI}|{}", identifier.unwrap_or_default());
    let criteria = query::encode(&[("identifier", criteria)]);
    let stored = call.writes.create(&Resource::from_value(bundle)?, &criteria)?;
    Ok(Output::Stored(Box::new(stored)))
}

/// That no Consent of its subject keeps it from leaving.
fn may_leave(call: &Call<'_>, id: &Id) -> Result<(), Error> {
    let kind = ResourceType::parse("Composition").ok_or(Error::UnknownType)?;
    let stored = repository::current(&*call.app.store.view()?, kind, id)?;
    let content = stored.map(|stored| stored.content()).transpose()?.flatten();
    content.map_or(Ok(()), |c| consent::permit_of(call.app, &c, "/subject", call.now))
}

fn text(stored: Stored) -> Output {
    Output::Text(stored.body.unwrap_or_default())
}

/// The Composition that is asked for: by the URL, or at the level of the type by `id`.
fn composition(call: &Call<'_>) -> Result<Id, Error> {
    let named = call.parameters.text("id")?;
    match (call.id(), named) {
        (Some(id), None) => Ok(id.clone()),
        (Some(_), Some(_)) => {
            Err(wrong("id", "The URL names the Composition; there is no parameter id beside it."))
        }
        (None, None) => Err(wrong("id", "The parameter id names the Composition.")),
        (None, Some(text)) => {
            if let Some(id) = Id::parse(&text) {
                return Ok(id);
            }
            match Reference::parse(&text) {
                Reference::Resource { base: Some(base), kind, id, version: None }
                    if base == call.base && kind.as_str() == "Composition" =>
                {
                    Ok(id)
                }
                Reference::Resource { base: Some(base), .. } if base != call.base => {
                    let text = "Compositions of other servers are not fetched.";
                    Err(Error::not_supported("http.id", text))
                }
                _ => Err(wrong("id", "It is the id or the full URL of a Composition.")),
            }
        }
    }
}

/// The document that was signed with the Composition, if it is the one of a signed letter.
fn signed(
    call: &Call<'_>,
    view: &dyn View,
    composition: &Resource,
) -> Result<Option<Stored>, Error> {
    let value = composition.value();
    let text = |pointer: &str| value.pointer(pointer).and_then(Value::as_str);
    let number = text("/identifier/value").filter(|_| is_sealed(value));
    let Some(number) = number else { return Ok(None) };
    let number = format!("{}|{number}", text("/identifier/system").unwrap_or_default());
    let wanted = ("DocumentReference", "identifier", number.as_str());
    for reference in found(call.app, view, call.now, wanted)? {
        let Some(reference) = reference.content()? else { continue };
        let urls = reference.value().get("content").and_then(Value::as_array);
        let urls =
            urls.into_iter().flatten().filter_map(|c| c.pointer("/attachment/url")?.as_str());
        for url in urls {
            let Reference::Resource { kind, id, .. } = Reference::parse(url) else { continue };
            let stored = repository::current(view, kind, &id)?;
            let content = stored.as_ref().map(Stored::content).transpose()?.flatten();
            let is_it = content.as_ref().is_some_and(|content| {
                let first = content.value().pointer("/entry/0/resource/id");
                is_sealed(content.value()) && first.and_then(Value::as_str) == composition.id_text()
            });
            if is_it {
                return Ok(stored);
            }
        }
    }
    Ok(None)
}

/// A document as it is gathered.
struct Document<'a> {
    call: &'a Call<'a>,
    held: &'a Held,
    view: &'a dyn View,
    entries: Vec<Stored>,
    told: BTreeSet<(ResourceType, Id, VersionId)>,
    /// The patient that it is about.
    subject: Option<(ResourceType, Id)>,
    open: VecDeque<Value>,
}

impl<'a> Document<'a> {
    fn new(call: &'a Call<'a>, held: &'a Held, view: &'a dyn View) -> Self {
        let (entries, told, open) = (Vec::new(), BTreeSet::new(), VecDeque::new());
        Self { call, held, view, entries, told, subject: None, open }
    }

    /// The Composition, and what it names where the document must have it.
    fn begin(&mut self, stored: Stored, composition: &Resource) -> Result<(), Error> {
        self.told.insert((stored.kind, stored.id.clone(), stored.version));
        self.entries.push(stored);
        let subject = composition.value().pointer("/subject/reference").and_then(Value::as_str);
        let subject = subject.map(Reference::parse);
        self.subject =
            subject.as_ref().and_then(Reference::target).map(|(kind, id)| (kind, id.clone()));
        let mut faults = Vec::new();
        for (place, text) in listed(composition.value()) {
            faults.extend(self.take(&text)?.err().map(|fault| fault.at(place)));
        }
        if faults.is_empty() { Ok(()) } else { Err(Error::Invalid(self.call.app.limited(faults))) }
    }

    /// Adds what the reference names; or says why it cannot.
    fn take(&mut self, text: &str) -> Result<Result<(), Issue>, Error> {
        let fault = |code, text: &str| Ok(Err(Issue::error(code, text)));
        let (kind, id, version) = match Reference::parse(text) {
            Reference::Contained(_) => return Ok(Ok(())),
            Reference::Resource { base, kind, id, version } => {
                if base.is_some_and(|base| base != self.call.base) {
                    let text = "What a document refers to is in it; other servers are not asked.";
                    return fault(IssueType::NotSupported, text);
                }
                (kind, id, version)
            }
            _ => {
                let text = "What a document refers to is in it; this names no resource here.";
                return fault(IssueType::NotFound, text);
            }
        };
        let stored = match version {
            Some(version) => repository::version(self.view, kind, &id, version)?,
            None => repository::current(self.view, kind, &id)?,
        };
        if let Some(stored) = stored.filter(|stored| stored.body.is_some()) {
            return self.add(stored).map(Ok);
        }
        let text = "What a document refers to is in it; there is no such resource now.";
        fault(IssueType::NotFound, text)
    }

    fn add(&mut self, stored: Stored) -> Result<(), Error> {
        if !self.told.insert((stored.kind, stored.id.clone(), stored.version)) {
            return Ok(());
        }
        if self.entries.len() >= MOST {
            return Err(too_costly(format!("the document has more than {MOST} resources")));
        }
        self.open.extend(stored.content()?.map(Resource::into_value));
        self.entries.push(stored);
        Ok(())
    }

    /// Adds what all that is in it refers to, as far as it is here.
    fn close(&mut self) -> Result<(), Error> {
        while let Some(value) = self.open.pop_front() {
            let mut named = Vec::new();
            references(&value, &mut |text| named.push(text.to_owned()));
            for text in named {
                let Reference::Resource { kind, ref id, .. } = Reference::parse(&text) else {
                    continue;
                };
                let is_other = kind.as_str() == "Patient"
                    && self.subject.as_ref() != Some(&(kind, id.clone()));
                if !is_other && !APART.contains(&kind.as_str()) {
                    // What is further away may be elsewhere, or gone.
                    let _there = self.take(&text)?;
                }
            }
        }
        Ok(())
    }

    fn bundle(self, composition: &Resource, graph: Option<&str>) -> Result<Value, Error> {
        let base = self.call.base;
        let mut content = format!("{base} {}", graph.unwrap_or_default());
        let mut entries = Vec::with_capacity(self.entries.len());
        for stored in &self.entries {
            let Stored { kind, id, version, .. } = stored;
            content.extend(["\n", &format!("{kind}/{id}/_history/{version}")]);
            let resource = stored.content()?.ok_or(Error::Deleted(*version))?.into_value();
            entries.push(json!({ "fullUrl": format!("{base}/{kind}/{id}"), "resource": resource }));
        }
        let identifier = Uuid::new_v5(&Uuid::NAMESPACE_URL, content.as_bytes());
        let now = self.call.now.to_string();
        let mut bundle = json!({
            "resourceType": "Bundle",
            "meta": { "lastUpdated": now },
            "language": composition.value().get("language"),
            "identifier": { "system": URI, "value": format!("urn:uuid:{identifier}") },
            "type": "document",
            "timestamp": now,
            "entry": entries,
        });
        if let Some(object) =
            bundle.as_object_mut().filter(|b| b.get("language").is_some_and(Value::is_null))
        {
            object.shift_remove("language");
        }
        Ok(bundle)
    }
}

/// The references of a Composition that a document must bring along, with their places.
fn listed(composition: &Value) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let top = "Composition";
    let one = |found: &mut Vec<_>, value: &Value, place: String| {
        let text = value.get("reference").and_then(Value::as_str);
        found.extend(text.map(|text| (place, text.to_owned())));
    };
    for name in ["subject", "encounter", "custodian"] {
        if let Some(value) = composition.get(name) {
            one(&mut found, value, format!("{top}.{name}"));
        }
    }
    each(composition, "author", top, &mut |value, place| one(&mut found, value, place));
    each(composition, "attester", top, &mut |value, place| {
        if let Some(party) = value.get("party") {
            one(&mut found, party, format!("{place}.party"));
        }
    });
    each(composition, "event", top, &mut |value, place| {
        each(value, "detail", &place, &mut |value, place| one(&mut found, value, place));
    });
    sections(composition, top, &mut |value, place| one(&mut found, value, place));
    found
}

/// The references of the sections of something, at any depth.
fn sections(value: &Value, place: &str, take: &mut dyn FnMut(&Value, String)) {
    each(value, "section", place, &mut |section, place| {
        each(section, "author", &place, take);
        if let Some(focus) = section.get("focus") {
            take(focus, format!("{place}.focus"));
        }
        each(section, "entry", &place, take);
        sections(section, &place, take);
    });
}

fn each(value: &Value, name: &str, place: &str, take: &mut dyn FnMut(&Value, String)) {
    let items = value.get(name).and_then(Value::as_array);
    for (at, item) in items.into_iter().flatten().enumerate() {
        take(item, format!("{place}.{name}[{at}]"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// <http://hl7.org/fhir/R4/documents.html#content>: the elements whose targets the document has.
    #[test]
    fn what_a_composition_must_bring_along() {
        let to = |target: &str| json!({ "reference": target });
        let composition = json!({
            "subject": to("Patient/1"), "encounter": to("Encounter/2"), "author": [to("Device/3")],
            "attester": [{ "mode": "legal" }, { "party": to("Practitioner/4") }],
            "custodian": to("Organization/5"), "event": [{ "detail": [to("EpisodeOfCare/6")] }],
            "relatesTo": [{ "targetReference": to("Composition/0") }],
            "section": [
                { "author": [to("Device/3")], "focus": to("Patient/1"), "entry": [
                    to("Observation/7"), { "identifier": { "value": "x" } } ] },
                { "section": [{ "entry": [to("#a"), to("Observation/8")] }] },
            ],
        });
        let found: Vec<String> = listed(&composition)
            .into_iter()
            .map(|(place, text)| format!("{place} {text}"))
            .collect();
        assert_eq!(
            found,
            [
                "Composition.subject Patient/1",
                "Composition.encounter Encounter/2",
                "Composition.custodian Organization/5",
                "Composition.author[0] Device/3",
                "Composition.attester[1].party Practitioner/4",
                "Composition.event[0].detail[0] EpisodeOfCare/6",
                "Composition.section[0].author[0] Device/3",
                "Composition.section[0].focus Patient/1",
                "Composition.section[0].entry[0] Observation/7",
                "Composition.section[1].section[0].entry[0] #a",
                "Composition.section[1].section[0].entry[1] Observation/8",
            ]
        );
    }
}
