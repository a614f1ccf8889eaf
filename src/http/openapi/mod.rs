//! The description of the API as OpenAPI 3.1, made from what answers: the routes, the types, the search
//! parameters in force, and the operations.
//!
//! A path stands there for each route and type, so that each has its own parameters and schema. What
//! every GET has, HEAD and OPTIONS, is told once, in the introduction. The schemas of resources say
//! which elements there are and of what JSON type; what else is asked of them tells the
//! StructureDefinition that each names. Source: <https://spec.openapis.org/oas/v3.1.0>.

mod component;
mod export;
mod interaction;
mod operating;
mod operation;
mod people;
mod smart;

use serde_json::{Map, Value, json};

use crate::app::Held;
use crate::definitions::compartment::Compartments;
use crate::fhir::ResourceType;
use crate::http::BASE;
use crate::http::route::Route;
use crate::page::SCRIPTS;

/// What is described.
pub(super) struct Source<'a> {
    /// The definitions in force.
    pub(super) held: &'a Held,
    /// The URL of the API.
    pub(super) base: &'a str,
    /// The types, in the order of their names.
    pub(super) types: Vec<ResourceType>,
}

const INTRODUCTION: &str = "HL7 FHIR R4 (4.0.1) over HTTP: a clinical record of manual therapy of the \
spine. HEAD is answered wherever GET is, with the same headers; OPTIONS everywhere, with Allow. A \
search parameter may be repeated, and may have modifiers and chains in its name. What goes wrong is \
told in an OperationOutcome.";

/// The document. Pages stand beside the API, so they are told where it is known what is beside it.
pub(super) fn document(source: &Source<'_>) -> Value {
    let (server, prefix) = match source.base.strip_suffix(BASE) {
        Some(origin) => (origin, BASE),
        None => (source.base, ""),
    };
    let mut paths = Map::new();
    for route in Route::ALL {
        let prefix = match route.is_page() {
            true if prefix.is_empty() => continue,
            true => "",
            false => prefix,
        };
        for (path, item) in items(source, *route) {
            let below = if prefix.is_empty() { &path } else { path.trim_end_matches('/') };
            paths.insert(format!("{prefix}{below}"), item);
        }
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "spondyl",
            "version": env!("CARGO_PKG_VERSION"),
            "description": INTRODUCTION,
            "license": { "name": "MIT OR Apache-2.0", "identifier": "MIT OR Apache-2.0" },
        },
        "externalDocs": { "url": "http://hl7.org/fhir/R4/http.html" },
        "servers": [{ "url": server }],
        "paths": paths,
        "components": component::components(source),
    })
}

/// The paths of a route, each with what it answers.
fn items(source: &Source<'_>, route: Route) -> Vec<(String, Value)> {
    let template = route.template();
    let each_type = |item: &dyn Fn(ResourceType) -> Value| {
        let types = source.types.iter();
        types.map(|kind| (template.replace("{type}", kind.as_str()), item(*kind))).collect()
    };
    let one = |item: Value| vec![(template.to_owned(), item)];
    match route {
        Route::Script => {
            let paths = SCRIPTS.iter().map(|(path, _)| *path);
            paths.map(|path| (path.to_owned(), page(path, "text/javascript"))).collect()
        }
        Route::Icon => one(page(template, "")),
        Route::Index | Route::Episode | Route::Visit | Route::Letters | Route::Patient => {
            one(page(template, "text/html"))
        }
        Route::Links
        | Route::LinkEnd
        | Route::SharedLink
        | Route::SharedLetter
        | Route::SharedForm
        | Route::SignIn
        | Route::SignInBack
        | Route::SignOut => one(people::item(route)),
        Route::Live | Route::Ready | Route::Metrics => one(operating::item(route)),
        Route::Audit => {
            one(audit(template, &["text/csv", "application/x-ndjson", "application/json"]))
        }
        Route::AuditCases => one(audit(template, &[])),
        Route::OpenApi => one(interaction::description()),
        Route::System => one(interaction::system()),
        Route::SystemSearch => one(interaction::search_by_post("system")),
        Route::SmartConfiguration | Route::Token | Route::Introspect | Route::Revoke => {
            one(smart::item(route))
        }
        Route::Export => one(export::job()),
        Route::ExportFile => one(export::file()),
        Route::Metadata => one(interaction::metadata()),
        Route::SystemHistory => one(interaction::history("system", "system", &[])),
        Route::Type => each_type(&|kind| interaction::of_type(source, kind)),
        Route::TypeSearch => each_type(&|kind| interaction::search_by_post(kind.as_str())),
        Route::TypeHistory => each_type(&|kind| interaction::history(kind.as_str(), "type", &[])),
        Route::Instance => each_type(&|kind| interaction::instance(kind)),
        Route::InstanceHistory => {
            each_type(&|kind| interaction::history(kind.as_str(), "instance", &["id"]))
        }
        Route::Version => each_type(&|kind| interaction::version(kind)),
        Route::Operation => operation::items(source),
        Route::Compartment => compartments(source, template, interaction::compartment),
        Route::CompartmentSearch => {
            compartments(source, template, interaction::compartment_by_post)
        }
    }
}

