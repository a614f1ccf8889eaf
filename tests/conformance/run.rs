//! The interpreter of the exchanges: sends, looks, keeps.

use std::collections::BTreeMap;

use clap::ValueEnum;
use rh_fhirpath::{EvaluationContext, FhirPathEvaluator, FhirPathParser};
use serde_json::{Map, Value};
use spondyl::config::{ConditionalDelete, Config, References};

use crate::case::{Chapter, Rule, Step};
use crate::client::{Answer, Server};

/// What is wrong with each rule of a chapter; nothing where it holds. Rules that write begin with a
/// server of their own, those that read share one.
pub(crate) async fn faults(chapter: &Chapter) -> Vec<Option<String>> {
    let (mut shared, mut found) = (None, Vec::new());
    for rule in &chapter.rules {
        if rule.steps.is_empty() {
            found.push(None);
            continue;
        }
        if !reads_only(rule) {
            found.push(fault(chapter, rule).await);
            continue;
        }
        if shared.is_none() {
            shared = Some(server(chapter, rule).await);
        }
        found.push(match shared.as_ref().unwrap() {
            Ok(server) => of_steps(server, rule).await,
            Err(fault) => Some(fault.clone()),
        });
    }
    found
}

/// What is wrong with a rule on a new server; nothing, if it holds.
async fn fault(chapter: &Chapter, rule: &Rule) -> Option<String> {
    match server(chapter, rule).await {
        Ok(server) => of_steps(&server, rule).await,
        Err(fault) => Some(fault),
    }
}

fn reads_only(rule: &Rule) -> bool {
    let reads = |step: &Step| {
        let (verb, path) = step.send.split_once(' ').unwrap_or_default();
        ["GET", "HEAD"].contains(&verb) || path.contains("/_search")
    };
    rule.config.is_empty() && rule.given.is_empty() && rule.steps.iter().all(reads)
}

/// A server with what is given.
async fn server(chapter: &Chapter, rule: &Rule) -> Result<Server, String> {
    let server = Server::with(config(&rule.config));
    for resource in chapter.given.iter().chain(&rule.given) {
        let text = |name: &str| resource[name].as_str().unwrap_or_default();
        let path = format!("/{}/{}", text("resourceType"), text("id"));
        let answer = server.put(&path, resource).await;
        if answer.status != 201 {
            return Err(format!("given {path}: {} {}", answer.status, answer.text));
        }
    }
    Ok(server)
}

async fn of_steps(server: &Server, rule: &Rule) -> Option<String> {
    let mut kept = BTreeMap::from([("base".to_owned(), server.base())]);
    for step in &rule.steps {
        let found = exchange(server, step, &mut kept).await;
        if let Err(fault) = found {
            return Some(format!("{}: {fault}", step.send));
        }
    }
    None
}

fn config(settings: &Map<String, Value>) -> Config {
    let mut config = Config::default();
    for (name, value) in settings {
        let text = value.as_str().unwrap_or_default();
        match name.as_str() {
            "require_if_match" => config.require_if_match = value.as_bool().unwrap(),
            "max_body" => config.max_body = usize::try_from(value.as_u64().unwrap()).unwrap(),
            "base_url" => config.base_url = Some(text.to_owned()),
            "cors_origin" => config.cors_origin = vec![text.to_owned()],
            "conditional_delete" => {
                config.conditional_delete = ConditionalDelete::from_str(text, false).unwrap();
            }
            "references" => config.references = References::from_str(text, false).unwrap(),
            _ => panic!("no setting {name}"),
        }
    }
    config
}

async fn exchange(
    server: &Server,
    step: &Step,
    kept: &mut BTreeMap<String, String>,
) -> Result<(), String> {
    let (method, path) = step.send.split_once(' ').ok_or("a verb and a path")?;
    let mut headers: Vec<(String, String)> = Vec::new();
    for (name, value) in &step.headers {
        headers.push((name.clone(), filled(value, kept)));
    }
    let body = match &step.body {
        Some(Value::String(text)) => filled(text, kept),
        Some(value) => {
            if !step.headers.contains_key("Content-Type") {
                headers.push(("Content-Type".to_owned(), "application/fhir+json".to_owned()));
            }
            filled(&value.to_string(), kept)
        }
        None => String::new(),
    };
    let sent: Vec<(&str, &str)> =
        headers.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
    let answer = server.send(method, &url(&filled(path, kept)), &sent, body).await;
    look(&answer, step, kept)?;
    for (name, what) in &step.keep {
        let value = match what.strip_prefix("header ") {
            Some(header) => answer.header(header).to_owned(),
            None => match evaluate(&filled(what, kept), &answer.json())? {
                Value::String(text) => text,
                other => return Err(format!("{what} is not one text: {other}")),
            },
        };
        kept.insert(name.clone(), value);
    }
    Ok(())
}

