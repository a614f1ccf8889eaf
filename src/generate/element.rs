//! Pieces of resources: labels, codes, quantities, references, moments.

use serde_json::{Map, Value, json};
use time::Date;

/// The base of our canonical URLs.
pub(super) const OWN: &str = "https://spondyl.example/fhir";
/// The code system of LOINC.
pub(super) const LOINC: &str = "http://loinc.org";
/// The code system of SNOMED CT.
pub(super) const SNOMED: &str = "http://snomed.info/sct";
const UCUM: &str = "http://unitsofmeasure.org";

/// A resource with its id, its profiles (names of ours) and the label of invented data.
pub(super) fn resource(kind: &str, id: &str, profiles: &[&str]) -> Map<String, Value> {
    let canonicals: Vec<String> =
        profiles.iter().map(|name| format!("{OWN}/StructureDefinition/{name}")).collect();
    let mut meta = Map::new();
    if !canonicals.is_empty() {
        meta.insert("profile".into(), json!(canonicals));
    }
    meta.insert(
        "security".into(),
        json!([{
            "system": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
            "code": "HTEST",
            "display": "test health data",
        }]),
    );
    let mut resource = Map::new();
    resource.insert("resourceType".into(), json!(kind));
    resource.insert("id".into(), json!(id));
    resource.insert("meta".into(), Value::Object(meta));
    resource
}

/// The resource with more members; what is null is left out.
pub(super) fn with(mut resource: Map<String, Value>, members: Value) -> Value {
    if let Value::Object(members) = members {
        resource.extend(members.into_iter().filter(|(_, member)| !member.is_null()));
    }
    Value::Object(resource)
}

/// A coding.
pub(super) fn coding(system: &str, code: &str) -> Value {
    json!({ "system": system, "code": code })
}

/// A concept of one coding.
pub(super) fn concept(system: &str, code: &str) -> Value {
    json!({ "coding": [coding(system, code)] })
}

/// The name of a code system of ours.
pub(super) fn own_system(name: &str) -> String {
    format!("{OWN}/CodeSystem/{name}")
}

/// A concept of a code system of ours.
pub(super) fn own(name: &str, code: &str) -> Value {
    concept(&own_system(name), code)
}

/// A concept of a code system of HL7's terminology.
pub(super) fn hl7(name: &str, code: &str) -> Value {
    concept(&format!("http://terminology.hl7.org/CodeSystem/{name}"), code)
}

/// A quantity in a UCUM unit.
pub(super) fn quantity(value: &Value, unit: &str) -> Value {
    json!({ "value": value, "unit": unit, "system": UCUM, "code": unit })
}

/// A reference.
pub(super) fn reference(to: &str) -> Value {
    json!({ "reference": to })
}

/// The extension that says which episode a resource belongs to.
pub(super) fn episode_extension(episode: &str) -> Value {
    json!({
        "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
        "valueReference": reference(episode),
    })
}

/// The same where the standard's extension is not allowed.
pub(super) fn episode_link(episode: &str) -> Value {
    json!({
        "url": format!("{OWN}/StructureDefinition/episode-link"),
        "valueReference": reference(episode),
    })
}

/// A body site: a segment and a side.
pub(super) fn body_site(segment: &str, side: &str) -> Value {
    json!({
        "extension": [{
            "url": format!("{OWN}/StructureDefinition/laterality"),
            "valueCodeableConcept": own("side", side),
        }],
        "coding": [coding(&own_system("motion-segment"), segment)],
    })
}

/// A date as FHIR writes it.
pub(super) fn date(day: Date) -> String {
    format!("{:04}-{:02}-{:02}", day.year(), u8::from(day.month()), day.day())
}

/// A moment of a day, in minutes after midnight UTC.
pub(super) fn moment(day: Date, minutes: i64) -> String {
    format!("{}T{:02}:{:02}:00+00:00", date(day), minutes / 60, minutes % 60)
}

/// A day so many days later; the same day beyond the calendar.
pub(super) fn later(day: Date, days: i64) -> Date {
    day.checked_add(time::Duration::days(days)).unwrap_or(day)
}
