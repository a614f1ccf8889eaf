//! A deed as an `AuditEvent`, in the shape of IHE's Basic Audit Log Patterns.
//!
//! A profile is claimed only for what was done: the patterns are of successes. Operations, histories
//! and failures have the same shape without a claim. `tests/http/trail` holds each to the rules of
//! its pattern.
//! Source: <https://profiles.ihe.net/ITI/BALP/> (1.1.3), <http://hl7.org/fhir/R4/auditevent.html>.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Map, Value, json};

use crate::fhir::Id;
use crate::trail::deed::{Deed, Disclosed, Interaction, Target};

const BALP: &str = "https://profiles.ihe.net/ITI/BALP";
const DCM: &str = "http://dicom.nema.org/resources/ontology/DCM";
const RESTFUL: &str = "http://hl7.org/fhir/restful-interaction";

/// The roles of the agents and the pattern of a kind of deed.
struct Shape {
    /// `action`.
    action: &'static str,
    /// The name of the pattern, for deeds that there is one for.
    pattern: Option<&'static str>,
    /// The type of the agent that is the client.
    client: Value,
    /// The type of the agent that is the server.
    server: Value,
    /// The type of the agent that is the person.
    user: Value,
}

fn coding(system: &str, code: &str) -> Value {
    json!({ "system": system, "code": code })
}

fn role(system: &str, code: &str) -> Value {
    json!({ "coding": [coding(system, code)] })
}

/// The side that data or a question comes from, and the side that it goes to.
fn sides() -> (Value, Value) {
    (role(DCM, "110153"), role(DCM, "110152"))
}

impl Shape {
    fn of(interaction: &Interaction) -> Self {
        use Interaction as I;
        let participation = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType";
        let (recipient, author) = (role(participation, "IRCP"), role(participation, "AUT"));
        let (source, destination) = sides();
        // Data flow from the server to the client.
        let reading = |action, pattern| Self {
            action,
            pattern,
            client: destination.clone(),
            server: source.clone(),
            user: recipient.clone(),
        };
        // Questions and content flow from the client to the server.
        let sending = |action, pattern, user: &Value| Self {
            action,
            pattern,
            client: source.clone(),
            server: destination.clone(),
            user: user.clone(),
        };
        match interaction {
            I::Read | I::Vread => reading("R", Some("Read")),
            I::HistoryInstance => reading("R", None),
            I::Disclosure(_) => reading("R", Some("PrivacyDisclosure.Source")),
            I::SearchType | I::SearchSystem => sending("E", Some("Query"), &recipient),
            I::HistoryType | I::HistorySystem | I::Operation(_) | I::Batch | I::Transaction => {
                sending("E", None, &recipient)
            }
            I::Create => sending("C", Some("Create"), &author),
            I::Update | I::Patch => sending("U", Some("Update"), &author),
            I::Delete => Self {
                action: "D",
                pattern: Some("Delete"),
                client: role(DCM, "110150"),
                server: role(
                    "http://terminology.hl7.org/CodeSystem/provenance-participant-type",
                    "custodian",
                ),
                user: author,
            },
            I::Login | I::Logout | I::Introspection | I::Denial(_) => Self {
                action: "E",
                pattern: None,
                client: role(DCM, "110150"),
                server: role(
                    "http://terminology.hl7.org/CodeSystem/extra-security-role-type",
                    "authserver",
                ),
                user: recipient,
            },
        }
    }
}

/// Type and subtypes.
fn kinds(interaction: &Interaction) -> (Value, Vec<Value>) {
    use Interaction as I;
    let rest = |code: &str| {
        let kind = coding("http://terminology.hl7.org/CodeSystem/audit-event-type", "rest");
        (kind, vec![coding(RESTFUL, code)])
    };
    match interaction {
        I::Read => rest("read"),
        I::Vread => rest("vread"),
        I::HistoryInstance => rest("history-instance"),
        I::HistoryType => rest("history-type"),
        I::HistorySystem => rest("history-system"),
        I::SearchType => rest("search-type"),
        I::SearchSystem => rest("search-system"),
        I::Create => rest("create"),
        I::Update => rest("update"),
        I::Patch => rest("patch"),
        I::Delete => rest("delete"),
        I::Batch => rest("batch"),
        I::Transaction => rest("transaction"),
        I::Operation(name) => {
            let (kind, mut subtypes) = rest("operation");
            subtypes.push(json!({ "code": name }));
            (kind, subtypes)
        }
        I::Login => (coding(DCM, "110114"), vec![coding(DCM, "110122")]),
        I::Logout => (coding(DCM, "110114"), vec![coding(DCM, "110123")]),
        I::Introspection => (coding(DCM, "110114"), vec![json!({ "code": "introspection" })]),
        I::Disclosure(_) => {
            let lifecycle = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle";
            (coding(DCM, "110106"), vec![coding(lifecycle, "disclose")])
        }
        I::Denial(_) => {
            let system = format!("{BALP}/CodeSystem/AuthZsubType");
            (coding(DCM, "110113"), vec![coding(&system, "AuthZ-Consent")])
        }
    }
}

