//! Views of SQL on FHIR against cases: our own under `conformance/view/`, and the published ones where
//! they are at hand.
//!
//! A file has resources, and tests with a view and what it gives on them: rows in any order, columns
//! in their order, or an error. That is the form of the published cases
//! (<https://github.com/FHIR/sql-on-fhir-v2>, folder `tests`, MIT), which are no part of the project:
//! `SPONDYL_VIEW_SUITE` names a folder with them. Where we differ is listed with the reason in
//! `conformance/view/known-published.json`.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde_json::{Map, Value};
use spondyl::fhir::json::At as _;
use spondyl::view_definition::ViewDefinition;
use spondyl::view_definition::shipped::Shipped;
use spondyl::view_definition::table::{Format, Table};

/// What a view gives: its rows, or the places of what is wrong with it.
fn table(view: &Value, resources: &[Value]) -> Result<(Vec<String>, Vec<Value>), Vec<String>> {
    let view = ViewDefinition::read(view)
        .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>())?;
    let names: Vec<String> = view.columns().iter().map(|column| column.name.clone()).collect();
    let mut rows = Vec::new();
    for resource in resources {
        for row in view.rows(resource).map_err(|fault| vec![fault.to_string()])? {
            rows.push(Value::Object(names.iter().cloned().zip(row).collect::<Map<_, _>>()));
        }
    }
    Ok((names, rows))
}

/// A value with numbers by what they are worth, so that `1.50` of a case is `1.5`.
fn plain(value: &Value) -> Value {
    match value {
        Value::Number(number) => {
            let decimal: rust_decimal::Decimal = number.as_str().parse().unwrap();
            Value::String(format!("number {}", decimal.normalize()))
        }
        Value::Array(list) => list.iter().map(plain).collect(),
        Value::Object(object) => {
            let sorted: BTreeMap<&String, Value> =
                object.iter().map(|(name, value)| (name, plain(value))).collect();
            sorted
                .into_iter()
                .map(|(name, value)| (name.clone(), value))
                .collect::<Map<_, _>>()
                .into()
        }
        other => other.clone(),
    }
}

fn sorted(rows: &[Value]) -> Vec<String> {
    let mut texts: Vec<String> = rows.iter().map(|row| plain(row).to_string()).collect();
    texts.sort();
    texts
}

/// Why the case does not hold, if so.
fn failure(case: &Value, resources: &[Value]) -> Option<String> {
    let found = table(case.at("view"), resources);
    if let Some(error) = case.get("expectError").filter(|error| **error != false) {
        return match (found, error.as_str()) {
            (Ok((_, rows)), _) => Some(format!("an error is expected, there are {rows:?}")),
            // Of our own cases the place is part of what is expected.
            (Err(told), Some(place)) if !told.iter().any(|fault| fault.starts_with(place)) => {
                Some(format!("{place} is expected, {told:?} is told"))
            }
            _ => None,
        };
    }
    let (names, rows) = match found {
        Ok(found) => found,
        Err(told) => return Some(format!("{told:?}")),
    };
    if let Some(columns) = case.get("expectColumns") {
        let expected: Vec<&str> = columns.as_array()?.iter().filter_map(Value::as_str).collect();
        if names != expected {
            return Some(format!("the columns {expected:?} are expected, there are {names:?}"));
        }
    }
    let expected = sorted(case.at("expect").as_array()?);
    let found = sorted(&rows);
    (expected != found).then(|| format!("{expected:#?} is expected, {found:#?} is found"))
}

/// The files of cases in a folder, with their content.
fn files(folder: &Path) -> Vec<(PathBuf, Value)> {
    let paths = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut paths: Vec<PathBuf> =
        paths.filter(|path| path.extension().is_some_and(|kind| kind == "json")).collect();
    paths.sort();
    let read = |path: PathBuf| {
        let value: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
        (path, value)
    };
    paths.into_iter().map(read).filter(|(_, value)| value.get("tests").is_some()).collect()
}

/// Every case of a folder: how many there are, and `file/title` and reason of those that fail.
fn run(folder: &Path) -> (usize, BTreeMap<String, String>) {
    let (mut count, mut failures) = (0, BTreeMap::new());
    for (path, file) in files(folder) {
        let resources = file["resources"].as_array().unwrap();
        for case in file["tests"].as_array().unwrap() {
            count += 1;
            if let Some(reason) = failure(case, resources) {
                let stem = path.file_stem().unwrap().to_string_lossy();
                let title = case["title"].as_str().unwrap();
                failures.insert(format!("{stem}/{title}"), reason);
            }
        }
    }
    (count, failures)
}

