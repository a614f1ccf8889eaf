//! Code systems, value sets and concept maps from JSON: one, a Bundle of them, or one a line.
//!
//! Source: <http://hl7.org/fhir/R4/terminology-module.html>, <http://hl7.org/fhir/R4/nd-json.html>.

use std::io::{BufRead, Read};

use serde_json::Value;

use crate::fhir::json::{self, At};
use crate::terminology::{Terminology, TerminologyError};

/// How deep a code system may nest; each level of concepts is two of JSON.
const MAX_DEPTH: usize = 120;

/// The resources of terminology in a JSON text: one resource, or those of a Bundle, whose others are
/// passed over.
///
/// # Errors
/// [`TerminologyError`] for what cannot be read, is not JSON, or is another resource.
pub fn of_json(mut reader: impl Read) -> Result<Vec<Value>, TerminologyError> {
    let mut bytes = Vec::new();
    reader.read_to_end(&mut bytes).map_err(|error| unreadable(&error))?;
    resources(parse(&bytes)?)
}

/// The same of lines, a resource or Bundle each.
///
/// # Errors
/// As [`of_json`], with the line.
pub fn of_ndjson(reader: impl BufRead) -> Result<Vec<Value>, TerminologyError> {
    let mut all = Vec::new();
    for (line, number) in reader.split(b'\n').zip(1..) {
        let line = line.map_err(|error| unreadable(&error))?;
        if line.trim_ascii().is_empty() {
            continue;
        }
        let of_line = parse(&line).and_then(resources);
        let of_line = of_line
            .map_err(|error| TerminologyError::new(error.kind, format!("line {number}: {error}")));
        all.extend(of_line?);
    }
    Ok(all)
}

/// Adds what the JSON text holds. Returns the canonicals that were added.
///
/// # Errors
/// As [`of_json`], and for a broken resource.
pub fn json(
    terminology: &mut Terminology,
    reader: impl Read,
) -> Result<Vec<String>, TerminologyError> {
    add(terminology, &of_json(reader)?)
}

/// Adds what the lines hold. Returns the canonicals that were added.
///
/// # Errors
/// As [`of_ndjson`], and for a broken resource.
pub fn ndjson(
    terminology: &mut Terminology,
    reader: impl BufRead,
) -> Result<Vec<String>, TerminologyError> {
    add(terminology, &of_ndjson(reader)?)
}

fn unreadable(error: &std::io::Error) -> TerminologyError {
    TerminologyError::invalid(format!("the file cannot be read: {error}"))
}

fn parse(bytes: &[u8]) -> Result<Value, TerminologyError> {
    json::parse(bytes, MAX_DEPTH).map_err(|error| TerminologyError::invalid(error.told()))
}

fn resources(mut value: Value) -> Result<Vec<Value>, TerminologyError> {
    if value.at("resourceType") == "Bundle" {
        let entries = value.get_mut("entry").and_then(Value::as_array_mut).into_iter().flatten();
        let resources = entries.filter_map(|entry| entry.get_mut("resource").map(Value::take));
        return Ok(resources.filter(|resource| check(resource).is_ok()).collect());
    }
    check(&value)?;
    Ok(vec![value])
}

/// Whether the resource is one of terminology, with a URL.
fn check(value: &Value) -> Result<(), TerminologyError> {
    let kind = value["resourceType"].as_str().unwrap_or("a value without resourceType");
    if !["CodeSystem", "ValueSet", "ConceptMap"].contains(&kind) {
        return Err(TerminologyError::not_supported(format!(
            "{kind} is neither CodeSystem, ValueSet nor ConceptMap"
        )));
    }
    if value["url"].as_str().is_none() {
        return Err(TerminologyError::invalid(format!("{kind}.url is missing")));
    }
    Ok(())
}

fn add(terminology: &mut Terminology, all: &[Value]) -> Result<Vec<String>, TerminologyError> {
    let mut added = Vec::new();
    for resource in all {
        terminology.add(resource)?;
        added.extend(resource["url"].as_str().map(str::to_owned));
    }
    Ok(added)
}
