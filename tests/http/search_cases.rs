//! The examples and rules of search.html, as data: each file of `conformance/search/cases` has the
//! resources that are put on an empty server and what searches answer, with the published rule.
//!
//! A case `get`s a path below the base and `finds` ids (as `Type/id` where several types come into
//! question), in whatever order unless `in-order`; `includes`, `total` and `ignored` are compared
//! where they are given. Or it is `refused` with a status, an issue code and, where given, an
//! expression. `strict` sends `Prefer: handling=strict`; `why` is for people.

use std::path::Path;

use serde_json::{Value, json};
use spondyl::app::App;
use spondyl::config::Config;
use spondyl::fhir::{Instant, ResourceType};
use spondyl::interaction::search::{Question, Scope, plans};
use spondyl::store::MemoryStore;

use crate::client::{Server, standard};

const BASE: &str = "https://me.example/fhir";

fn list(value: &Value) -> Vec<String> {
    let items = value.as_array().unwrap().iter();
    items.map(|item| item.as_str().unwrap().to_owned()).collect()
}

/// What stands in a URL only with percent signs, and what the case leaves open.
fn url(get: &str) -> String {
    let text = get.replace("{base}", BASE);
    let text = [("|", "%7C"), (" ", "%20"), ("\"", "%22"), ("[", "%5B"), ("]", "%5D")]
        .iter()
        .fold(text, |text, (letter, escaped)| text.replace(letter, escaped));
    let text = text.replace('\\', "%5C");
    format!("/{text}")
}

fn names(bundle: &Value, mode: &str, full: bool) -> Vec<String> {
    let entries = bundle["entry"].as_array().map(Vec::as_slice).unwrap_or_default();
    let entries = entries.iter().filter(|entry| entry["search"]["mode"] == mode);
    let name = |resource: &Value| {
        let id = resource["id"].as_str().unwrap();
        if full {
            format!("{}/{id}", resource["resourceType"].as_str().unwrap())
        } else {
            id.into()
        }
    };
    entries.map(|entry| name(&entry["resource"])).collect()
}

fn sorted(mut names: Vec<String>) -> Vec<String> {
    names.sort();
    names
}

/// What is wrong with the answer to a case; none if it is well.
fn fault(case: &Value, status: u16, body: &Value) -> Option<String> {
    let differs = |what: &str, found: Value, expected: &Value| {
        (found != *expected).then(|| format!("{what} {found}, expected {expected}"))
    };
    let issues = |outcome: &Value, member: &str| -> Vec<Value> {
        let issues = outcome["issue"].as_array().map(Vec::as_slice).unwrap_or_default();
        issues.iter().map(|issue| issue.pointer(member).cloned().unwrap_or_default()).collect()
    };
    if let Some(refused) = case.get("refused") {
        let expected = &refused["status"];
        let expression = refused.get("expression").cloned().unwrap_or_default();
        return differs("status", json!(status), expected)
            .or_else(|| differs("code", issues(body, "/code").remove(0), &refused["code"]))
            .or_else(|| {
                let found = issues(body, "/expression/0").remove(0);
                (!expression.is_null()).then(|| differs("expression", found, &expression))?
            });
    }
    if status != 200 {
        return Some(format!("status {status}: {body}"));
    }
    let expected = list(&case["finds"]);
    let full = expected.iter().any(|name| name.contains('/'));
    let found = names(body, "match", full);
    let (found, expected) = if case["in-order"] == true {
        (found, expected)
    } else {
        (sorted(found), sorted(expected))
    };
    differs("finds", json!(found), &json!(expected))
        .or_else(|| {
            let expected = sorted(list(case.get("includes")?));
            differs("includes", json!(sorted(names(body, "include", true))), &json!(expected))
        })
        .or_else(|| {
            let found = body.get("total").cloned().unwrap_or_default();
            differs("total", found, case.get("total")?)
        })
        .or_else(|| {
            let last = body["entry"].as_array().and_then(|entries| entries.last());
            let told = last.map(|entry| issues(&entry["resource"], "/expression/0"));
            differs("ignored", json!(told.unwrap_or_default()), case.get("ignored")?)
        })
}