/// The event of a deed about that patient, recorded by the server of that base URL; without `id` and
/// `meta` but for the profile.
pub fn event(deed: &Deed, patient: Option<&Id>, base: &str) -> Value {
    let shape = Shape::of(&deed.interaction);
    let (kind, subtypes) = kinds(&deed.interaction);
    let mut event = Map::new();
    event.insert("resourceType".into(), json!("AuditEvent"));
    if let Some(pattern) = shape.pattern.filter(|_| deed.outcome.is_success() && is_whole(deed)) {
        let is_disclosure = matches!(deed.interaction, Interaction::Disclosure(_));
        let prefix = if patient.is_some() && !is_disclosure { "Patient" } else { "" };
        let profile = format!("{BALP}/StructureDefinition/IHE.BasicAudit.{prefix}{pattern}");
        event.insert("meta".into(), json!({ "profile": [profile] }));
    }
    event.insert("type".into(), kind);
    event.insert("subtype".into(), Value::Array(subtypes));
    event.insert("action".into(), json!(shape.action));
    event.insert("recorded".into(), json!(deed.at.to_string()));
    event.insert("outcome".into(), json!(deed.outcome.code()));
    if !deed.outcome.is_success() {
        let reason = deed.outcome.reason.unwrap_or("exception");
        event.insert("outcomeDesc".into(), json!(format!("{} {reason}", deed.outcome.status)));
    }
    event.insert("agent".into(), Value::Array(agents(deed, shape, base)));
    let source_type = coding("http://terminology.hl7.org/CodeSystem/security-source-type", "4");
    event.insert("source".into(), json!({ "observer": server(base), "type": [source_type] }));
    let entities = entities(deed, patient);
    if !entities.is_empty() {
        event.insert("entity".into(), Value::Array(entities));
    }
    Value::Object(event)
}

/// Whether there is what the pattern asks for: a resource, or a question.
fn is_whole(deed: &Deed) -> bool {
    match deed.interaction {
        Interaction::SearchType | Interaction::SearchSystem => deed.query.is_some(),
        Interaction::Disclosure(Disclosed::Export(_)) => true,
        _ => deed.about.is_some(),
    }
}

/// The server, as who took part and as who saw it.
fn server(base: &str) -> Value {
    json!({ "identifier": { "system": "urn:ietf:rfc:3986", "value": base } })
}

fn agents(deed: &Deed, shape: Shape, base: &str) -> Vec<Value> {
    let who = &deed.who;
    let mut client = json!({
        "type": shape.client,
        "who": match &who.client {
            Some(client) => json!({ "identifier": { "value": client } }),
            None => json!({ "display": "not identified" }),
        },
        // Where nobody is known who uses it, the client asks for itself.
        "requestor": who.user.is_none(),
    });
    if let Some(object) = client.as_object_mut() {
        // The pattern of deletes has no policy.
        if let (Some(token), false) = (&who.token, deed.interaction == Interaction::Delete) {
            object.insert("policy".into(), json!([token]));
        }
        let mut network = json!({ "type": "2" });
        if let Some(address) = who.address {
            network = json!({ "address": address.to_string(), "type": "2" });
        }
        object.insert("network".into(), network);
    }
    let mut agents = vec![
        client,
        json!({
            "type": shape.server,
            "who": server(base),
            "requestor": false,
            "network": { "address": base, "type": "5" },
        }),
    ];
    agents.extend(who.user.as_ref().map(|(kind, id)| {
        json!({
            "type": shape.user,
            "who": { "reference": format!("{kind}/{id}") },
            "requestor": true,
        })
    }));
    agents
}

fn reference(target: &Target) -> Value {
    json!({ "reference": target.reference() })
}

fn entities(deed: &Deed, patient: Option<&Id>) -> Vec<Value> {
    let kinds = "http://terminology.hl7.org/CodeSystem/audit-entity-type";
    let roles = "http://terminology.hl7.org/CodeSystem/object-role";
    let mut entities = Vec::new();
    entities.extend(deed.request_id.as_ref().map(|id| {
        let kind = coding(&format!("{BALP}/CodeSystem/BasicAuditEntityType"), "XrequestId");
        json!({ "what": { "identifier": { "value": id } }, "type": kind })
    }));
    entities.extend(patient.map(|id| {
        json!({
            "what": { "reference": format!("Patient/{id}") },
            "type": coding(kinds, "1"),
            "role": coding(roles, "1"),
        })
    }));
    let object = |what: Value, role: &str| json!({ "what": what, "type": coding(kinds, "2"), "role": coding(roles, role) });
    match &deed.interaction {
        Interaction::Denial(consent) => entities.push(json!({
            "what": { "reference": format!("Consent/{consent}") },
            "type": coding("http://hl7.org/fhir/resource-types", "Consent"),
        })),
        Interaction::Disclosure(Disclosed::Export(job)) => {
            entities.push(object(json!({ "identifier": { "value": job } }), "20"));
        }
        Interaction::Disclosure(Disclosed::Letter) => {
            entities.extend(deed.about.as_ref().map(|about| object(reference(about), "3")));
        }
        _ => entities.extend(deed.about.as_ref().map(|about| object(reference(about), "4"))),
    }
    // A pattern that is about a resource has one object, and no question beside it.
    let query = deed.query.as_ref().filter(|_| {
        let reads = Shape::of(&deed.interaction).pattern.is_some_and(|pattern| pattern != "Query");
        deed.about.is_none() || !reads
    });
    entities.extend(query.map(|query| {
        json!({
            "type": coding(kinds, "2"),
            "role": coding(roles, "24"),
            "query": STANDARD.encode(query),
        })
    }));
    entities
}
