//! `$consistency`: what in the record of an episode does not fit together.
//!
//! A Bundle of `DetectedIssue`s, each with its rule in words and the versions that it looked at. They
//! inform and judge nobody; an empty Bundle says that no rule found anything, not that all is well.
//! Source: `schemas/operation/consistency.json`, <http://hl7.org/fhir/R4/detectedissue.html>.

use serde_json::{Value, json};

use crate::clinical::{Record, summary_by};
use crate::error::Error;
use crate::letter;
use crate::operation::episode::Episode;
use crate::operation::episode_summary::{language, read};
use crate::operation::{Call, Level, Operation, Output};

pub(super) const OPERATION: Operation = Operation {
    name: "consistency",
    definition: "https://spondyl.example/fhir/OperationDefinition/consistency",
    levels: &[Level::Instance],
    types: &["EpisodeOfCare"],
    by_get: true,
    document: false,
    run,
};

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let words = language(&call.parameters)?;
    let (Episode { episode, resources }, as_of) = read(call)?;
    let record = Record::build(&episode, &resources);
    let summary = summary_by(&record, as_of, &call.app.thresholds);
    let issues = letter::detected_issues(&summary, words);
    let device = (!issues.is_empty()).then(letter::device);
    let entries: Vec<Value> =
        issues.into_iter().chain(device).map(|resource| entry(call.base, resource)).collect();
    let mut bundle = json!({
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": summary.as_of,
    });
    // An empty array would be no JSON of the standard.
    if let Some(object) = bundle.as_object_mut().filter(|_| !entries.is_empty()) {
        object.insert("entry".to_owned(), Value::Array(entries));
    }
    Ok(Output::Resource(bundle))
}

fn entry(base: &str, resource: Value) -> Value {
    let text = |name: &str| resource.get(name).and_then(Value::as_str).unwrap_or_default();
    let url = format!("{base}/{}/{}", text("resourceType"), text("id"));
    json!({ "fullUrl": url, "resource": resource })
}
