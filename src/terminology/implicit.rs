//! Value sets that exist without a resource: by the standard's pages on SNOMED CT, LOINC and UCUM,
//! and the set of all codes that a code system names.
//!
//! Source: <http://hl7.org/fhir/R4/snomedct.html#implicit>,
//! <http://hl7.org/fhir/R4/loinc.html#vs>,
//! <http://hl7.org/fhir/R4/ucum.html>, <http://hl7.org/fhir/R4/codesystem-definitions.html#CodeSystem.valueSet>.

use serde_json::{Value, json};

use super::{Terminology, ucum};

/// SNOMED CT's URI.
pub(super) const SNOMED: &str = "http://snomed.info/sct";
/// LOINC's URI.
pub(super) const LOINC: &str = "http://loinc.org";

/// The value set of an implicit canonical; none if it is not one of those. Reference sets and
/// expressions are not among them.
pub(super) fn value_set(terminology: &Terminology, canonical: &str) -> Option<Value> {
    let (url, version) = match canonical.split_once('|') {
        Some((url, version)) => (url, Some(version)),
        None => (canonical, None),
    };
    let include = snomed(url).or_else(|| loinc(url)).or_else(|| units(url)).or_else(|| {
        let system = terminology.system_of_value_set(url)?;
        Some(json!({ "system": system.url, "version": system.version }))
    })?;
    let mut set = json!({
        "resourceType": "ValueSet", "url": url, "status": "active",
        "compose": { "include": [include] },
    });
    if let (Some(version), Some(set)) = (version, set.as_object_mut()) {
        set.insert("version".into(), json!(version));
    }
    Some(set)
}

/// `?fhir_vs` (all concepts) and `?fhir_vs=isa/ID`, on the system or on an edition of it.
fn snomed(url: &str) -> Option<Value> {
    let (base, query) = url.split_once('?')?;
    let edition = base.strip_prefix(SNOMED)?;
    let mut include = json!({ "system": SNOMED });
    if let (true, Some(include)) = (edition.starts_with('/'), include.as_object_mut()) {
        include.insert("version".into(), json!(base));
    }
    let all = ["fhir_vs", "fhir_vs=concept"].contains(&query);
    if !all {
        let id = query.strip_prefix("fhir_vs=isa/")?;
        let filter = json!([{ "property": "concept", "op": "is-a", "value": id }]);
        include.as_object_mut()?.insert("filter".into(), filter);
    }
    Some(include)
}

/// All units, or those that are comparable with one.
fn units(url: &str) -> Option<Value> {
    let rest = url.strip_prefix("http://unitsofmeasure.org/vs")?;
    if rest.is_empty() {
        return Some(json!({ "system": ucum::SYSTEM }));
    }
    let filter = json!({ "property": "canonical", "op": "=", "value": rest.strip_prefix('/')? });
    Some(json!({ "system": ucum::SYSTEM, "filter": [filter] }))
}

/// All codes, or the answers of a list.
fn loinc(url: &str) -> Option<Value> {
    let rest = url.strip_prefix("http://loinc.org/vs")?;
    if rest.is_empty() {
        return Some(json!({ "system": LOINC }));
    }
    let list = rest.strip_prefix('/').filter(|list| list.starts_with("LL"))?;
    let filter = json!({ "property": "LIST", "op": "=", "value": list });
    Some(json!({ "system": LOINC, "filter": [filter] }))
}