fn compartments(
    source: &Source<'_>,
    template: &str,
    item: impl Fn(ResourceType, &[&str]) -> Value,
) -> Vec<(String, Value)> {
    let compartments = Compartments::standard();
    let of = source.types.iter().filter(|kind| compartments.has(**kind));
    let each = of.map(|of| {
        let within = source
            .types
            .iter()
            .filter(|kind| *kind == of || !compartments.parameters(*of, **kind).is_empty());
        let mut names: Vec<&str> = within.map(|kind| kind.as_str()).collect();
        names.push("*");
        (template.replace("{compartment}", of.as_str()), item(*of, &names))
    });
    each.collect()
}

/// The pages of the audit, with what they are asked by, and what else they answer with.
fn audit(path: &str, more: &[&str]) -> Value {
    let mut item = page(path, "text/html");
    let parameter = |name: &str, description: &str| json!({ "name": name, "in": "query", "description": description, "schema": { "type": "string" } });
    let parameters = [
        ("measure", "The id of the Measure."),
        ("periodStart", "The first day."),
        ("periodEnd", "The last day."),
        ("stratifier", "A code of CodeSystem/audit-stratifier."),
    ];
    let mut parameters: Vec<Value> =
        parameters.into_iter().map(|(name, words)| parameter(name, words)).collect();
    if more.is_empty() {
        parameters.push(parameter("stratum", "A group of the stratifier; all cases without it."));
    } else {
        parameters.push(parameter("_format", "csv, ndjson or json: the table as a file."));
    }
    if let Some(slot) = item.pointer_mut("/get/parameters") {
        *slot = Value::from(parameters);
    }
    let outcome = json!({ "$ref": "#/components/responses/Outcome" });
    if let Some(responses) = item.pointer_mut("/get/responses").and_then(Value::as_object_mut) {
        responses.extend(["403", "422"].map(|status| (status.to_owned(), outcome.clone())));
    }
    let content = item.pointer_mut("/get/responses/200/content").and_then(Value::as_object_mut);
    if let Some(content) = content {
        content.extend(more.iter().map(|media| ((*media).to_owned(), json!({}))));
    }
    item
}

