//! What the server says when something is wrong: the ids of its messages, the form of its outcomes,
//! and that no value of a patient is ever in them.
//!
//! Source: <http://hl7.org/fhir/R4/operationoutcome.html>.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

mod told;

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use spondyl::fhir::message::{Message, code_system};
use spondyl::fhir::{Issue, Resource, outcome};
use told::{issues, validator};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The instances of the cases under `conformance/validation`.
fn instances() -> Vec<Value> {
    let mut found = Vec::new();
    for folder in ["cases", "primitive", "profile"] {
        let folder = root().join("conformance/validation").join(folder);
        let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|f| f.unwrap().path()).collect();
        files.retain(|file| file.extension().is_some_and(|extension| extension == "json"));
        files.sort();
        for file in files {
            let content: Value = serde_json::from_slice(&fs::read(file).unwrap()).unwrap();
            let cases = content.as_array().or_else(|| content["cases"].as_array());
            let resources = cases.into_iter().flatten().filter_map(|case| case.get("resource"));
            found.extend(resources.filter(|resource| resource.is_object()).cloned());
        }
    }
    assert!(found.len() > 200, "{} instances", found.len());
    found
}

/// The code system is what the table says; `BLESS=1` writes it.
#[test]
fn the_code_system_has_every_id() {
    let path = root().join("schemas/profile/code-system-message-id.json");
    let mut made = serde_json::to_string_pretty(&code_system()).unwrap();
    made.push('\n');
    if std::env::var("BLESS").is_ok() {
        fs::write(&path, &made).unwrap();
    }
    let held = fs::read_to_string(&path).unwrap_or_default();
    assert!(held == made, "run with BLESS=1 to write {}", path.display());
}

/// An id can only be said if it is in the table, since it is a variant; here, that each is said.
#[test]
fn no_id_is_unused() {
    let mut sources = Vec::new();
    collect_sources(&root().join("src"), &mut sources);
    let (table, others): (Vec<_>, Vec<_>) =
        sources.into_iter().partition(|(path, _)| path.ends_with("fhir/message.rs"));
    // What follows from an issue type is said by every issue of that type.
    let fallback = table[0].1.split("fn of(").nth(1).unwrap().split("\n    }\n").next().unwrap();
    for message in Message::ALL {
        let name = format!("{message:?}");
        let says = |text: &str, prefix: &str| {
            text.match_indices(&format!("{prefix}{name}")).any(|(at, found)| {
                let next = text[at + found.len()..].chars().next();
                !next.is_some_and(char::is_alphanumeric)
            })
        };
        let is_said = says(fallback, "Self::")
            || others.iter().any(|(_, text)| says(text, "Message::") || says(text, " M::"));
        assert!(is_said, "nothing says {name}");
    }
}

fn collect_sources(folder: &Path, sources: &mut Vec<(PathBuf, String)>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect_sources(&path, sources);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = fs::read_to_string(&path).unwrap();
            sources.push((path, text));
        }
    }
}

/// Outcomes are resources, so they are held to the same rules.
#[test]
fn outcomes_are_valid_and_say_everything() {
    let ids: Vec<&str> = Message::ALL.iter().map(|message| message.id()).collect();
    for instance in instances() {
        let text = serde_json::to_string_pretty(&instance).unwrap();
        let told = issues(&text);
        let outcome = outcome::operation_outcome(&told);
        let resource = Resource::from_value(outcome.clone()).unwrap();
        let faults: Vec<_> =
            validator().check(&resource).into_iter().filter(Issue::is_error).collect();
        assert!(faults.is_empty(), "{outcome:#} {faults:#?}");
        for (issue, value) in told.iter().zip(outcome["issue"].as_array().unwrap()) {
            let coding = &value["details"]["coding"][0];
            assert!(ids.contains(&coding["code"].as_str().unwrap()), "{value}");
            assert!(value["diagnostics"].as_str().unwrap().len() > 10, "{value}");
            assert!(value["location"][0].as_str().unwrap().starts_with("line "), "{value}");
            assert!(value["expression"][0].is_string(), "{value}");
            let text = value["details"]["text"].as_str().unwrap();
            assert!(issue.rule.as_deref().is_none_or(|rule| text.contains(rule)), "{value}");
        }
    }
}

