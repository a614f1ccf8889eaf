//! The `$operations` in the description of the API.

use serde_json::{Map, Value, json};

use super::Source;
use super::interaction::{Operation, named, reference};
use crate::fhir::json::At;
use crate::operation::{self, Level};

/// A path for each operation, level and type.
pub(super) fn items(source: &Source<'_>) -> Vec<(String, Value)> {
    let mut items = Vec::new();
    for called in operation::ALL {
        if called.levels.contains(&Level::System) {
            let path = path(called.name, "system", Level::System);
            items.push((path, item(source, called, "system", Level::System)));
        }
        for kind in source.types.iter().filter(|kind| called.is_of(**kind)) {
            for level in called.levels.iter().filter(|level| **level != Level::System) {
                let path = path(called.name, kind.as_str(), *level);
                items.push((path, item(source, called, kind.as_str(), *level)));
            }
        }
    }
    items
}

fn path(name: &str, kind: &str, level: Level) -> String {
    match level {
        Level::System => format!("/${name}"),
        Level::Type => format!("/{kind}/${name}"),
        Level::Instance => format!("/{kind}/{{id}}/${name}"),
        Level::Version => format!("/{kind}/{{id}}/_history/{{version}}/${name}"),
    }
}

fn item(source: &Source<'_>, called: &operation::Operation, of: &str, level: Level) -> Value {
    let (at, path): (_, &[&str]) = match level {
        Level::System => ("whole", &[]),
        Level::Version => ("version", &["id", "version"]),
        Level::Type => ("type", &[]),
        Level::Instance => ("instance", &["id"]),
    };
    let found = match called.name {
        "export" => vec![(202, "Begun".to_owned())],
        _ if called.is_table() => vec![(200, "Table".to_owned())],
        _ if called.document => vec![(200, "Document".to_owned())],
        _ => vec![(200, "Resource".to_owned())],
    };
    let described = |verb: &str, parameters: Vec<Value>, body: Option<Value>| {
        Operation {
            id: format!("{of}.{}.{at}.{verb}", called.name),
            tag: of,
            parameters,
            body,
            found: found.clone(),
            faults: vec![403, 404, 408, 409, 410, 412, 413, 415, 422, 428, 429],
        }
        .to_value()
    };
    let form = named(&["_format", "_pretty"]);
    let mut item = Map::new();
    if called.by_get {
        let own = own(source, called.definition);
        let parameters = named(path).into_iter().chain(own).chain(form.clone());
        item.insert("get".to_owned(), described("get", parameters.collect(), None));
    }
    let parameters = named(path).into_iter().chain(form).collect();
    let body = Some(reference("requestBodies", "Operation"));
    item.insert("post".to_owned(), described("post", parameters, body));
    let docs = json!({ "url": called.definition });
    for operation in item.values_mut().filter_map(Value::as_object_mut) {
        operation.insert("externalDocs".to_owned(), docs.clone());
    }
    Value::Object(item)
}

/// What can stand in the URL, by the definition where it is held; else anything.
fn own(source: &Source<'_>, definition: &str) -> Vec<Value> {
    let Some(held) = source.held.standard.definitions.artefact(definition) else {
        return named(&["other"]);
    };
    let list = held.at("parameter").as_array().into_iter().flatten();
    let taken = list.filter(|parameter| parameter.at("use") == "in");
    let each = taken.filter_map(|parameter| {
        let name = parameter.at("name").as_str().filter(|name| *name != "_format")?;
        let schema = match parameter.at("type").as_str()? {
            "boolean" => json!({ "type": "boolean" }),
            "integer" | "positiveInt" | "unsignedInt" => json!({ "type": "integer" }),
            primitive if primitive.starts_with(char::is_lowercase) => json!({ "type": "string" }),
            "Reference" => json!({ "type": "string" }),
            _ => return None,
        };
        let required = parameter.at("min") != 0;
        Some(json!({ "name": name, "in": "query", "required": required, "schema": schema }))
    });
    each.collect()
}
