//! The FHIR document Bundle: Composition first, then everything that it names.
//!
//! Entries are addressed as `base/Type/id`, references within stay relative, so each resolves
//! against the entry that holds it. Composition and device are made here and follow from content;
//! the rest is the stored resources, unchanged. A draft is `preliminary`, without attester; a signed
//! letter is `final`, attested by who signed it.
//! Source: <http://hl7.org/fhir/R4/documents.html>, <http://hl7.org/fhir/R4/composition.html>.

use std::collections::{BTreeSet, VecDeque};

use serde_json::{Map, Value, json};

use crate::clinical::element::{LOINC, OWN, Target, text};
use crate::clinical::source::Source;
use crate::clinical::{Record, Summary};
use crate::letter::compose::WORDS;
use crate::letter::content::{Block, Content, Section};
use crate::letter::{Context, Letter, digest, narrative};

/// The id of the device that stands for the computation.
pub(super) const DEVICE: &str = "spondyl";

/// The whole Bundle.
pub(super) fn bundle(
    letter: &Letter<'_>,
    record: &Record<'_>,
    content: &Content,
    place: Context<'_>,
) -> Value {
    let summary = letter.summary;
    let moment = letter.moment();
    let sources: Vec<String> = summary.sources.iter().map(ToString::to_string).collect();
    let words = serde_json::to_string(content).unwrap_or_default();
    let whole =
        [place.base, &summary.as_of, &words].into_iter().chain(sources.iter().map(String::as_str));
    let identifier = digest::identifier(whole);
    let composition_id = digest::identifier([identifier.to_string().as_str(), "Composition"]);
    let composition = composition(letter, record, content, &composition_id.to_string());
    let mut entries = vec![entry(place.base, &composition), entry(place.base, &device())];
    let reached = closure(record, &composition);
    entries.extend(reached.iter().filter_map(|target| {
        record.resource(target).map(|resource| entry(place.base, resource.value()))
    }));
    let id = place.bundle_id.map_or_else(|| identifier.to_string(), ToString::to_string);
    let mut bundle = json!({
        "resourceType": "Bundle",
        "id": id,
        "meta": without_null(json!({
            "lastUpdated": moment,
            "profile": record.patient().and_then(|patient| record.resource(&patient))
                .map(|_| [format!("{OWN}/StructureDefinition/letter-document")]),
            "tag": letter.tag(),
        })),
        "language": content.language,
        "identifier": { "system": "urn:ietf:rfc:3986", "value": format!("urn:uuid:{identifier}") },
        "type": "document",
        "timestamp": moment,
    });
    if let Some(object) = bundle.as_object_mut() {
        object.insert("entry".into(), Value::Array(entries));
    }
    bundle
}

fn entry(base: &str, resource: &Value) -> Value {
    let kind = text(resource, "/resourceType").unwrap_or_default();
    let id = text(resource, "/id").unwrap_or_default();
    // By hand: `json!` would write out and read again what it is given.
    let members = [
        ("fullUrl".to_owned(), Value::String(format!("{base}/{kind}/{id}"))),
        ("resource".to_owned(), resource.clone()),
    ];
    Value::Object(members.into_iter().collect())
}

fn composition(letter: &Letter<'_>, record: &Record<'_>, content: &Content, id: &str) -> Value {
    let reference = |target: &Target| json!({ "reference": target.to_string() });
    let summary = letter.summary;
    let attester = letter.signed.map(|signed| {
        json!([{ "mode": "legal", "time": signed.at.to_string(), "party": reference(&signed.by) }])
    });
    let replaces: Vec<Value> = (letter.replaces.iter().filter(|target| target.is("Composition")))
        .map(|target| json!({ "code": "replaces", "targetReference": reference(target) }))
        .collect();
    let episode = summary.episode.as_ref().map(|source| reference(source.target()));
    let mut composition = json!({
        "resourceType": "Composition",
        "id": id,
        "meta": without_null(json!({ "profile": profiles(letter), "tag": letter.tag() })),
        "language": content.language,
        "text": narrative::narrative(content.language, &content.title, &head(content)),
        "identifier": { "system": "urn:ietf:rfc:3986", "value": format!("urn:uuid:{id}") },
        "status": match (letter.signed, replaces.is_empty()) {
            (None, _) => "preliminary",
            (Some(_), true) => "final",
            (Some(_), false) => "amended",
        },
        "type": { "coding": [coding("34133-9")], "text": content.title },
        "category": [{ "coding": [coding(letter.kind.category())] }],
        "subject": record.patient().as_ref().map(reference),
        "date": letter.moment(),
        "author": authors(summary),
        "title": content.subject,
        "attester": attester,
        "custodian": summary.organization.as_ref().map(|party| reference(party.source.target())),
        "relatesTo": (!replaces.is_empty()).then_some(replaces),
        "event": [without_null(json!({
            "code": [{ "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/v3-ActClass", "code": "PCPR",
            }] }],
            "period": period(summary),
            "detail": episode.map(|episode| vec![episode]),
        }))],
    });
    let sections = content.sections.iter().map(|part| section(letter, content, part));
    let notes = Section {
        id: "cautions",
        code: None,
        title: content.cautions_title.clone(),
        blocks: vec![Block::List { items: content.cautions.clone() }],
        sources: Vec::new(),
    };
    let all: Vec<Value> = sections.chain([section(letter, content, &notes)]).collect();
    if let Some(object) = composition.as_object_mut() {
        object.insert("section".into(), Value::Array(all));
    }
    without_null(composition)
}

