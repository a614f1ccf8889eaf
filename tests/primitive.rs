//! The cases of `conformance/validation/{primitive,json,narrative}`: values of each primitive type,
//! texts of JSON, contents of narratives, and what is to be said of each.
//!
//! Each names the rule of the standard that it is about.
//!
//! `primitive`: a resource, the place of a value in it, and values that are accepted, warned of and
//! refused there, the latter with the id of the message (null where any is right).
//! `json`: a text, and for each issue severity, code, expression, message id and line.
//! `narrative`: a div, or what is in it, and for each issue severity, code, rule and message id.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

mod told;

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use spondyl::fhir::{Resource, json};
use told::{issues, validator};

fn files(folder: &str) -> Vec<(String, Value)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance/validation").join(folder);
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    let read = |file: &std::path::PathBuf| {
        let value = json::parse(&fs::read(file).unwrap(), 64).unwrap();
        (file.file_stem().unwrap().to_string_lossy().into_owned(), value)
    };
    files.iter().map(read).collect()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap()
}

fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

fn spec(case: &Value) -> &str {
    let spec = text(&case["spec"]);
    let published = ["http://hl7.org/fhir/R4/", "https://www.rfc-editor.org/rfc/"];
    assert!(published.iter().any(|start| spec.starts_with(start)), "{spec}");
    spec
}

/// What is said of the place, as severity and message id.
fn said(file: &Value, value: &Value) -> Vec<(String, String)> {
    let mut resource = file["resource"].clone();
    *resource.pointer_mut(text(&file["at"])).unwrap() = value.clone();
    // Through text, as it would come.
    let sent = resource.to_string();
    let read = json::parse(sent.as_bytes(), json::MAX_DEPTH).unwrap();
    assert_eq!(read.to_string(), sent, "digits are kept");
    let begun = Instant::now();
    let issues = validator().check(&Resource::from_value(read).unwrap());
    assert!(begun.elapsed() < Duration::from_secs(20), "{value} takes too long");
    let here =
        issues.iter().filter(|issue| issue.expression.as_deref() == file["expression"].as_str());
    here.map(|issue| (issue.severity.as_str().to_owned(), issue.told().id().to_owned())).collect()
}

