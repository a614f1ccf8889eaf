//! The cases under `conformance/validation/cases`: an instance, and every issue that is to be found.
//!
//! Each case names what of the standard it is about. The instances are our own; the profiles that
//! they claim are under `conformance/validation/definitions`, beside the server's own definitions.

#![allow(clippy::unwrap_used, reason = "a test says what it skips, and fails where it stands")]

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::sync::{Arc, Mutex};

use serde_json::{Value, json};
use spondyl::definitions::{Definitions, embedded};
use spondyl::fhir::{Issue, Resource};
use spondyl::validation::{Around, Outside, Validator};

fn files(folder: &str) -> Vec<(String, Vec<u8>)> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/validation").join(folder);
    let mut files: Vec<_> = fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| {
            (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read(path).unwrap())
        })
        .collect();
    files.sort();
    files
}

fn validator() -> Validator {
    let own: Vec<_> = files("definitions")
        .into_iter()
        .map(|(name, bytes)| (format!("profile/conformance-{name}"), bytes))
        .collect();
    let own = own.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice()));
    let embedded: Vec<(&str, &[u8])> = embedded::files().collect();
    Validator::new(Arc::new(Definitions::load(embedded.into_iter().chain(own)).unwrap()))
}

fn line(issue: &Issue) -> String {
    let rule = issue.rule.as_deref().map(|rule| rule.rsplit('/').next().unwrap_or(rule));
    [
        issue.severity.as_str(),
        issue.code.as_str(),
        issue.expression.as_deref().unwrap_or("-"),
        rule.unwrap_or("-"),
    ]
    .join(" ")
}

#[test]
fn cases() {
    let validator = validator();
    assert_eq!(validator.faults(), Vec::<String>::new());
    let mut ids = BTreeSet::new();
    let mut failures = Vec::new();
    for (file, bytes) in files("cases") {
        let cases: Vec<Value> = serde_json::from_slice(&bytes).unwrap();
        for case in cases {
            let id = case["id"].as_str().unwrap().to_owned();
            assert!(ids.insert(id.clone()), "{file}: {id} is there twice");
            assert!(
                case["spec"].as_str().is_some_and(|s| s.starts_with("http://hl7.org/fhir/R4/")),
                "{id}: spec"
            );
            let resource = Resource::from_value(case["resource"].clone()).unwrap();
            let issues = match case["profile"].as_str() {
                Some(profile) => validator.check_profile(&resource, profile).unwrap(),
                None => validator.check(&resource),
            };
            let found: Vec<String> = issues.iter().map(line).collect();
            let expected: Vec<&str> =
                case["issues"].as_array().unwrap().iter().map(|i| i.as_str().unwrap()).collect();
            if found != expected {
                failures.push(format!(
                    "{id}\n  expected {expected:#?}\n  found {found:#?}\n  {issues:#?}"
                ));
            }
        }
    }
    println!("{} cases", ids.len());
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// The same resource gives the same issues in the same order.
#[test]
fn order_is_stable() {
    let validator = validator();
    for (_, bytes) in files("cases") {
        let cases: Vec<Value> = serde_json::from_slice(&bytes).unwrap();
        for case in cases {
            let resource = Resource::from_value(case["resource"].clone()).unwrap();
            assert_eq!(validator.check(&resource), validator.check(&resource));
        }
    }
}

/// Whatever stands in the place of whatever: issues, never a panic, and always the same.
#[test]
fn mangled_resources_have_issues_and_nothing_worse() {
    let validator = validator();
    let odd = [
        Value::Null,
        json!(true),
        json!(-1.5e300),
        json!(""),
        json!("#"),
        json!("\u{0}\u{ffff}%s"),
        json!([]),
        json!([null]),
        json!([[{}]]),
        json!({}),
        json!({ "resourceType": "Patient", "contained": [{ "resourceType": "Bundle" }] }),
        json!({ "extension": [{ "url": "u", "valueQuantity": { "value": "x" } }] }),
    ];
    let mut count = 0;
    for (_, bytes) in files("cases") {
        let cases: Vec<Value> = serde_json::from_slice(&bytes).unwrap();
        for case in cases.iter().step_by(3) {
            let resource = &case["resource"];
            let mut pointers = Vec::new();
            collect_pointers(resource, String::new(), &mut pointers);
            for pointer in pointers.iter().skip(1) {
                for odd in &odd {
                    let mut mangled = resource.clone();
                    *mangled.pointer_mut(pointer).unwrap() = odd.clone();
                    let Ok(mangled) = Resource::from_value(mangled) else { continue };
                    let issues = validator.check(&mangled);
                    assert!(issues.iter().all(|issue| issue.expression.is_some()));
                    count += 1;
                }
            }
        }
    }
    println!("{count} mangled resources");
}

fn collect_pointers(value: &Value, at: String, pointers: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                collect_pointers(value, format!("{at}/{name}"), pointers);
            }
        }
        Value::Array(list) => {
            for (index, value) in list.iter().enumerate() {
                collect_pointers(value, format!("{at}/{index}"), pointers);
            }
        }
        _ => {}
    }
    pointers.push(at);
}

/// One validator serves many threads at once.
#[test]
fn threads_share_a_validator() {
    let validator = validator();
    let (_, bytes) = files("cases").into_iter().find(|(name, _)| name == "profile.json").unwrap();
    let cases: Vec<Value> = serde_json::from_slice(&bytes).unwrap();
    let check = || {
        let all = cases.iter().map(|case| Resource::from_value(case["resource"].clone()).unwrap());
        all.map(|resource| validator.check(&resource)).collect::<Vec<_>>()
    };
    let answers: Vec<_> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..4).map(|_| scope.spawn(check)).collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).collect()
    });
    assert!(answers.windows(2).all(|pair| pair[0] == pair[1]));
}

/// What is outside is looked for when a rule asks, and not before.
#[test]
fn nothing_is_looked_for_unasked() {
    let check = |resource: Value, expected: &[&str]| {
        let asked = Arc::new(Mutex::new(Vec::new()));
        let log = Arc::clone(&asked);
        let outside: Arc<Outside> = Arc::new(move |text: &str| {
            log.lock().unwrap().push(text.to_owned());
            None
        });
        let around = Around { outside: Some(outside), now: None };
        let resource = Resource::from_value(resource).unwrap();
        validator().check_around(&resource, around);
        assert_eq!(*asked.lock().unwrap(), expected);
    };
    let observation = json!({
        "resourceType": "Observation", "status": "final", "code": { "text": "Flexion" },
        "subject": { "reference": "Patient/p" }, "encounter": { "reference": "Encounter/e" },
        "performer": [{ "reference": "https://a.example/fhir/Practitioner/x" }],
    });
    check(observation, &[]);
    let response = json!({
        "resourceType": "QuestionnaireResponse", "status": "completed",
        "subject": { "reference": "Patient/p" },
        "questionnaire": "https://a.example/fhir/Questionnaire/q",
    });
    check(response, &["https://a.example/fhir/Questionnaire/q"]);
}
