//! The interactions in the description of the API.

use serde_json::{Value, json};

use super::Source;
use crate::definitions::search_parameter::ParameterType;
use crate::fhir::ResourceType;

/// What can go wrong with any request.
const ALWAYS: [u16; 5] = [400, 401, 403, 406, 500];
/// What can go wrong with a body.
const BODY: [u16; 3] = [408, 413, 415];
/// What can go wrong with a search.
const SEARCH: [u16; 2] = [403, 410];
/// What can go wrong with a write.
const WRITE: [u16; 5] = [403, 409, 412, 422, 428];

/// An operation of OpenAPI.
pub(super) struct Operation<'a> {
    pub(super) id: String,
    pub(super) tag: &'a str,
    pub(super) parameters: Vec<Value>,
    pub(super) body: Option<Value>,
    /// Statuses with the names of their responses.
    pub(super) found: Vec<(u16, String)>,
    pub(super) faults: Vec<u16>,
}

impl Operation<'_> {
    pub(super) fn to_value(&self) -> Value {
        let mut responses: Vec<(u16, String)> = self.found.clone();
        let mut faults: Vec<u16> = self.faults.iter().chain(&ALWAYS).copied().collect();
        faults.sort_unstable();
        faults.dedup();
        responses.extend(faults.into_iter().map(|status| (status, "Outcome".to_owned())));
        let responses = responses
            .into_iter()
            .map(|(status, name)| (status.to_string(), reference("responses", &name)));
        let mut value = json!({
            "operationId": self.id,
            "tags": [self.tag],
            "parameters": self.parameters,
        });
        if let Some(object) = value.as_object_mut() {
            object.extend(self.body.clone().map(|body| ("requestBody".to_owned(), body)));
            object.insert("responses".to_owned(), Value::Object(responses.collect()));
        }
        value
    }
}

pub(super) fn reference(kind: &str, name: &str) -> Value {
    json!({ "$ref": format!("#/components/{kind}/{name}") })
}

/// Parameters by their names.
pub(super) fn named(names: &[&str]) -> Vec<Value> {
    names.iter().map(|name| reference("parameters", name)).collect()
}

fn faults(lists: &[&[u16]]) -> Vec<u16> {
    lists.concat()
}

/// What says how the answer looks.
const FORM: [&str; 2] = ["_format", "_pretty"];
/// What says how much of resources is answered.
const CUT: [&str; 2] = ["_summary", "_elements"];

/// The parameters of all searches, in the order in which they are told.
pub(super) const COMMON: [&str; 11] = [
    "_has",
    "_include",
    "_revinclude",
    "_sort",
    "_count",
    "_total",
    "_summary",
    "_elements",
    "_contained",
    "_containedType",
    "other",
];

/// `[base]`.
pub(super) fn system() -> Value {
    let search = Operation {
        id: "search-system".into(),
        tag: "system",
        parameters: named(&[&["_type", "_id", "_lastUpdated"][..], &COMMON, &FORM].concat()),
        body: None,
        found: vec![(200, "Searchset".into())],
        faults: SEARCH.to_vec(),
    };
    let bundle = Operation {
        id: "batch-or-transaction".into(),
        tag: "system",
        parameters: named(&[&["Prefer", "Idempotency-Key"][..], &FORM].concat()),
        body: Some(reference("requestBodies", "Bundle")),
        found: vec![(200, "Responses".into())],
        faults: faults(&[&[404, 410], &BODY, &WRITE]),
    };
    json!({ "get": search.to_value(), "post": bundle.to_value() })
}

/// `[base]/metadata`.
pub(super) fn metadata() -> Value {
    let get = Operation {
        id: "capabilities".into(),
        tag: "system",
        parameters: named(&[&["mode", "If-None-Match"][..], &CUT, &FORM].concat()),
        body: None,
        found: vec![(200, "Capabilities".into()), (304, "Unchanged".into())],
        faults: Vec::new(),
    };
    json!({ "get": get.to_value() })
}

/// This description.
pub(super) fn description() -> Value {
    let get = Operation {
        id: "description".into(),
        tag: "system",
        parameters: named(&["types", "If-None-Match"]),
        body: None,
        found: vec![(200, "Description".into()), (304, "Unchanged".into())],
        faults: vec![404],
    };
    json!({ "get": get.to_value() })
}

/// A history; `tag` is the type.
pub(super) fn history(tag: &str, level: &str, path: &[&str]) -> Value {
    let own = ["_count", "_since", "_at", "_list", "history-sort"];
    let faults = if level == "instance" { vec![404] } else { Vec::new() };
    let get = Operation {
        id: format!("{tag}.history-{level}"),
        tag,
        parameters: named(&[path, &own, &CUT, &FORM].concat()),
        body: None,
        found: vec![(200, "History".into())],
        faults,
    };
    json!({ "get": get.to_value() })
}

/// A search by POST.
pub(super) fn search_by_post(tag: &str) -> Value {
    json!({ "post": posted(format!("{tag}.search-by-post"), tag, Vec::new()) })
}

fn posted(id: String, tag: &str, parameters: Vec<Value>) -> Value {
    let faults = faults(&[&SEARCH, &BODY, if parameters.is_empty() { &[] } else { &[404] }]);
    let found = vec![(200, "Searchset".to_owned())];
    let body = Some(reference("requestBodies", "Search"));
    let parameters = parameters.into_iter().chain(named(&FORM)).collect();
    Operation { id, tag, parameters, body, found, faults }.to_value()
}

