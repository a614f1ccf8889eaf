//! What the description of the API names again and again: parameters, bodies, answers, schemas.

use serde_json::{Map, Value, json};

use super::Source;
use super::interaction::reference;
use crate::definitions::model::{Kind, Model};
use crate::fhir::ResourceType;
use crate::http::format::Media;
use crate::operation;

/// All of them.
pub(super) fn components(source: &Source<'_>) -> Value {
    json!({
        "parameters": parameters(),
        "headers": headers(),
        "requestBodies": bodies(source),
        "responses": responses(source),
        "schemas": schemas(source),
    })
}

fn query(name: &str, schema: Value) -> Value {
    json!({ "name": name, "in": "query", "schema": schema })
}

fn header(name: &str, schema: Value) -> Value {
    json!({ "name": name, "in": "header", "schema": schema })
}

fn path(name: &str, pattern: &str) -> Value {
    let schema = json!({ "type": "string", "pattern": pattern });
    json!({ "name": name, "in": "path", "required": true, "schema": schema })
}

/// A list of version tags (<http://hl7.org/fhir/R4/http.html#versioning>).
const TAGS: &str = "^(W/)?\"[0-9]+\"(, *(W/)?\"[0-9]+\")*$";
/// A string of a structured field (<https://www.rfc-editor.org/rfc/rfc8941#section-3.3.3>).
const KEY: &str = "^\"[A-Za-z0-9._~-]{1,255}\"$";
const DATE: &str = "^[0-9]{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12][0-9]))?)?$";
const INSTANT: &str =
    "^20[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9])T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]Z$";

fn parameters() -> Value {
    let text = || json!({ "type": "string" });
    let choice = |codes: &[&str]| json!({ "type": "string", "enum": codes });
    let repeated = || reference("schemas", "search-text");
    let tags = || json!({ "type": "string", "pattern": TAGS });
    let formats: Vec<&str> = ["json", "xml"]
        .into_iter()
        .chain(Media::RESOURCE.iter().map(|media| media.as_str()))
        .collect();
    let mut all = Map::new();
    for parameter in [
        path("id", "^[A-Za-z0-9.-]{1,64}$"),
        path("version", "^[1-9][0-9]{0,8}$"),
        query("_format", choice(&formats)),
        query("_pretty", json!({ "type": "boolean" })),
        query("_summary", choice(&["true", "text", "data", "false"])),
        query("_elements", json!({ "type": "string", "pattern": "^[a-zA-Z]+(,[a-zA-Z]+)*$" })),
        query("_count", json!({ "type": "integer", "minimum": 0 })),
        query("_since", json!({ "type": "string", "pattern": INSTANT })),
        query("_at", json!({ "type": "string", "pattern": DATE })),
        query("_list", json!({ "type": "string", "pattern": "^(List/)?[A-Za-z0-9.-]{1,64}$" })),
        query("_type", text()),
        query("_id", repeated()),
        query("_lastUpdated", reference("schemas", "search-date")),
        query("_has", text()),
        query("_include", repeated()),
        query("_revinclude", repeated()),
        query("_sort", text()),
        query("_total", choice(&["none", "estimate", "accurate"])),
        query("_contained", choice(&["false"])),
        query("_containedType", choice(&["container"])),
        query("mode", choice(&["full", "normative", "terminology"])),
        header("If-Match", tags()),
        header("If-None-Match", tags()),
        header("If-Modified-Since", text()),
        header("If-None-Exist", text()),
        header("X-Security-Context", text()),
        header("Idempotency-Key", json!({ "type": "string", "pattern": KEY })),
        header(
            "Prefer",
            choice(&[
                "return=minimal",
                "return=representation",
                "return=OperationOutcome",
                "handling=strict",
                "handling=lenient",
            ]),
        ),
    ] {
        if let Some(name) = parameter.get("name").and_then(Value::as_str) {
            all.insert(name.to_owned(), parameter.clone());
        }
    }
    let sort = choice(&["_lastUpdated", "-_lastUpdated"]);
    all.insert("history-sort".to_owned(), query("_sort", sort));
    let mut types = query("_type", text());
    if let Some(object) = types.as_object_mut() {
        let told = "Only these types, with commas between.";
        object.insert("description".to_owned(), json!(told));
    }
    all.insert("types".to_owned(), types);
    for (name, told) in [
        ("other", "Search parameters with modifiers, chains, and those that were stored since."),
        ("criteria", "The search parameters that select the resource, one at least."),
    ] {
        let mut any = query(name, json!({ "type": "object", "additionalProperties": text() }));
        if let Some(object) = any.as_object_mut() {
            object.insert("description".to_owned(), json!(told));
            object.insert("style".to_owned(), json!("form"));
            object.insert("explode".to_owned(), json!(true));
        }
        all.insert(name.to_owned(), any);
    }
    Value::Object(all)
}

fn headers() -> Value {
    let header = |pattern: &str| json!({ "required": true, "schema": { "type": "string", "pattern": pattern } });
    json!({
        "ETag": header("^W/\"[0-9]+\"$"),
        "Tag": header("^W/\"[0-9a-f]+\"$"),
        "Last-Modified": header(" GMT$"),
        "Content-Location": header("^https?://.+/exports/[0-9a-f]{32}$"),
        "Location": header("^https?://.+/_history/[0-9]+$"),
        "X-Request-Id": header("^[A-Za-z0-9._-]{1,64}$"),
    })
}