#[test]
fn primitives() {
    let mut faults = Vec::new();
    let mut count = 0;
    for (name, file) in files("primitive") {
        assert_eq!(name, text(&file["type"]));
        spec(&file);
        for value in list(&file["accepted"]) {
            count += 1;
            let said = said(&file, value);
            if !said.is_empty() {
                faults.push(format!("{name} {value} is accepted, but {said:?}"));
            }
        }
        for (severity, key) in [("warning", "warned"), ("error", "refused")] {
            for case in list(&file[key]) {
                count += 1;
                let said = said(&file, &case[0]);
                let fits = |(had, id): &(String, String)| {
                    had == severity && case[1].as_str().is_none_or(|wanted| id == wanted)
                };
                let graver = severity == "warning" && said.iter().any(|(had, _)| had == "error");
                if !said.iter().any(fits) || graver {
                    faults.push(format!("{name} {case} is {key}, but {said:?}"));
                }
            }
        }
    }
    println!("{count} values");
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Strings end at 1024 x 1024 characters, however many bytes they have
/// (<http://hl7.org/fhir/R4/datatypes.html#string>); base64 does not.
#[test]
fn long_texts() {
    let errors = |element: &str, text: String| {
        let mut resource =
            json!({ "resourceType": "Patient", "extension": [{ "url": "http://a.example" }] });
        resource["extension"][0][element] = text.into();
        let issues = validator().check(&Resource::from_value(resource).unwrap());
        let ids: Vec<_> = issues.iter().filter(|i| i.is_error()).map(|i| i.told().id()).collect();
        ids.join(" ")
    };
    let full = 1024 * 1024;
    assert_eq!(errors("valueString", "\u{e4}".repeat(full)), "");
    assert_eq!(errors("valueString", "a".repeat(full + 1)), "too-long");
    assert_eq!(errors("valueMarkdown", "a".repeat(full + 1)), "too-long");
    assert_eq!(errors("valueBase64Binary", "AAAA".repeat(full)), "");
    assert_eq!(errors("id", "a".repeat(full + 1)), "too-long constraint");
}

#[test]
fn json_texts() {
    let mut faults = Vec::new();
    for (_, file) in files("json") {
        for case in list(&file) {
            spec(case);
            let found: Vec<String> = issues(text(&case["text"]))
                .iter()
                .map(|issue| {
                    let line = issue.position.map(|(line, _)| line.to_string());
                    [
                        issue.severity.as_str(),
                        issue.code.as_str(),
                        issue.expression.as_deref().unwrap_or("-"),
                        issue.told().id(),
                        line.as_deref().unwrap_or("-"),
                    ]
                    .join(" ")
                })
                .collect();
            let expected: Vec<&str> = list(&case["issues"]).iter().map(text).collect();
            if found != expected {
                faults.push(format!("{}: expected {expected:?}, found {found:?}", case["id"]));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn narratives() {
    let mut faults = Vec::new();
    for (_, file) in files("narrative") {
        for case in list(&file) {
            spec(case);
            let div = match case["inner"].as_str() {
                Some(inner) => format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{inner}</div>"),
                None => text(&case["div"]).to_owned(),
            };
            let resource = json!({
                "resourceType": "Patient",
                "contained": [{ "resourceType": "Binary", "id": "pic", "contentType": "image/png" }],
                "text": { "status": "generated", "div": div },
                "name": [{ "id": "n", "family": "x" }],
                "photo": [{ "url": "#pic" }],
            });
            let found: Vec<String> = validator()
                .check(&Resource::from_value(resource).unwrap())
                .iter()
                .map(|issue| {
                    assert_eq!(issue.expression.as_deref(), Some("Patient.text.div"), "{case}");
                    let rule = issue.rule.as_deref().unwrap_or("-");
                    let told = issue.told().id();
                    [issue.severity.as_str(), issue.code.as_str(), rule, told].join(" ")
                })
                .collect();
            let expected: Vec<&str> = list(&case["issues"]).iter().map(text).collect();
            if found != expected {
                faults.push(format!("{}: expected {expected:?}, found {found:?}", case["id"]));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Nesting, width and odd numbers are answered in time.
#[test]
fn extreme_texts_are_answered() {
    let begun = Instant::now();
    let nested = |open: &str, close: &str, depth: usize| {
        format!(
            "{{\"resourceType\":\"Patient\",\"a\":{}1{}}}",
            open.repeat(depth),
            close.repeat(depth)
        )
    };
    for text in [
        nested("[", "]", 100_000),
        nested("{\"a\":", "}", 100_000),
        nested("[", "]", 60),
        nested("{\"a\":", "}", 60),
        nested("{\"extension\":[{\"url\":\"u\",\"a\":", "}]}", 20),
        format!("{{\"resourceType\":\"Patient\",\"name\":[{}{{}}]}}", "{},".repeat(20_000)),
        format!(
            "{{\"resourceType\":\"Patient\",\"multipleBirthInteger\":{}}}",
            "9".repeat(200_000)
        ),
        format!(
            "{{\"resourceType\":\"Patient\",\"multipleBirthInteger\":1e{}}}",
            "9".repeat(10_000)
        ),
        format!(
            "{{\"resourceType\":\"Patient\",\"text\":{{\"status\":\"generated\",\"div\":\"{}\"}}}}",
            "<div>".repeat(100_000)
        ),
        format!(
            "{{\"resourceType\":\"Patient\",\"text\":{{\"status\":\"generated\",\"div\":\"{}\"}}}}",
            "&".repeat(1_000_000)
        ),
    ] {
        assert!(!issues(&text).is_empty());
    }
    assert!(begun.elapsed() < Duration::from_mins(1), "{:?}", begun.elapsed());
}
