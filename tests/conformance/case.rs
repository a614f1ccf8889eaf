//! The form of the cases, and where they are.
//!
//! What is written in a form that nobody reads is refused: a misspelt expectation would hold always.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use crate::root;

/// What there is, by kind.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Manifest {
    /// The files with chapters, by page.
    pub(crate) pages: BTreeMap<String, Vec<String>>,
    /// Files and directories that other tests run, with the test.
    pub(crate) suites: BTreeMap<String, String>,
    /// The map from the rows of the list of requirements to what shows them.
    pub(crate) requirements: String,
}

/// A file: some chapters of one page.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Page {
    pub(crate) chapters: Vec<Chapter>,
}

/// A chapter with its rules.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Chapter {
    /// The number that the page prints.
    #[serde(rename = "chapter")]
    pub(crate) number: String,
    pub(crate) title: String,
    pub(crate) source: String,
    /// Resources that are there before each rule is shown.
    #[serde(default)]
    pub(crate) given: Vec<Value>,
    pub(crate) rules: Vec<Rule>,
}

/// A rule and what shows it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Rule {
    pub(crate) id: String,
    pub(crate) strength: Strength,
    /// In a few words of our own.
    #[serde(rename = "rule")]
    pub(crate) text: String,
    /// Settings of the server that differ from the default.
    #[serde(default)]
    pub(crate) config: Map<String, Value>,
    /// Resources beside those of the chapter.
    #[serde(default)]
    pub(crate) given: Vec<Value>,
    #[serde(default)]
    pub(crate) steps: Vec<Step>,
    /// `path::name` of tests, or `path::get` of a search case.
    #[serde(default)]
    pub(crate) shown_by: Vec<String>,
    pub(crate) left_out: Option<String>,
}

/// How much the page insists.
#[derive(Deserialize, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Strength {
    Shall,
    Should,
    May,
}

/// An exchange. `{name}` stands for what an earlier step kept, `{base}` for the server's base.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Step {
    /// Verb and path below the base, or a whole URL.
    pub(crate) send: String,
    #[serde(default)]
    pub(crate) headers: BTreeMap<String, String>,
    /// A resource, sent as FHIR JSON, or any text.
    pub(crate) body: Option<Value>,
    pub(crate) status: u16,
    /// Headers of the answer: `null` is none, `*` any, `~x` one with x in it.
    #[serde(default)]
    pub(crate) has: BTreeMap<String, Option<String>>,
    /// FHIRPath about the body, each true.
    #[serde(default)]
    pub(crate) holds: Vec<String>,
    /// What stands in the body.
    #[serde(default)]
    pub(crate) text: Vec<String>,
    /// Whether there is no body.
    #[serde(default)]
    pub(crate) empty: bool,
    /// Names for what later steps need: `header X`, or FHIRPath.
    #[serde(default)]
    pub(crate) keep: BTreeMap<String, String>,
    /// For people.
    #[serde(rename = "why")]
    _why: Option<String>,
}

/// What stands in a file.
pub(crate) fn read<T: DeserializeOwned>(path: &Path) -> T {
    let text = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_slice(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// What there is.
pub(crate) fn manifest() -> Manifest {
    read(&root().join("manifest.json"))
}

/// The chapters of all pages, in the order of the manifest, each with its page.
pub(crate) fn chapters() -> Vec<(String, Chapter)> {
    let mut found = Vec::new();
    for (page, files) in manifest().pages {
        for file in files {
            let chapters = read::<Page>(&root().join(file)).chapters;
            found.extend(chapters.into_iter().map(|chapter| (page.clone(), chapter)));
        }
    }
    found
}

/// Whether a test of that name is there, a search case, or a script that runs them.
pub(crate) fn is_there(shown_by: &str) -> bool {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let Some((path, name)) = shown_by.split_once("::") else {
        return project.join(shown_by).is_file();
    };
    let path = project.join(path);
    let Ok(text) = std::fs::read_to_string(&path) else { return false };
    if path.extension().is_some_and(|extension| extension == "rs") {
        let declared = [format!("fn {name}() {{"), format!("async fn {name}() {{")];
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        let at = lines.iter().position(|line| declared.iter().any(|start| line == start));
        let is_test = |at: usize| {
            let before = lines[..at].iter().rev().take_while(|line| line.starts_with("#["));
            before.clone().any(|line| line.ends_with("test]"))
        };
        return at.is_some_and(is_test);
    }
    let value: Value = serde_json::from_str(&text).unwrap_or_default();
    let cases = value["cases"].as_array().map(Vec::as_slice).unwrap_or_default();
    cases.iter().any(|case| case["get"] == name)
}

/// Every case is of a form that means something, and is run.
#[test]
fn cases_are_well_formed() {
    let mut ids = BTreeSet::new();
    for (page, chapter) in chapters() {
        let place = format!("{page} {}", chapter.number);
        let source = format!("http://hl7.org/fhir/R4/{page}.html#");
        assert!(chapter.source.starts_with(&source), "{place}: {}", chapter.source);
        assert!(!chapter.title.is_empty() && !chapter.rules.is_empty(), "{place}");
        for rule in chapter.rules {
            let id = &rule.id;
            assert!(id.starts_with(&format!("{page}-")), "{place}: {id}");
            assert!(ids.insert(id.clone()), "{id} twice");
            assert!(rule.text.split(' ').count() <= 40, "{id}: few words");
            let shown = !rule.steps.is_empty() || !rule.shown_by.is_empty();
            let left_out = rule.left_out.as_ref().is_some_and(|reason| reason.len() > 10);
            assert!(shown != left_out, "{id}: shown, or left out for a reason");
            for test in &rule.shown_by {
                assert!(is_there(test), "{id}: no {test}");
            }
        }
    }
}

/// No file lies there that nobody runs.
#[test]
fn every_file_is_in_the_manifest() {
    let manifest = manifest();
    let named: BTreeSet<String> = manifest.pages.values().flatten().cloned().collect();
    for (suite, test) in &manifest.suites {
        assert!(root().join(suite).exists(), "no {suite}");
        assert!(is_there(test), "{suite}: no {test}");
    }
    let mut places = vec![root()];
    while let Some(place) = places.pop() {
        for entry in std::fs::read_dir(&place).unwrap() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(root()).unwrap().to_string_lossy().replace('\\', "/");
            if manifest.suites.contains_key(&name) || named.contains(&name) {
                continue;
            }
            if path.is_dir() {
                places.push(path);
                continue;
            }
            let own = ["manifest.json", &manifest.requirements];
            let is_known = own.contains(&name.as_str()) || name.ends_with("README.md");
            assert!(is_known, "{name} is not in the manifest");
        }
    }
}