#[test]
fn own_cases() {
    let (count, failures) = run(Path::new("conformance/view"));
    assert!(count > 40, "{count}");
    assert!(failures.is_empty(), "{failures:#?}");
}

#[test]
fn published_cases() {
    let Ok(folder) = std::env::var("SPONDYL_VIEW_SUITE") else {
        println!("skipped: SPONDYL_VIEW_SUITE names no folder");
        return;
    };
    let known = std::fs::read("conformance/view/known-published.json").unwrap();
    let known: Value = serde_json::from_slice(&known).unwrap();
    let known: BTreeSet<&str> = known["differences"]
        .as_array()
        .unwrap()
        .iter()
        .map(|difference| difference["case"].as_str().unwrap())
        .collect();
    let (count, failures) = run(Path::new(&folder));
    println!("{count} cases, {} known differences", failures.len());
    assert!(count > 100, "{count}");
    let differ: BTreeSet<&str> = failures.keys().map(String::as_str).collect();
    let unknown: Vec<_> =
        failures.iter().filter(|(case, _)| !known.contains(case.as_str())).collect();
    assert!(unknown.is_empty(), "{unknown:#?}");
    assert_eq!(differ, known, "a listed difference is none");
}

/// The resources of the demo clinic.
fn clinic() -> Vec<Value> {
    let bundles = spondyl::demo::bundles().into_iter();
    let bundles = bundles.map(|(_, bytes)| serde_json::from_slice::<Value>(bytes).unwrap());
    bundles
        .flat_map(|bundle| bundle["entry"].as_array().unwrap().clone())
        .map(|entry| entry["resource"].clone())
        .collect()
}

/// The table of a view over the demo clinic, in the order of ids, as a server has it.
fn csv(view: &Shipped, clinic: &[Value]) -> String {
    let view = view.view().unwrap();
    let mut bytes = Vec::new();
    let mut table = Table::new(&view, Format::Csv { header: true }, &mut bytes).unwrap();
    for resource in clinic {
        for row in view.rows(resource).unwrap() {
            table.row(row).unwrap();
        }
    }
    table.finish().unwrap();
    String::from_utf8(bytes).unwrap()
}

/// Every row of the views that the program brings, over the demo clinic. The tables were computed by
/// `tests/peer/views.py` too, which reads the resources by itself. `BLESS=1` writes them.
#[test]
fn views_of_the_demo_clinic() {
    let mut clinic = clinic();
    clinic.sort_by_key(|resource| resource["id"].as_str().unwrap().to_owned());
    let folder = Path::new("conformance/view/demo");
    let all = Shipped::all();
    assert_eq!(all.len(), 6);
    for view in &all {
        let path = folder.join(format!("{}.csv", view.id));
        let found = csv(view, &clinic);
        if std::env::var_os("BLESS").is_some() {
            std::fs::create_dir_all(folder).unwrap();
            std::fs::write(&path, &found).unwrap();
        }
        let expected = std::fs::read_to_string(&path).unwrap();
        assert!(expected == found, "{} differs:\n{found}", path.display());
    }
    // Rows by the number of resources that the files hold.
    let count = |kind: &str, holds: &dyn Fn(&Value) -> bool| {
        clinic.iter().filter(|value| value["resourceType"] == kind && holds(value)).count()
    };
    let lines =
        |id: &str| csv(all.iter().find(|view| view.id == id).unwrap(), &clinic).lines().count() - 1;
    let finding = |value: &Value| value["code"]["coding"][0]["code"] == "segmental-mobility";
    assert_eq!(lines("segments"), count("Observation", &finding));
    assert_eq!(lines("episodes"), count("EpisodeOfCare", &|_| true));
    assert_eq!(lines("visits"), count("Encounter", &|_| true));
    let sites = |value: &Value| value["bodySite"].as_array().map_or(0, Vec::len);
    let procedures = clinic.iter().filter(|value| value["resourceType"] == "Procedure");
    assert_eq!(lines("treatments"), procedures.map(sites).sum::<usize>());
}
