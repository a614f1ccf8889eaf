//! Consistency findings as `DetectedIssue` resources, each with its rule in words.
//!
//! They tell what does not fit together in the record; they judge nobody and advise nothing. Evidence
//! names the version of each resource that was looked at.
//! Source: <http://hl7.org/fhir/R4/detectedissue.html>.

use serde_json::{Value, json};

use crate::clinical::Summary;
use crate::clinical::consistency::Finding;
use crate::clinical::element::OWN;
use crate::letter::catalogue::Catalogue;
use crate::letter::document::{DEVICE, without_null};
use crate::letter::{compose, digest, narrative};

/// One resource for each finding of a summary, in their order.
pub fn detected_issues(summary: &Summary, words: &Catalogue) -> Vec<Value> {
    summary.findings.iter().map(|finding| detected_issue(summary, finding, words)).collect()
}

fn detected_issue(summary: &Summary, finding: &Finding, words: &Catalogue) -> Value {
    let code = finding.kind.code();
    let says = compose::finding(words, finding.kind, &[finding]);
    let rule = words.name("rule", code);
    let sources: Vec<String> = finding.sources.iter().map(ToString::to_string).collect();
    let place = [finding.segment.map_or("", |segment| segment.code()), finding.about.unwrap_or("")];
    let parts = [code, &summary.as_of].into_iter().chain(place);
    let id = digest::identifier(parts.chain(sources.iter().map(String::as_str)));
    let reference = |text: &String| json!({ "reference": text });
    let blocks = [says.as_str(), rule].map(crate::letter::content::Block::paragraph);
    without_null(json!({
        "resourceType": "DetectedIssue",
        "id": id.to_string(),
        "language": words.language(),
        "text": narrative::narrative(words.language(), words.name("finding-name", code), &blocks),
        "status": "final",
        "code": {
            "coding": [{
                "system": format!("{OWN}/CodeSystem/consistency-finding"),
                "code": code,
                "display": Catalogue::english().name("finding-name", code),
            }],
            "text": says,
        },
        "severity": finding.kind.severity().code(),
        "patient": summary.patient.as_ref().map(|p| json!({ "reference": p.source.target().to_string() })),
        "identifiedDateTime": summary.as_of,
        "author": { "reference": format!("Device/{DEVICE}") },
        "implicated": summary.episode.iter().map(|e| reference(&e.target().to_string())).collect::<Vec<_>>(),
        "evidence": [{ "detail": sources.iter().map(reference).collect::<Vec<_>>() }],
        "detail": rule,
    }))
}