/// `[base]/[type]`.
pub(super) fn of_type(source: &Source<'_>, kind: ResourceType) -> Value {
    let name = kind.as_str();
    let own = source.held.rules.parameters(kind);
    let own = own.filter(|parameter| !COMMON.contains(&parameter.definition.code.as_str()));
    let own = own.map(|parameter| {
        let definition = &parameter.definition;
        json!({ "name": definition.code, "in": "query",
            "schema": reference("schemas", search_schema(definition.kind)) })
    });
    let search = Operation {
        id: format!("{name}.search"),
        tag: name,
        parameters: own.chain(named(&COMMON)).chain(named(&FORM)).collect(),
        body: None,
        found: vec![(200, "Searchset".into())],
        faults: SEARCH.to_vec(),
    };
    let create = Operation {
        id: format!("{name}.create"),
        tag: name,
        parameters: writing(kind, &["If-None-Exist", "Idempotency-Key"]),
        body: Some(reference("requestBodies", name)),
        found: vec![(200, written(name)), (201, format!("{name}-created"))],
        faults: faults(&[&BODY, &WRITE]),
    };
    json!({
        "get": search.to_value(),
        "post": create.to_value(),
        "put": update(kind, "conditional-update", &["If-Match", "If-None-Match", "criteria"]),
        "patch": patch(kind, "conditional-patch", &["If-Match", "If-None-Match", "criteria"]),
        "delete": delete(kind, "conditional-delete", &["If-Match", "If-None-Match", "criteria"]),
    })
}

fn search_schema(kind: ParameterType) -> &'static str {
    match kind {
        ParameterType::Date => "search-date",
        ParameterType::Number => "search-number",
        ParameterType::Quantity => "search-quantity",
        _ => "search-text",
    }
}

fn written(name: &str) -> String {
    format!("{name}-written")
}

/// The parameters of a write of that type.
fn writing(kind: ResourceType, own: &[&str]) -> Vec<Value> {
    let context: &[&str] = if kind.as_str() == "Binary" { &["X-Security-Context"] } else { &[] };
    named(&[own, context, &["Prefer"], &FORM].concat())
}

fn update(kind: ResourceType, interaction: &str, own: &[&str]) -> Value {
    let name = kind.as_str();
    Operation {
        id: format!("{name}.{interaction}"),
        tag: name,
        parameters: writing(kind, own),
        body: Some(reference("requestBodies", name)),
        found: vec![(200, written(name)), (201, format!("{name}-created"))],
        faults: faults(&[&BODY, &WRITE]),
    }
    .to_value()
}

fn patch(kind: ResourceType, interaction: &str, own: &[&str]) -> Value {
    let name = kind.as_str();
    Operation {
        id: format!("{name}.{interaction}"),
        tag: name,
        parameters: named(&[own, &["Prefer", "Idempotency-Key"], &FORM].concat()),
        body: Some(reference("requestBodies", "Patch")),
        found: vec![(200, written(name))],
        faults: faults(&[&[404, 410], &BODY, &WRITE]),
    }
    .to_value()
}

fn delete(kind: ResourceType, interaction: &str, own: &[&str]) -> Value {
    let name = kind.as_str();
    Operation {
        id: format!("{name}.{interaction}"),
        tag: name,
        parameters: named(&[own, &FORM].concat()),
        body: None,
        found: vec![(204, "Deleted".into())],
        faults: WRITE.to_vec(),
    }
    .to_value()
}

/// `[base]/[type]/[id]`.
pub(super) fn instance(kind: ResourceType) -> Value {
    let own = ["id", "If-Match", "If-None-Match"];
    json!({
        "get": read(kind, "read", &["id"]),
        "put": update(kind, "update", &own),
        "patch": patch(kind, "patch", &own),
        "delete": delete(kind, "delete", &own),
    })
}

/// `[base]/[type]/[id]/_history/[version]`.
pub(super) fn version(kind: ResourceType) -> Value {
    json!({ "get": read(kind, "vread", &["id", "version"]) })
}

fn read(kind: ResourceType, interaction: &str, path: &[&str]) -> Value {
    let name = kind.as_str();
    let conditions = ["If-None-Match", "If-Modified-Since"];
    Operation {
        id: format!("{name}.{interaction}"),
        tag: name,
        parameters: named(&[path, &conditions, &CUT, &FORM].concat()),
        body: None,
        found: vec![(200, name.to_owned()), (304, "Unchanged".into())],
        faults: vec![404, 410],
    }
    .to_value()
}

/// The type of what belongs to a resource.
fn within(names: &[&str]) -> Vec<Value> {
    let schema = json!({ "type": "string", "enum": names });
    let kind = json!({ "name": "type", "in": "path", "required": true, "schema": schema });
    named(&["id"]).into_iter().chain([kind]).collect()
}

/// `[base]/[compartment]/[id]/[type]`.
pub(super) fn compartment(of: ResourceType, names: &[&str]) -> Value {
    let common = [&["_id", "_lastUpdated"][..], &COMMON, &FORM].concat();
    let get = Operation {
        id: format!("{of}.compartment"),
        tag: of.as_str(),
        parameters: within(names).into_iter().chain(named(&common)).collect(),
        body: None,
        found: vec![(200, "Searchset".into())],
        faults: faults(&[&SEARCH, &[404]]),
    };
    json!({ "get": get.to_value() })
}

/// The same by POST.
pub(super) fn compartment_by_post(of: ResourceType, names: &[&str]) -> Value {
    json!({ "post": posted(format!("{of}.compartment-by-post"), of.as_str(), within(names)) })
}
