//! What came of the rules: a `TestReport`, and the tables made from it.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use actix_web::rt::System;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use serde_json::{Value, json};

use crate::case::{Rule, chapters, read};
use crate::client::Server;
use crate::requirements;
use crate::run;

/// Runs every rule, and compares the tables of coverage with what came of it.
#[test]
fn every_rule_holds_or_is_left_out() {
    let chapters = chapters();
    let found: Vec<_> = chapters
        .par_iter()
        .map(|(_, chapter)| System::new().block_on(run::faults(chapter)))
        .collect();
    let (mut tests, mut faults) = (Vec::new(), Vec::new());
    for ((page, chapter), found) in chapters.iter().zip(found) {
        for (rule, fault) in chapter.rules.iter().zip(found) {
            let place = format!("{page}.html {} {}", chapter.number, chapter.title);
            tests.push(test(&place, rule, fault.as_deref()));
            faults.extend(fault.map(|fault| format!("{}: {fault}", rule.id)));
        }
    }
    assert!(faults.is_empty(), "{} of {}\n{}", faults.len(), tests.len(), faults.join("\n"));
    let report = json!({
        "resourceType": "TestReport", "name": "conformance", "status": "completed",
        "testScript": { "display": "conformance/manifest.json" }, "result": "pass", "test": tests,
    });
    let target = option_env!("CARGO_TARGET_TMPDIR").map_or("target", |place| place);
    let file = Path::new(target).parent().unwrap_or(Path::new("target")).join("conformance.json");
    std::fs::write(&file, serde_json::to_string_pretty(&report).unwrap()).unwrap();
    let validated = async { Server::start().post("/TestReport/$validate", &report).await.json() };
    let valid = System::new().block_on(validated);
    let issues = valid["issue"].as_array().unwrap().iter();
    let errors: Vec<_> = issues.filter(|issue| issue["severity"] == "error").collect();
    assert!(errors.is_empty(), "{errors:?}");
    tables(&read(&file));
}

/// A rule in the report: `pass`, `fail`, or `skip` where it is left out.
fn test(place: &str, rule: &Rule, fault: Option<&str>) -> Value {
    let shown = if rule.steps.is_empty() { rule.shown_by.join(", ") } else { String::new() };
    let (result, message) = match (&rule.left_out, fault) {
        (Some(reason), _) => ("skip", reason.clone()),
        (None, Some(fault)) => ("fail", fault.to_owned()),
        (None, None) if shown.is_empty() => ("pass", "Shown by exchanges.".to_owned()),
        (None, None) => ("pass", format!("Shown by {shown}.")),
    };
    json!({
        "id": rule.id, "name": place,
        "description": format!("{:?}: {}", rule.strength, rule.text),
        "action": [{ "assert": { "result": result, "message": message } }],
    })
}

/// How many rules there are, shown by exchanges, shown by other tests, and left out.
#[derive(Default, Clone)]
struct Count {
    place: String,
    source: String,
    counts: [usize; 4],
}

fn count(report: &Value, name: impl Fn(&str) -> String) -> Vec<Count> {
    let mut rows: Vec<Count> = Vec::new();
    for test in report["test"].as_array().unwrap() {
        let place = name(test["name"].as_str().unwrap());
        if rows.last().is_none_or(|row| row.place != place) {
            let page = place.split(' ').next().unwrap_or_default();
            let source = format!("http://hl7.org/fhir/R4/{page}");
            rows.push(Count { place, source, ..Count::default() });
        }
        let told = &test["action"][0]["assert"];
        let kind = match (told["result"].as_str(), told["message"].as_str()) {
            (Some("skip"), _) => 3,
            (_, Some("Shown by exchanges.")) => 1,
            _ => 2,
        };
        if let Some(row) = rows.last_mut() {
            row.counts[0] += 1;
            row.counts[kind] += 1;
        }
    }
    rows
}

const HEAD: &str = "| page | rules | shown by exchanges | by other tests | left out |\n\
                    |---|---|---|---|---|\n";

fn table(rows: &[Count], with_links: bool) -> String {
    let mut text = HEAD.to_owned();
    for Count { place, source, counts: [all, steps, tests, left] } in rows {
        let place = if with_links { format!("[{place}]({source})") } else { place.clone() };
        writeln!(text, "| {place} | {all} | {steps} | {tests} | {left} |").unwrap();
    }
    text
}

/// Compares the tables with those that the report gives; `BLESS=1` writes them.
fn tables(report: &Value) {
    let pages = count(report, |name| name.split(' ').next().unwrap_or_default().to_owned());
    let mut text = table(&pages, true);
    text.push('\n');
    text.push_str(&requirements::line());
    in_file("README.md", &text);
    let mut chapters = table(&count(report, str::to_owned), false);
    chapters.push_str("\nLeft out:\n\n");
    for test in report["test"].as_array().unwrap() {
        let told = &test["action"][0]["assert"];
        if told["result"] == "skip" {
            let (id, name) = (test["id"].as_str().unwrap(), test["name"].as_str().unwrap());
            let told = told["message"].as_str().unwrap();
            let rule = test["description"].as_str().unwrap();
            writeln!(chapters, "- `{id}` ({name}). {rule} {told}").unwrap();
        }
    }
    chapters.push('\n');
    chapters.push_str(&requirements::open());
    in_file("conformance/README.md", &chapters);
}

/// The text between the two marks of a file.
fn in_file(name: &str, text: &str) {
    const MARKS: [&str; 2] = ["<!-- coverage -->\n", "<!-- end of coverage -->"];
    let path: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
    let held = std::fs::read_to_string(&path).unwrap();
    let (head, rest) = held.split_once(MARKS[0]).unwrap_or_else(|| panic!("{name} has no mark"));
    let (table, tail) = rest.split_once(MARKS[1]).unwrap_or_else(|| panic!("{name} has no end"));
    if table == text {
        return;
    }
    assert!(std::env::var("BLESS").is_ok(), "the coverage in {name} is another: BLESS=1\n{text}");
    std::fs::write(&path, format!("{head}{}{text}{}{tail}", MARKS[0], MARKS[1])).unwrap();
}