/// What stands above the sections.
fn head(content: &Content) -> Vec<Block> {
    let mut blocks = vec![Block::paragraph(format!("{} {}", content.date, content.status))];
    blocks.push(Block::Facts { items: content.parties.clone() });
    blocks
}

fn authors(summary: &Summary) -> Vec<Value> {
    let parties = summary.care_manager.iter().chain(&summary.organization).take(1);
    let mut authors: Vec<Value> =
        parties.map(|party| json!({ "reference": party.source.target().to_string() })).collect();
    authors.push(json!({ "reference": format!("Device/{DEVICE}") }));
    authors
}

/// From the first day to the last that is known; none where neither is.
fn period(summary: &Summary) -> Option<Value> {
    let day = |day: Option<crate::clinical::source::Day>| day.map(|day| day.to_string());
    let (start, end) = (summary.course.start, summary.course.end.or(summary.course.latest_visit));
    (start.is_some() || end.is_some())
        .then(|| without_null(json!({ "start": day(start), "end": day(end) })))
}

/// The profiles that a letter claims: of every letter, and of its kind.
fn profiles(letter: &Letter<'_>) -> [String; 2] {
    ["episode-letter", letter.kind.profile()].map(|id| format!("{OWN}/StructureDefinition/{id}"))
}

fn section(letter: &Letter<'_>, content: &Content, section: &Section) -> Value {
    let entries: Vec<Value> = section
        .sources
        .iter()
        .map(|source| json!({ "reference": source.target().to_string() }))
        .collect();
    let code = section.code.map_or_else(
        || json!({ "text": section.title }),
        |code| json!({ "coding": [coding(code)], "text": section.title }),
    );
    let mut value = json!({
        "title": section.title,
        "code": code,
        "author": [{ "reference": author(letter, section) }],
        "text": narrative::narrative(content.language, &section.title, &section.blocks),
    });
    if let Some(object) = value.as_object_mut().filter(|_| !entries.is_empty()) {
        object.insert("entry".into(), Value::Array(entries));
    }
    value
}

/// Who wrote a section: the signer's own words are the signer's, all else is computed.
fn author(letter: &Letter<'_>, section: &Section) -> String {
    let signer = letter.signed.filter(|_| section.id == WORDS);
    signer.map_or_else(|| format!("Device/{DEVICE}"), |signed| signed.by.to_string())
}

/// A LOINC code, with the display that the standard's value sets give where one was seen.
fn coding(code: &str) -> Value {
    let display = match code {
        "34133-9" => Some("Summary of episode note"),
        "11508-9" => Some("Physical therapy Progress note"),
        "18842-5" => Some("Discharge summary"),
        "57154-7" => Some("Physical therapy Referral note"),
        _ => None,
    };
    without_null(json!({ "system": LOINC, "code": code, "display": display }))
}

/// The computation as an author.
pub fn device() -> Value {
    json!({
        "resourceType": "Device",
        "id": DEVICE,
        "status": "active",
        "deviceName": [{ "name": "spondyl", "type": "user-friendly-name" }],
        "version": [{ "value": env!("CARGO_PKG_VERSION") }],
    })
}

/// Everything that can be reached from the Composition and is at hand, in the order of finding.
/// Of episodes only the letter's own is followed.
fn closure(record: &Record<'_>, composition: &Value) -> Vec<Target> {
    let episode = Source::of(record.episode()).map(|source| source.target().clone());
    let mut found = Vec::new();
    let own = [Target::of(&format!("Device/{DEVICE}"))];
    let mut seen: BTreeSet<Target> = own.into_iter().flatten().collect();
    let mut waiting = VecDeque::from([composition]);
    while let Some(value) = waiting.pop_front() {
        let mut references = Vec::new();
        collect(value, &mut references);
        for target in references {
            let other = target.is("EpisodeOfCare") && Some(&target) != episode.as_ref();
            if other || !seen.insert(target.clone()) {
                continue;
            }
            if let Some(resource) = record.resource(&target) {
                waiting.push_back(resource.value());
                found.push(target);
            }
        }
    }
    found
}

/// The targets of all references below a value.
fn collect(value: &Value, targets: &mut Vec<Target>) {
    match value {
        Value::Object(object) => {
            let reference = object.get("reference").and_then(Value::as_str);
            targets.extend(reference.and_then(Target::of));
            object.values().for_each(|child| collect(child, targets));
        }
        Value::Array(items) => items.iter().for_each(|item| collect(item, targets)),
        _ => {}
    }
}

/// An object without its null members.
pub(super) fn without_null(value: Value) -> Value {
    match value {
        Value::Object(object) => {
            let kept: Map<String, Value> =
                object.into_iter().filter(|(_, member)| !member.is_null()).collect();
            Value::Object(kept)
        }
        other => other,
    }
}