/// The formats of resources; only in JSON a schema can be held to them.
fn resource_content(schema: &Value) -> Map<String, Value> {
    let each = Media::RESOURCE.iter().map(|media| {
        let content = if media.is_xml() { json!({}) } else { json!({ "schema": schema }) };
        (media.as_str().to_owned(), content)
    });
    each.collect()
}

/// What a Binary is answered with: the resource, or its content, which can be of any type.
fn any_content() -> Map<String, Value> {
    let names = Media::RESOURCE.iter().map(|media| media.as_str()).chain(["*/*"]);
    names.map(|name| (name.to_owned(), json!({}))).collect()
}

fn bodies(source: &Source<'_>) -> Value {
    let body = |content: Map<String, Value>| json!({ "required": true, "content": content });
    let of = |name: &str| resource_content(&reference("schemas", name));
    let mut all = Map::new();
    for kind in &source.types {
        let mut content = of(kind.as_str());
        if kind.as_str() == "Binary" {
            content.insert("*/*".to_owned(), json!({}));
        }
        all.insert(kind.to_string(), body(content));
    }
    all.insert("Bundle".to_owned(), body(of("Bundle")));
    let mut patch = Map::new();
    let operations = json!({ "schema": reference("schemas", "JsonPatch") });
    patch.insert("application/json-patch+json".to_owned(), operations);
    patch.extend(of("Parameters"));
    all.insert("Patch".to_owned(), body(patch));
    let any = json!({ "content": of("Resource") });
    all.insert("Operation".to_owned(), any);
    let form = json!({ "application/x-www-form-urlencoded": { "schema": {
        "type": "object", "additionalProperties": { "type": "string" } } } });
    all.insert("Search".to_owned(), json!({ "content": form }));
    Value::Object(all)
}

fn told(description: &str, headers: &[&str], content: Option<Map<String, Value>>) -> Value {
    let headers = [headers, &["X-Request-Id"]].concat();
    let headers: Map<String, Value> = headers
        .iter()
        .map(|name| {
            let shown = if *name == "Tag" { "ETag" } else { name };
            (shown.to_owned(), reference("headers", name))
        })
        .collect();
    let mut value = json!({ "description": description, "headers": headers });
    if let (Some(object), Some(content)) = (value.as_object_mut(), content) {
        object.insert("content".to_owned(), Value::Object(content));
    }
    value
}

fn responses(source: &Source<'_>) -> Value {
    let of = |name: &str| Some(resource_content(&reference("schemas", name)));
    let written = |kind: &str| {
        let either = json!({ "anyOf": [
            reference("schemas", kind), reference("schemas", "OperationOutcome") ] });
        Some(resource_content(&either))
    };
    let version = ["ETag", "Last-Modified"];
    let stored = ["ETag", "Last-Modified", "Location"];
    let mut document = resource_content(&reference("schemas", "Resource"));
    document.extend(["text/html", "application/pdf"].map(|name| (name.to_owned(), json!({}))));
    let tables =
        ["application/json", "application/x-ndjson", "text/csv", "application/vnd.apache.parquet"];
    let table = tables.map(|name| (name.to_owned(), json!({}))).into_iter().collect();
    let description = json!({ "schema": { "type": "object", "required": ["openapi"] } });
    let description = [("application/json".to_owned(), description)].into_iter().collect();
    let mut all = Map::new();
    for (name, response) in [
        ("Outcome", told("What is wrong.", &[], of("OperationOutcome"))),
        ("Unchanged", told("The client has it already.", &[], None)),
        ("Deleted", told("There is no such resource, any more or at all.", &[], None)),
        ("Searchset", told("A page of matches.", &[], of("Searchset"))),
        ("History", told("A page of versions.", &[], of("History"))),
        ("Responses", told("What came of each entry.", &[], of("Responses"))),
        ("Capabilities", told("What this server does.", &["Tag"], of("Resource"))),
        ("Description", told("This description.", &["Tag"], Some(description))),
        ("Resource", told("What the operation found.", &[], of("Resource"))),
        ("Begun", told("It is begun; where it can be asked after.", &["Content-Location"], None)),
        ("Document", told("The document.", &[], Some(document))),
        ("Table", told("The table.", &[], Some(table))),
    ] {
        all.insert(name.to_owned(), response);
    }
    for kind in &source.types {
        let name = kind.as_str();
        let content = if name == "Binary" { Some(any_content()) } else { of(name) };
        let mut created = told("It was made.", &stored, written(name));
        if let Some(object) = created.as_object_mut() {
            object.insert("links".to_owned(), links(*kind));
        }
        all.insert(name.to_owned(), told("The version.", &version, content));
        all.insert(format!("{name}-written"), told("The version.", &stored, written(name)));
        all.insert(format!("{name}-created"), created);
    }
    Value::Object(all)
}

