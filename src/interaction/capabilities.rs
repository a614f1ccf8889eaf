//! capabilities: what this server does, made from what it runs with.
//!
//! Types and search parameters come from the definitions, operations from their list, so that the
//! statement cannot fall behind; the interactions stand here beside the code that has them.
//! Source: <http://hl7.org/fhir/R4/http.html#capabilities>,
//! <http://hl7.org/fhir/R4/capabilitystatement.html>.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use crate::app::Held;
use crate::config::{Authorisation, Config};
use crate::fhir::json::At;
use crate::fhir::{Instant, ResourceType};
use crate::index::Parameter;
use crate::subscription::{self, Topics};

/// How much the statement tells (<http://hl7.org/fhir/R4/http.html#capabilities>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mode {
    /// Everything.
    Full,
    /// Only what R4 has as normative.
    Normative,
}

/// The resource types of R4 that are normative (<http://hl7.org/fhir/R4/versions.html#std-process>;
/// the list is written from memory).
const NORMATIVE_TYPES: [&str; 11] = [
    "Binary",
    "Bundle",
    "CapabilityStatement",
    "CodeSystem",
    "Observation",
    "OperationDefinition",
    "OperationOutcome",
    "Parameters",
    "Patient",
    "StructureDefinition",
    "ValueSet",
];

/// The operations of those types and of all that are normative (written from memory).
const NORMATIVE_OPERATIONS: [&str; 9] = [
    "Resource-validate",
    "Resource-meta",
    "Resource-meta-add",
    "Resource-meta-delete",
    "CodeSystem-lookup",
    "CodeSystem-subsumes",
    "CodeSystem-validate-code",
    "ValueSet-expand",
    "ValueSet-validate-code",
];

/// What is of trial use in R4 (<http://hl7.org/fhir/R4/capabilitystatement.html>).
const CONDITIONAL: [&str; 4] =
    ["conditionalCreate", "conditionalRead", "conditionalUpdate", "conditionalDelete"];

impl Mode {
    fn tells_type(self, kind: ResourceType) -> bool {
        self == Self::Full || NORMATIVE_TYPES.contains(&kind.as_str())
    }

    fn tells_operation(self, definition: &str) -> bool {
        let name = definition.strip_prefix("http://hl7.org/fhir/OperationDefinition/");
        self == Self::Full || name.is_some_and(|name| NORMATIVE_OPERATIONS.contains(&name))
    }

    fn tells_parameter(self, url: &str) -> bool {
        self == Self::Full || url.starts_with("http://hl7.org/fhir/SearchParameter/")
    }

    /// FHIRPath Patch is of trial use (<http://hl7.org/fhir/R4/fhirpatch.html>).
    fn patch_formats(self) -> &'static [&'static str] {
        let all = &["application/json-patch+json", "application/fhir+json", "application/fhir+xml"];
        if self == Self::Full { all } else { &["application/json-patch+json"] }
    }
}

/// An operation as the statement tells of it.
#[derive(Clone, Copy, Debug)]
pub struct Offered {
    /// Its name, without the dollar sign.
    pub name: &'static str,
    /// The canonical of its definition.
    pub definition: &'static str,
    /// The types that have it; none: all.
    pub types: &'static [&'static str],
    /// Whether it can be called on the whole system.
    pub system: bool,
}

impl Offered {
    fn told(&self) -> Value {
        json!({ "name": self.name, "definition": self.definition })
    }
}

/// The CapabilityStatement; `since` is when the server began to run as it does.
pub fn capabilities(
    (config, held): (&Config, &Held),
    mode: Mode,
    base: &str,
    since: Instant,
    operations: &[Offered],
) -> Value {
    let operations: Vec<Offered> = operations
        .iter()
        .filter(|offered| mode.tells_operation(offered.definition))
        .copied()
        .collect();
    let profiles = if mode == Mode::Full { profiles(held) } else { BTreeMap::new() };
    let types = ResourceType::all().filter(|kind| mode.tells_type(*kind));
    let types = types.map(|kind| {
        let mut told = resource((held, mode), kind, config, &operations);
        if let (Some(object), Some(own)) = (told.as_object_mut(), profiles.get(kind.as_str())) {
            object.insert("supportedProfile".into(), json!(own));
        }
        if let Some(object) = told.as_object_mut().filter(|_| kind.as_str() == subscription::TYPE) {
            subscriptions(object);
        }
        told
    });
    let of_system = operations.iter().filter(|offered| offered.system);
    json!({
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": since.to_string(),
        "publisher": "spondyl",
        "kind": "instance",
        "instantiates": [subscription::CAPABILITIES],
        "software": { "name": "spondyl", "version": env!("CARGO_PKG_VERSION") },
        "implementation": {
            "description": "Clinical record of manual therapy of the spine",
            "url": base,
        },
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json", "application/fhir+xml", "xml"],
        "patchFormat": mode.patch_formats(),
        "rest": [{
            "mode": "server",
            "security": security(config, base),
            "resource": types.collect::<Vec<_>>(),
            "interaction": [
                { "code": "transaction" }, { "code": "batch" }, { "code": "history-system" },
                { "code": "search-system" },
            ],
            "operation": of_system.map(Offered::told).collect::<Vec<_>>(),
        }],
    })
}

