//! The cases under `conformance/validation/cases`: an instance, and every issue that is to be found.
//!
//! Each case names what of the standard it is about. The instances are our own; the profiles that
//! they claim are under `conformance/validation/definitions`, beside the server's own definitions.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use spondyl::definitions::{Definitions, embedded};
use spondyl::fhir::{Issue, Resource};
use spondyl::validation::Validator;

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