/// What can be done next with what was made.
fn links(kind: ResourceType) -> Value {
    let to = |operation: String| json!({ "operationId": operation, "parameters": { "id": "$response.body#/id" } });
    let mut links: Map<String, Value> =
        ["read", "history-instance", "update", "patch", "delete", "vread"]
            .iter()
            .map(|interaction| ((*interaction).to_owned(), to(format!("{kind}.{interaction}"))))
            .collect();
    for called in operation::ALL {
        if called.is_of(kind) && called.levels.contains(&operation::Level::Instance) {
            let id = format!("{kind}.{}.instance.post", called.name);
            links.insert(called.name.to_owned(), to(id));
        }
    }
    if let Some(version) = links.get_mut("vread").and_then(|link| link.get_mut("parameters")) {
        *version =
            json!({ "id": "$response.body#/id", "version": "$response.body#/meta/versionId" });
    }
    Value::Object(links)
}

fn schemas(source: &Source<'_>) -> Value {
    let model = &source.held.standard.model;
    let mut all: Map<String, Value> = source
        .types
        .iter()
        .chain(&ALWAYS.map(ResourceType::parse).into_iter().flatten().collect::<Vec<_>>())
        .map(|kind| (kind.to_string(), resource(model, *kind)))
        .collect();
    let prefixed = |value: &str| {
        let one = format!("(eq|ne|gt|lt|ge|le|sa|eb|ap)?{value}");
        json!({ "type": "array",
            "items": { "type": "string", "pattern": format!("^{one}(,{one})*$") } })
    };
    let number = "-?[0-9]+([.][0-9]+)?";
    let names: Vec<&str> = ResourceType::all().map(ResourceType::as_str).collect();
    for (name, schema) in [
        (
            "Resource",
            json!({ "type": "object", "required": ["resourceType"],
            "properties": { "resourceType": { "enum": names } } }),
        ),
        ("Searchset", bundle(&["searchset"])),
        ("History", bundle(&["history"])),
        ("Responses", bundle(&["batch-response", "transaction-response"])),
        ("JsonPatch", json_patch()),
        ("search-text", json!({ "type": "array", "items": { "type": "string" } })),
        ("search-date", prefixed("[0-9]{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12][0-9]))?)?")),
        ("search-number", prefixed(number)),
        ("search-quantity", prefixed(&format!("{number}([|][a-z:/.]*[|][a-zA-Z%]*)?"))),
    ] {
        all.insert(name.to_owned(), schema);
    }
    Value::Object(all)
}

/// Types that are answered or taken beside those that are described.
const ALWAYS: [&str; 3] = ["Bundle", "OperationOutcome", "Parameters"];

fn bundle(codes: &[&str]) -> Value {
    json!({ "allOf": [reference("schemas", "Bundle"),
        { "required": ["type"], "properties": { "type": { "enum": codes } } }] })
}

/// <https://www.rfc-editor.org/rfc/rfc6902>.
fn json_patch() -> Value {
    json!({ "type": "array", "items": {
        "type": "object",
        "required": ["op", "path"],
        "properties": {
            "op": { "enum": ["add", "remove", "replace", "move", "copy", "test"] },
            "path": { "type": "string" },
            "from": { "type": "string" },
            "value": {},
        },
    } })
}

/// The elements that a resource of that type may have, by their types in JSON.
fn resource(model: &Model, kind: ResourceType) -> Value {
    let elements = model.get(kind.as_str()).map(|kind| kind.elements.as_slice());
    let mut properties = Map::new();
    properties.insert("resourceType".to_owned(), json!({ "const": kind.as_str() }));
    let mut required = vec!["resourceType".to_owned()];
    for element in elements.unwrap_or_default() {
        for (name, of) in element.json_names() {
            let one = json_type(model, &of.code);
            let schema = match (element.array, one) {
                (false, one) => json!({ "type": one }),
                (true, "object") => {
                    json!({ "type": "array", "minItems": 1, "items": { "type": "object" } })
                }
                // Where an item has no value but an id or extensions, it is null.
                (true, one) => {
                    json!({ "type": "array", "minItems": 1, "items": { "type": [one, "null"] } })
                }
            };
            properties.insert(name, schema);
        }
        // A primitive may have extensions instead of a value.
        let complex = |of: &str| json_type(model, of) == "object";
        if element.min > 0 && !element.choice && element.types.iter().all(|of| complex(&of.code)) {
            required.push(element.name.clone());
        }
    }
    json!({
        "type": "object",
        "required": required,
        "properties": properties,
        "externalDocs": { "url": format!("http://hl7.org/fhir/StructureDefinition/{kind}") },
    })
}

fn json_type(model: &Model, code: &str) -> &'static str {
    let is = |base: &str| model.is_a(code, base);
    match model.get(code).map(|found| found.kind) {
        Some(Kind::Primitive) if is("boolean") => "boolean",
        Some(Kind::Primitive) if is("integer") => "integer",
        Some(Kind::Primitive) if is("decimal") => "number",
        Some(Kind::Primitive) => "string",
        _ if code.chars().next().is_some_and(char::is_lowercase) || code.contains("System.") => {
            "string"
        }
        _ => "object",
    }
}
