//! Provenance of a letter: what it was made from, by what, and who signed it.
//!
//! Each input is named with its version; the digest of all of them stands first among the entities,
//! so that a reader can compute it again (see `digest::inputs`).
//! Source: <http://hl7.org/fhir/R4/provenance.html>.

use serde_json::{Value, json};

use crate::clinical::Record;
use crate::letter::document::{DEVICE, without_null};
use crate::letter::{Letter, digest};

/// The Provenance of resources made from a letter, by their references.
pub fn provenance(letter: &Letter<'_>, record: &Record<'_>, targets: &[String]) -> Value {
    let digest = digest::inputs(letter.summary, record);
    let moment = letter.moment();
    let parts = [digest.as_str(), moment.as_str(), "Provenance"];
    let id = digest::identifier(parts.into_iter().chain(targets.iter().map(String::as_str)));
    let reference = |text: &str| json!({ "reference": text });
    let agent = |code: &str, who: &str| {
        let system = "http://terminology.hl7.org/CodeSystem/provenance-participant-type";
        json!({ "type": { "coding": [{ "system": system, "code": code }] }, "who": reference(who) })
    };
    let mut agents = vec![agent("assembler", &format!("Device/{DEVICE}"))];
    agents.extend(letter.signed.map(|signed| agent("legal", &signed.by.to_string())));
    let of_all = json!({
        "role": "source",
        "what": {
            "identifier": { "system": "urn:ietf:rfc:3986", "value": digest },
            "display": letter.words.get("provenance.digest"),
        },
    });
    let inputs = letter.summary.sources.iter();
    let inputs =
        inputs.map(|input| json!({ "role": "source", "what": reference(&input.to_string()) }));
    let entities: Vec<Value> = [of_all].into_iter().chain(inputs).collect();
    let (system, code) = match letter.signed {
        Some(_) => ("http://terminology.hl7.org/CodeSystem/v3-DocumentCompletion", "LA"),
        None => ("http://terminology.hl7.org/CodeSystem/v3-DataOperation", "CREATE"),
    };
    without_null(json!({
        "resourceType": "Provenance",
        "id": id.to_string(),
        "meta": letter.tag().map(|tag| json!({ "tag": tag })),
        "target": targets.iter().map(|target| reference(target)).collect::<Vec<_>>(),
        "recorded": moment,
        "activity": { "coding": [{ "system": system, "code": code }] },
        "agent": agents,
        "entity": entities,
    }))
}