/// What is for people: a page, its script, its icon, of which there is none.
fn page(path: &str, media: &str) -> Value {
    let id = json!({ "$ref": "#/components/parameters/id" });
    let outcome = json!({ "$ref": "#/components/responses/Outcome" });
    let mut responses = match media {
        "" => json!({ "204": { "description": "There is none." } }),
        media => json!({ "200": { "description": "The page.", "content": { media: {} } } }),
    };
    if let (Some(object), "text/html") = (responses.as_object_mut(), media) {
        let statuses = ["400", "404", "406", "410", "500"];
        object.extend(statuses.map(|status| (status.to_owned(), outcome.clone())));
    }
    let name: Vec<&str> = path.split(['/', '{', '}']).filter(|part| !part.is_empty()).collect();
    json!({ "get": {
        "operationId": format!("page.{}", name.join("-")),
        "tags": ["pages"],
        "parameters": if path.contains("{id}") { json!([id]) } else { json!([]) },
        "responses": responses,
    } })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::{App, Standard};
    use crate::config::Config;
    use crate::store::MemoryStore;
    use std::collections::BTreeSet;
    use std::sync::Arc;

    fn described(base: &str) -> Value {
        let standard = Arc::new(Standard::embedded().unwrap());
        let app = App::on(Config::default(), Box::new(MemoryStore::new()), standard).unwrap();
        let types = ["EpisodeOfCare", "Patient"].map(ResourceType::parse);
        let held = app.held();
        document(&Source { held: &held, base, types: types.into_iter().flatten().collect() })
    }

    /// Each route has an entry with the verbs that it knows, and nothing else has one.
    #[test]
    fn every_route_is_described() {
        let document = described("http://a.example/fhir");
        let paths = document["paths"].as_object().unwrap();
        let verbs = |path: &str| -> BTreeSet<String> {
            let item = paths.get(path).unwrap_or_else(|| panic!("{path} is not described"));
            item.as_object().unwrap().keys().map(|verb| verb.to_uppercase()).collect()
        };
        let mut met = BTreeSet::new();
        for route in Route::ALL {
            let base = if route.is_page() { "" } else { BASE };
            let path = format!("{base}{}", route.template());
            let path = if *route == Route::System { BASE.to_owned() } else { path };
            let scripts: Vec<&str> = SCRIPTS.iter().map(|(path, _)| *path).collect();
            let known = |verb: &&str| !["HEAD"].contains(verb);
            let mut expected: BTreeSet<String> =
                route.allow().split(", ").filter(known).map(str::to_owned).collect();
            let paths: Vec<String> = match route {
                Route::Script => scripts.iter().map(|path| (*path).to_owned()).collect(),
                Route::Operation => {
                    expected = BTreeSet::from(["GET".to_owned(), "POST".to_owned()]);
                    vec![format!("{BASE}/EpisodeOfCare/{{id}}/$episode-summary")]
                }
                Route::Compartment | Route::CompartmentSearch => {
                    let of = path.replace("{compartment}", "Patient");
                    vec![of]
                }
                _ => ["Patient", "EpisodeOfCare"].map(|kind| path.replace("{type}", kind)).to_vec(),
            };
            for path in paths {
                assert_eq!(verbs(&path), expected, "{path}");
                met.insert(path);
            }
        }
        let others = paths.keys().filter(|path| !met.contains(*path) && !path.contains('$'));
        assert_eq!(others.collect::<Vec<_>>(), Vec::<&String>::new());
    }

    /// Each name that is referred to is there, and each operation has a name of its own.
    #[test]
    fn what_is_named_is_there() {
        for base in ["http://a.example/fhir", "https://a.example/r4"] {
            let document = described(base);
            let text = document.to_string();
            let named =
                text.split("\"$ref\":\"#").skip(1).filter_map(|rest| rest.split('"').next());
            let named: BTreeSet<&str> = named.collect();
            assert!(named.len() > 50);
            for name in named {
                assert!(document.pointer(name).is_some(), "{name}");
            }
            let items = document["paths"].as_object().unwrap().values();
            let operations = items.flat_map(|item| item.as_object().unwrap().values());
            let ids: Vec<&str> =
                operations.map(|operation| operation["operationId"].as_str().unwrap()).collect();
            for link in text.split("\"operationId\":\"").filter_map(|rest| rest.split('"').next()) {
                assert!(link.starts_with('{') || ids.contains(&link), "{link}");
            }
            let once: BTreeSet<&&str> = ids.iter().collect();
            assert_eq!(once.len(), ids.len());
        }
    }
}