/// What stands in a URL only with percent signs.
fn url(text: &str) -> String {
    [("|", "%7C"), (" ", "%20"), ("\"", "%22"), ("[", "%5B"), ("]", "%5D"), ("\\", "%5C")]
        .iter()
        .fold(text.to_owned(), |text, (letter, escaped)| text.replace(letter, escaped))
}

/// The text with what was kept in place of its names.
fn filled(text: &str, kept: &BTreeMap<String, String>) -> String {
    kept.iter()
        .fold(text.to_owned(), |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
}

fn look(answer: &Answer, step: &Step, kept: &BTreeMap<String, String>) -> Result<(), String> {
    let short: String = answer.text.chars().take(600).collect();
    if answer.status != step.status {
        return Err(format!("status {}, expected {}: {short}", answer.status, step.status));
    }
    for (name, expected) in &step.has {
        let found = answer.header(name);
        let expected = expected.as_ref().map(|text| filled(text, kept));
        let fits = match expected.as_deref() {
            None => found.is_empty(),
            Some("*") => !found.is_empty(),
            Some(text) => match text.strip_prefix('~') {
                Some(part) => found.contains(part),
                None => found == text,
            },
        };
        if !fits {
            return Err(format!("{name}: {found:?}, expected {expected:?}"));
        }
    }
    for expression in &step.holds {
        let expression = filled(expression, kept);
        let found = evaluate(&expression, &answer.json())?;
        if found != Value::Bool(true) {
            return Err(format!("{expression} is {found}: {short}"));
        }
    }
    for part in &step.text {
        let part = filled(part, kept);
        if !answer.text.contains(&part) {
            return Err(format!("no {part:?} in {short}"));
        }
    }
    if step.empty && !answer.text.is_empty() {
        return Err(format!("a body: {short}"));
    }
    Ok(())
}

/// What an expression says of a body; a collection of one is its item.
fn evaluate(expression: &str, body: &Value) -> Result<Value, String> {
    let told = |error: String| format!("{expression}: {error}");
    let parsed =
        FhirPathParser::new().parse(expression).map_err(|error| told(error.to_string()))?;
    let context = EvaluationContext::new(body.clone());
    let found = FhirPathEvaluator::new().evaluate(&parsed, &context);
    let found = found.map_err(|error| told(error.to_string()))?.to_json();
    Ok(match found {
        Value::Array(mut items) if items.len() == 1 => items.remove(0),
        other => other,
    })
}

/// An interpreter that finds no fault with anything would show nothing.
#[actix_web::test]
async fn false_expectations_are_found_out() {
    let chapter = |steps: Value| {
        serde_json::from_value::<Chapter>(serde_json::json!({
            "chapter": "0", "title": "none", "source": "none",
            "given": [{ "resourceType": "Patient", "id": "p", "active": true }],
            "rules": [{ "id": "x", "strength": "may", "rule": "none", "steps": steps }],
        }))
        .unwrap()
    };
    for (steps, fault_with) in [
        (r#"[{"send":"GET /Patient/p","status":404}]"#, "status 200"),
        (r#"[{"send":"GET /Patient/p","status":200,"has":{"ETag":"W/\"2\""}}]"#, "ETag"),
        (r#"[{"send":"GET /Patient/p","status":200,"has":{"ETag":null}}]"#, "ETag"),
        (r#"[{"send":"GET /Patient/p","status":200,"has":{"Location":"*"}}]"#, "Location"),
        (r#"[{"send":"GET /Patient/p","status":200,"has":{"ETag":"~2"}}]"#, "ETag"),
        (r#"[{"send":"GET /Patient/p","status":200,"holds":["active = false"]}]"#, "active"),
        (r#"[{"send":"GET /Patient/p","status":200,"holds":["gender = 'male'"]}]"#, "gender"),
        (r#"[{"send":"GET /Patient/p","status":200,"holds":["id = "]}]"#, "id ="),
        (r#"[{"send":"GET /Patient/p","status":200,"text":["false"]}]"#, "false"),
        (r#"[{"send":"GET /Patient/p","status":200,"empty":true}]"#, "a body"),
        (r#"[{"send":"GET /Patient/p","status":200,"keep":{"x":"gender"}}]"#, "not one text"),
        (
            r#"[{"send":"GET /Patient/p","status":200,"keep":{"x":"id"},"holds":["id = 'p'"]},
                {"send":"GET /Patient/{x}","status":200,"holds":["id = '{x}'"]},
                {"send":"GET /Patient/{x}x","status":200}]"#,
            "GET /Patient/{x}x: status 404",
        ),
    ] {
        let chapter = chapter(serde_json::from_str(steps).unwrap());
        let found = fault(&chapter, &chapter.rules[0]).await.unwrap_or_default();
        assert!(found.contains(fault_with), "{steps}: {found:?}");
    }
}