/// Line and column are those of the element that is named.
#[test]
fn places_are_those_of_the_text() {
    let text = "{\n \"resourceType\": \"Patient\",\n \"contact\": [{}, {\n  \"gender\": \"x\" }],\n \
                \"deceasedDateTime\": \"2023-02-30\"\n}";
    let places: Vec<_> = issues(text)
        .into_iter()
        .map(|issue| (issue.expression.unwrap(), issue.position.unwrap()))
        .collect();
    for (expression, place) in [
        ("Patient.contact[0]", (3, 14)),
        ("Patient.contact[1].gender", (4, 3)),
        ("Patient.deceased", (5, 2)),
    ] {
        assert!(places.contains(&(expression.to_owned(), place)), "{expression}: {places:?}");
    }
}

const MARK: &str = "QzxMark";

/// Every text and number of a resource in turn becomes a mark of its own; no word of the answer has
/// it, however wrong it makes the resource. Names of elements are not values and are not marked.
#[test]
fn no_value_is_repeated() {
    let mut count = 0;
    for instance in instances().iter().step_by(7) {
        let mut pointers = Vec::new();
        collect_values(instance, String::new(), &mut pointers);
        for pointer in pointers.iter().filter(|pointer| !pointer.ends_with("/resourceType")) {
            let was = instance.pointer(pointer).unwrap().as_str().unwrap_or_default().to_owned();
            let number: Value = serde_json::from_str("-918273645.5463728190").unwrap();
            for mark in [
                json!(MARK),
                json!(format!("{MARK} {MARK}\u{1}")),
                json!(format!("{was}{MARK}")),
                json!(format!("urn:uuid:{MARK}")),
                json!(format!("#{MARK}")),
                json!(format!("Patient/{MARK}?a=b")),
                json!(format!(
                    "<div xmlns=\"http://www.w3.org/1999/xhtml\"><p class=\"{MARK}\">{MARK}<a href=\"javascript:{MARK}\" title=\"x\">&{MARK};</a></div>"
                )),
                json!(format!(
                    "<div xmlns=\"http://www.w3.org/1999/xhtml\"><p style=\"{MARK}:url({MARK})\">{MARK}<a href=\"#{MARK}\"/></p></div>"
                )),
                number,
                json!({ "extension": [{ "url": MARK, "valueString": MARK }] }),
                json!([[MARK]]),
            ] {
                let mut marked = instance.clone();
                *marked.pointer_mut(pointer).unwrap() = mark;
                let Ok(resource) = Resource::from_value(marked) else { continue };
                for issue in validator().check(&resource) {
                    let said = [Some(&issue.diagnostics), issue.expression.as_ref()];
                    // The URL of a code system names no patient, and which one it is has to be told.
                    let is_system = pointer.ends_with("/system");
                    let told = said.into_iter().flatten().filter(|_| !is_system);
                    for text in told {
                        let quoted = text.contains(MARK) || text.contains("918273645");
                        assert!(!quoted, "{pointer}: {issue:?}");
                    }
                }
                count += 1;
            }
        }
    }
    println!("{count} marked resources");
    for text in [
        format!("{{\"resourceType\":\"Patient\",\"name\":\"{MARK}\"{MARK}}}"),
        format!("{{\"resourceType\":\"Patient\",\"{MARK} {MARK}\":{{\"a\":nul}}}}"),
        format!("{{\"resourceType\":\"Patient\",\"{MARK} {MARK}\":1}}"),
        format!("{{\"resourceType\":\"{MARK}\"}}"),
    ] {
        for issue in issues(&text) {
            let expression = issue.expression.unwrap_or_default();
            assert!(!issue.diagnostics.contains(MARK) && !expression.contains(MARK), "{text}");
        }
    }
}

fn collect_values(value: &Value, at: String, pointers: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                collect_values(value, format!("{at}/{name}"), pointers);
            }
        }
        Value::Array(list) => {
            for (index, value) in list.iter().enumerate() {
                collect_values(value, format!("{at}/{index}"), pointers);
            }
        }
        _ => pointers.push(at),
    }
}