/// Who may use it (<https://hl7.org/fhir/smart-app-launch/STU2.2/conformance.html>, with the older
/// way of telling the endpoint).
fn security(config: &Config, base: &str) -> Value {
    let cors = !config.cors_origin.is_empty();
    if config.access == Authorisation::Open {
        let text = "No authorisation is configured; the server listens on loopback addresses only.";
        return json!({ "cors": cors, "description": text });
    }
    let system = "http://terminology.hl7.org/CodeSystem/restful-security-service";
    json!({
        "extension": [{
            "url": "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris",
            "extension": [
                { "url": "token", "valueUri": format!("{base}/auth/token") },
                { "url": "introspect", "valueUri": format!("{base}/auth/introspect") },
                { "url": "revoke", "valueUri": format!("{base}/auth/revoke") },
            ],
        }],
        "cors": cors,
        "service": [{ "coding": [{ "system": system, "code": "SMART-on-FHIR" }] }],
        "description": "Access tokens of SMART App Launch, backend services; see \
                        .well-known/smart-configuration.",
    })
}

const INTERACTIONS: [&str; 9] = [
    "read",
    "vread",
    "update",
    "patch",
    "delete",
    "history-instance",
    "history-type",
    "create",
    "search-type",
];

fn resource(
    (held, mode): (&Held, Mode),
    kind: ResourceType,
    config: &Config,
    operations: &[Offered],
) -> Value {
    // Only where updates must name the version is it always theirs.
    let versioning = if config.require_if_match { "versioned-update" } else { "versioned" };
    let interactions = INTERACTIONS.map(|code| json!({ "code": code }));
    let mut resource = json!({
        "type": kind.as_str(),
        "profile": format!("http://hl7.org/fhir/StructureDefinition/{kind}"),
        "interaction": interactions,
        "versioning": versioning,
        "readHistory": true,
        "updateCreate": true,
        "conditionalCreate": true,
        "conditionalRead": "full-support",
        "conditionalUpdate": true,
        "conditionalDelete": config.conditional_delete.code(),
        "referencePolicy": ["literal", "logical"],
    });
    let Some(object) = resource.as_object_mut() else { return resource };
    if mode == Mode::Normative {
        object.retain(|name, _| !CONDITIONAL.contains(&name.as_str()));
    }
    let parameters = held.rules.parameters(kind).filter(|parameter| {
        is_served(parameter)
            && !held.rules.is_pending(kind, &parameter.definition.code)
            && mode.tells_parameter(&parameter.definition.url)
    });
    let parameters: Vec<Value> = parameters.map(parameter).collect();
    // The standard forbids empty arrays.
    if !parameters.is_empty() {
        object.insert("searchParam".into(), Value::Array(parameters));
    }
    let of_type =
        |offered: &&Offered| offered.types.is_empty() || offered.types.contains(&kind.as_str());
    let operations = operations.iter().filter(of_type);
    let operations: Vec<Value> = operations.map(Offered::told).collect();
    if !operations.is_empty() {
        object.insert("operation".into(), Value::Array(operations));
    }
    resource
}

/// The profiles that are in force, ours and those that were stored, by the type that they are of.
fn profiles(held: &Held) -> BTreeMap<&str, BTreeSet<&str>> {
    let ours = held.standard.own.resources().map(|(_, value)| &**value);
    let all = ours.chain(held.in_force().map(|(_, canonical)| &*canonical.value));
    let profiles = all.filter(|value| {
        value.at("resourceType") == "StructureDefinition" && value.at("derivation") == "constraint"
    });
    let mut found: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for value in profiles {
        if let Some((kind, url)) = value.at("type").as_str().zip(value.at("url").as_str()) {
            found.entry(kind).or_default().insert(url);
        }
    }
    found
}

/// What there is to subscribe to
/// (<http://hl7.org/fhir/uv/subscriptions-backport/components.html#subscription-topics-in-r4>).
fn subscriptions(object: &mut serde_json::Map<String, Value>) {
    let topics = Topics::shipped().iter();
    let told = topics
        .map(|topic| json!({ "url": subscription::TOPIC_EXTENSION, "valueCanonical": topic.url }));
    object.insert("extension".into(), told.collect());
    object.insert("supportedProfile".into(), json!([subscription::PROFILE]));
}

/// Whether an index serves it; `_id` is served by the rows themselves, words by the resources.
fn is_served(parameter: &Parameter) -> bool {
    let code = parameter.definition.code.as_str();
    !parameter.sources.is_empty() || ["_id", "_text", "_content"].contains(&code)
}

fn parameter(parameter: &Parameter) -> Value {
    json!({
        "name": parameter.definition.code,
        "definition": parameter.definition.url,
        "type": parameter.definition.kind.as_str(),
    })
}
