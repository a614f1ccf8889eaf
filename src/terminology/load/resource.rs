//! Code systems, value sets and concept maps from JSON: one, a Bundle of them, or one a line.
//!
//! Source: <http://hl7.org/fhir/R4/terminology-module.html>, <http://hl7.org/fhir/R4/nd-json.html>.

use std::io::{BufRead, Read};

use serde_json::Value;

use crate::fhir::json;
use crate::terminology::{Terminology, TerminologyError};

/// How deep a code system may nest; each level of concepts is two of JSON.
const MAX_DEPTH: usize = 120;

/// Adds what the JSON text holds: one resource, or a Bundle. Other resources in a Bundle are passed
/// over. Returns the canonicals that were added.
///
/// # Errors
/// [`TerminologyError`] for what cannot be read, is not JSON, or is a broken resource.
pub fn json(
    terminology: &mut Terminology,
    mut reader: impl Read,
) -> Result<Vec<String>, TerminologyError> {
    let mut bytes = Vec::new();
    reader.read_to_end(&mut bytes).map_err(|error| unreadable(&error))?;
    add(terminology, &parse(&bytes)?)
}

/// Adds what the lines hold, a resource each. Returns the canonicals that were added.
///
/// # Errors
/// As [`json()`], with the line.
pub fn ndjson(
    terminology: &mut Terminology,
    reader: impl BufRead,
) -> Result<Vec<String>, TerminologyError> {
    let mut added = Vec::new();
    for (line, number) in reader.split(b'\n').zip(1..) {
        let line = line.map_err(|error| unreadable(&error))?;
        if line.trim_ascii().is_empty() {
            continue;
        }
        let of_line = parse(&line).and_then(|value| add(terminology, &value));
        let of_line = of_line
            .map_err(|error| TerminologyError::new(error.kind, format!("line {number}: {error}")));
        added.extend(of_line?);
    }
    Ok(added)
}

fn unreadable(error: &std::io::Error) -> TerminologyError {
    TerminologyError::invalid(format!("the file cannot be read: {error}"))
}

fn parse(bytes: &[u8]) -> Result<Value, TerminologyError> {
    json::parse(bytes, MAX_DEPTH).map_err(|error| TerminologyError::invalid(error.told()))
}

fn add(terminology: &mut Terminology, value: &Value) -> Result<Vec<String>, TerminologyError> {
    let known = ["CodeSystem", "ValueSet", "ConceptMap"];
    let entries = value["entry"].as_array().into_iter().flatten().map(|entry| &entry["resource"]);
    let resources: Vec<&Value> = if value["resourceType"] == "Bundle" {
        entries
            .filter(|r| r["resourceType"].as_str().is_some_and(|kind| known.contains(&kind)))
            .collect()
    } else {
        vec![value]
    };
    let mut added = Vec::new();
    for resource in resources {
        terminology.add(resource)?;
        added.extend(resource["url"].as_str().map(str::to_owned));
    }
    Ok(added)
}
