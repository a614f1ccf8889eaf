//! What members refer to, and the Provenance of them.
//!
//! References and the URLs of attachments that are on this server are followed from every member.
//! From what is reached they go on, but not through what belongs to a patient: another patient's
//! data are told where a member names them, and lead no further.
//! Source: <http://hl7.org/fhir/R4/patient-operation-everything.html> ("any resource referenced from
//! those, including binaries and attachments"). That it goes on, and where it stops, the standard
//! leaves open.

use std::collections::BTreeSet;

use serde_json::Value;

use super::care::Care;
use super::scope::Reader;
use crate::definitions::compartment::Compartments;
use crate::error::Error;
use crate::fhir::{Id, Reference, ResourceType};
use crate::operation::pages::{MOST, too_costly};
use crate::repository::read::pointing;
use crate::repository::{self, Stored, key};
use crate::store::View;

/// How many members are looked through.
const MEMBERS: usize = 100_000;
/// How many resources are reached.
const REACHED: usize = 20_000;

/// A resource by its type and id.
type Target = (ResourceType, Id);

/// What members in scope refer to that is no member itself; some may not exist.
///
/// # Errors
/// Too costly, or a failure of the store.
pub(super) fn reach(
    reader: &Reader<'_>,
    care: &Care,
    base: &str,
) -> Result<BTreeSet<Target>, Error> {
    let mut members = BTreeSet::new();
    let mut named = BTreeSet::new();
    for kind in ResourceType::all() {
        reader.each(kind, None, MOST, &mut |stored| {
            if members.len() >= MEMBERS {
                return Err(too_costly(format!(
                    "what more than {MEMBERS} resources refer to is not gathered; ask for fewer"
                )));
            }
            if care.covers(reader.view, reader.rules, &stored)? {
                references(&stored, base, &mut named);
                provenance(reader, &stored, &mut named)?;
            }
            members.insert((stored.kind, stored.id));
            Ok(true)
        })?;
    }
    let mut reached = BTreeSet::new();
    let mut open: Vec<Target> = named.into_iter().collect();
    while let Some(target) = open.pop() {
        if members.contains(&target) || !reached.insert(target.clone()) {
            continue;
        }
        if reached.len() > REACHED {
            return Err(too_costly(format!("more than {REACHED} resources are referred to")));
        }
        if is_of_patients(target.0) {
            continue;
        }
        if let Some(stored) = repository::current(reader.view, target.0, &target.1)? {
            let mut named = BTreeSet::new();
            references(&stored, base, &mut named);
            open.extend(named);
        }
    }
    Ok(reached)
}

/// Refuses to tell of all patients where there are more resources than can be looked through, rather
/// than at the last page.
///
/// # Errors
/// Too costly, or a failure of the store.
pub(super) fn refuse_many(view: &dyn View) -> Result<(), Error> {
    let mut count = 0;
    for kind in ResourceType::all().filter(|kind| is_of_patients(*kind)) {
        for row in view.scan(key::current_range(kind)) {
            row?;
            count += 1;
            if count > MEMBERS {
                return Err(too_costly(format!(
                    "the patients have more than {MEMBERS} resources; ask for one patient or group"
                )));
            }
        }
    }
    Ok(())
}

/// Whether resources of that type are a patient's, or can be.
fn is_of_patients(kind: ResourceType) -> bool {
    let of = ResourceType::parse("Patient");
    of.is_some_and(|of| kind == of || !Compartments::standard().parameters(of, kind).is_empty())
}

/// The Provenance that names the resource as its target.
fn provenance(
    reader: &Reader<'_>,
    stored: &Stored,
    named: &mut BTreeSet<Target>,
) -> Result<(), Error> {
    let Some(kind) = ResourceType::parse("Provenance") else { return Ok(()) };
    for source in reader.rules.sources(kind, "target") {
        for id in pointing(reader.view, kind, source, (stored.kind, &stored.id)) {
            named.insert((kind, id?));
        }
    }
    Ok(())
}

/// The targets on this server of all references and attachments in a resource.
fn references(stored: &Stored, base: &str, named: &mut BTreeSet<Target>) {
    let body = stored.body.as_deref().unwrap_or_default();
    if let Ok(value) = serde_json::from_slice::<Value>(body) {
        walk(&value, base, named);
    }
}

fn walk(value: &Value, base: &str, named: &mut BTreeSet<Target>) {
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                match value {
                    Value::String(text) => named.extend(target(name, text, base)),
                    _ => walk(value, base, named),
                }
            }
        }
        Value::Array(items) => items.iter().for_each(|item| walk(item, base, named)),
        _ => {}
    }
}

/// The target of a member, if it is one that names a resource of this server.
fn target(name: &str, text: &str, base: &str) -> Option<Target> {
    if !["reference", "url", "valueUrl"].contains(&name) {
        return None;
    }
    match Reference::parse(text) {
        Reference::Resource { base: own, kind, id, .. } => {
            let is_here = own.is_none_or(|own| own == base);
            // Canonical URLs end in a type and an id too; attachments are of these types.
            let is_content = ["Binary", "Bundle"].contains(&kind.as_str());
            (is_here && (name == "reference" || is_content)).then_some((kind, id))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn references_and_attachments_of_this_server() {
        let value = json!({
            "subject": { "reference": "Patient/1" },
            "performer": [{ "reference": "http://me.example/fhir/Practitioner/2/_history/3" }],
            "focus": [{ "reference": "http://other.example/fhir/Practitioner/3" }],
            "contained": [{ "managingOrganization": { "reference": "Organization/4" } }],
            "derivedFrom": [{ "reference": "#a" }, { "identifier": { "value": "Patient/9" } }],
            "content": [{ "attachment": { "url": "Binary/5" } }],
            "photo": [{ "url": "http://me.example/fhir/Bundle/6" }],
            "extension": [{ "url": "http://me.example/fhir/StructureDefinition/7" }],
        });
        let mut named = BTreeSet::new();
        walk(&value, "http://me.example/fhir", &mut named);
        let named: Vec<String> = named.iter().map(|(kind, id)| format!("{kind}/{id}")).collect();
        let expected = ["Binary/5", "Bundle/6", "Organization/4", "Patient/1", "Practitioner/2"];
        assert_eq!(named, expected);
    }

    #[test]
    fn what_leads_no_further() {
        for (name, expected) in [
            ("Patient", true),
            ("Observation", true),
            ("Group", true),
            ("Practitioner", false),
            ("Organization", false),
            ("Binary", false),
        ] {
            assert_eq!(is_of_patients(ResourceType::parse(name).unwrap()), expected, "{name}");
        }
    }
}
