//! The rules of IHE's Basic Audit Log Patterns, written out of its definitions, for the events that
//! claim them.
//!
//! Source: <https://profiles.ihe.net/ITI/BALP/> 1.1.3, profiles Create, Read, Update, Delete, Query
//! with their Patient variants, and PrivacyDisclosure.Source.

use serde_json::Value;

const DCM: &str = "http://dicom.nema.org/resources/ontology/DCM";
const RESTFUL: &str = "http://hl7.org/fhir/restful-interaction";
const PARTICIPATION: &str = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType";
const KIND: &str = "http://terminology.hl7.org/CodeSystem/audit-entity-type";
const ROLE: &str = "http://terminology.hl7.org/CodeSystem/object-role";

type Code = (&'static str, &'static str);

struct Pattern {
    name: &'static str,
    kind: Code,
    /// One of these must be a subtype.
    subtypes: (&'static str, &'static [&'static str]),
    action: &'static str,
    client: Code,
    server: Code,
    users: &'static [&'static str],
    /// The entity beside the patient.
    entity: &'static str,
}

const REST: Code = ("http://terminology.hl7.org/CodeSystem/audit-event-type", "rest");
const SOURCE: Code = (DCM, "110153");
const DESTINATION: Code = (DCM, "110152");
/// Value set `DataSources`.
const WRITERS: &[&str] = &["AUT", "INF", "CST"];

const PATTERNS: [Pattern; 6] = [
    Pattern {
        name: "Create",
        kind: REST,
        subtypes: (RESTFUL, &["create"]),
        action: "C",
        client: SOURCE,
        server: DESTINATION,
        users: WRITERS,
        entity: "data",
    },
    Pattern {
        name: "Read",
        kind: REST,
        subtypes: (RESTFUL, &["read", "vread"]),
        action: "R",
        client: DESTINATION,
        server: SOURCE,
        users: &["IRCP"],
        entity: "data",
    },
    Pattern {
        name: "Update",
        kind: REST,
        subtypes: (RESTFUL, &["update", "patch"]),
        action: "U",
        client: SOURCE,
        server: DESTINATION,
        users: WRITERS,
        entity: "data",
    },
    Pattern {
        name: "Delete",
        kind: REST,
        subtypes: (RESTFUL, &["delete"]),
        action: "D",
        client: (DCM, "110150"),
        server: ("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "custodian"),
        users: WRITERS,
        entity: "data",
    },
    Pattern {
        name: "Query",
        kind: REST,
        subtypes: (RESTFUL, &["search", "search-type", "search-system"]),
        action: "E",
        client: SOURCE,
        server: DESTINATION,
        users: &["IRCP"],
        entity: "query",
    },
    Pattern {
        name: "PrivacyDisclosure.Source",
        kind: (DCM, "110106"),
        subtypes: ("http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle", &["disclose"]),
        action: "R",
        client: DESTINATION,
        server: SOURCE,
        users: &["IRCP"],
        entity: "any",
    },
];

fn items(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn is(coding: &Value, (system, code): Code) -> bool {
    coding["system"] == system && coding["code"] == code
}

fn is_typed(agent: &Value, code: Code) -> bool {
    items(&agent["type"]["coding"]).iter().any(|coding| is(coding, code))
}

/// What an event breaks of the pattern that it claims; an event that claims none breaks nothing.
pub(super) fn faults(event: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    for profile in items(&event["meta"]["profile"]) {
        let prefix = "https://profiles.ihe.net/ITI/BALP/StructureDefinition/IHE.BasicAudit.";
        let name = profile.as_str().and_then(|url| url.strip_prefix(prefix)).unwrap_or("?");
        let plain = name.strip_prefix("Patient").unwrap_or(name);
        let Some(pattern) = PATTERNS.iter().find(|pattern| pattern.name == plain) else {
            faults.push(format!("there is no pattern {name}"));
            continue;
        };
        let of_patient = name != plain || plain == "PrivacyDisclosure.Source";
        let mut need = |holds: bool, rule: &str| {
            if !holds {
                faults.push(format!("{name}: {rule}"));
            }
        };
        need(is(&event["type"], pattern.kind), "type");
        let (system, codes) = pattern.subtypes;
        let fits = |coding: &Value| codes.iter().any(|code| is(coding, (system, code)));
        need(items(&event["subtype"]).iter().any(fits), "subtype");
        need(event["action"] == pattern.action, "action");
        need(event["outcome"] == "0", "outcome is success");
        need(event["recorded"].is_string(), "recorded");
        agents(event, pattern, &mut need);
        entities(event, pattern, of_patient, &mut need);
    }
    faults
}

fn agents(event: &Value, pattern: &Pattern, need: &mut dyn FnMut(bool, &str)) {
    let agents = items(&event["agent"]);
    need(agents.len() >= 2, "two agents at least");
    for (name, code) in [("client", pattern.client), ("server", pattern.server)] {
        let own: Vec<&Value> = agents.iter().filter(|agent| is_typed(agent, code)).collect();
        need(own.len() == 1, &format!("one agent {name}"));
        for agent in own {
            need(agent["who"].is_object(), &format!("agent {name} says who"));
            need(agent["network"].is_object(), &format!("agent {name} says from where"));
            need(agent["media"].is_null(), &format!("agent {name} has no media"));
            if pattern.name == "Delete" {
                for element in ["role", "altId", "name", "location", "policy", "purposeOfUse"] {
                    need(agent[element].is_null(), &format!("agent {name} has no {element}"));
                }
            }
        }
    }
    let is_person = |agent: &&Value| {
        let own = [pattern.client, pattern.server];
        !own.iter().any(|code| is_typed(agent, *code))
    };
    for person in agents.iter().filter(is_person) {
        let known = pattern.users.iter().any(|code| is_typed(person, (PARTICIPATION, code)));
        need(known, "the user is a recipient, or a source of data");
        need(person["who"].is_object() && person["requestor"] == true, "the user asks");
        need(person["network"].is_null() && person["media"].is_null(), "users have no network");
    }
}

fn entities(event: &Value, pattern: &Pattern, of_patient: bool, need: &mut dyn FnMut(bool, &str)) {
    let entities = items(&event["entity"]);
    let of_kind = |code: &'static str| -> Vec<&Value> {
        entities.iter().filter(|entity| is(&entity["type"], (KIND, code))).collect()
    };
    let patients = of_kind("1");
    need(patients.len() == usize::from(of_patient), "one patient where the pattern has one");
    for patient in patients {
        need(is(&patient["role"], (ROLE, "1")), "the patient's role");
        let reference = patient["what"]["reference"].as_str().unwrap_or_default();
        need(reference.starts_with("Patient/"), "a reference to the patient");
    }
    let objects = of_kind("2");
    match pattern.entity {
        "data" => {
            need(objects.len() == 1, "one object");
            for object in objects {
                let roles = ["4", "3", "20"];
                need(roles.iter().any(|role| is(&object["role"], (ROLE, role))), "its role");
                need(object["what"].is_object(), "which it is");
                need(object["query"].is_null(), "no question");
            }
        }
        "query" => {
            need(objects.len() == 1, "one question");
            for object in objects {
                need(is(&object["role"], (ROLE, "24")), "the question's role");
                need(object["what"].is_null() && object["detail"].is_null(), "nothing else");
                need(object["query"].is_string(), "the question");
                need(object["name"].is_null(), "no name (sev-1)");
            }
        }
        _ => need(entities.len() >= 2, "the patient and what left"),
    }
    let numbered = entities.iter().filter(|entity| entity["type"]["code"] == "XrequestId");
    for entity in numbered {
        need(entity["what"]["identifier"]["value"].is_string(), "the request's id");
    }
    if pattern.name == "PrivacyDisclosure.Source" {
        let source = items(&event["agent"]).iter().find(|agent| is_typed(agent, SOURCE));
        let is_observer = source.is_some_and(|agent| agent["who"] == event["source"]["observer"]);
        need(is_observer, "the source is the observer (val-audit-source)");
    }
}