#[actix_web::test]
async fn every_case() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/search/cases");
    let files = std::fs::read_dir(here).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<_> = files.collect();
    files.sort();
    let (mut count, mut faults) = (0, Vec::new());
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        let suite: Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
        assert!(suite["source"].as_str().unwrap().starts_with("http://hl7.org/fhir/R4/"), "{name}");
        let config = Config { base_url: Some(BASE.to_owned()), ..Config::default() };
        let server = Server::with(config);
        for resource in suite["resources"].as_array().unwrap() {
            let (kind, id) = (&resource["resourceType"], &resource["id"]);
            let path = format!("/{}/{}", kind.as_str().unwrap(), id.as_str().unwrap());
            let answer = server.put(&path, resource).await;
            assert_eq!(answer.status, 201, "{name}: {path}: {}", answer.text);
        }
        for case in suite["cases"].as_array().unwrap() {
            let strict = [("Prefer", "handling=strict")];
            let headers = if case["strict"] == true { &strict[..] } else { &[] };
            let get = case["get"].as_str().unwrap();
            let answer = server.send("GET", &url(get), headers, "").await;
            let found = fault(case, answer.status, &answer.json());
            faults.extend(found.map(|fault| format!("{name}: {get:.90}: {fault}")));
            count += 1;
        }
    }
    assert!(faults.is_empty(), "{} of {count}\n{}", faults.len(), faults.join("\n"));
    println!("{count} cases");
}

/// Whether no row can tell for which resources that holds, so that all must be looked at.
fn is_negative(name: &str, value: &str) -> bool {
    let modifier = name.rsplit(':').next().unwrap_or_default();
    ["not", "not-in"].contains(&modifier)
        || (modifier == "missing" && value == "true")
        || (name == "_content" && value.contains("NOT"))
}

/// No search of the cases looks through all of a type where an index could serve.
#[test]
fn no_case_scans_what_an_index_serves() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/search/cases");
    let config = Config { base_url: Some(BASE.to_owned()), ..Config::default() };
    let app = App::on(config, Box::new(MemoryStore::new()), standard()).unwrap();
    let held = app.held();
    let now = Instant::parse("2026-03-02T08:00:00Z").unwrap();
    let (mut planned, mut scans) = (0, Vec::new());
    for file in std::fs::read_dir(here).unwrap() {
        let suite: Value =
            serde_json::from_slice(&std::fs::read(file.unwrap().path()).unwrap()).unwrap();
        for case in suite["cases"].as_array().unwrap() {
            let get = case["get"].as_str().unwrap();
            let (path, text) = get.split_once('?').unwrap_or((get, ""));
            let Some(kind) = ResourceType::parse(path) else { continue };
            let pairs: Vec<(String, String)> = text
                .replace("{base}", BASE)
                .split('&')
                .filter_map(|pair| pair.split_once('='))
                .map(|(name, value)| (name.to_owned(), value.to_owned()))
                .collect();
            let by_rows = pairs.iter().any(|(name, value)| {
                let control = ["_sort", "_count", "_total", "_summary", "_elements", "_include"];
                let bare = name.split(':').next().unwrap_or_default();
                let is_known = name.contains(['.', ':']) && bare.starts_with("_has")
                    || ["_id", "_list"].contains(&bare)
                    || held
                        .rules
                        .parameter(kind, bare.split('.').next().unwrap_or_default())
                        .is_some();
                is_known
                    && !value.is_empty()
                    && !control.contains(&bare)
                    && !is_negative(name, value)
            });
            let question =
                Question { scope: Scope::Type(kind), pairs, strict: false, most_rows: None };
            let view = app.store.view().unwrap();
            let Ok(plans) = plans(&held, &*view, &question, now) else { continue };
            for plan in plans.iter().filter(|plan| by_rows && !plan.steps.is_empty()) {
                planned += 1;
                if plan.to_string().starts_with("candidates: every current") {
                    scans.push(format!("{get}\n{plan}"));
                }
            }
        }
    }
    assert!(planned > 150, "{planned} searches have plans");
    assert!(scans.is_empty(), "{} of {planned}:\n{}", scans.len(), scans.join("\n"));
}
