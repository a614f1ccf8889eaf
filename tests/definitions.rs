//! The generated files under `schemas/` are what the standard's definitions compile to.
//!
//! `BLESS=1` writes them. Without the definitions the comparison is skipped, and says so.

#![allow(clippy::print_stdout, reason = "a test says what it skips, and fails where it stands")]

mod shared;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use spondyl::command::definitions::read_source;
use spondyl::definitions::compile::compile;

/// Files beside the generated ones, for what R4 binds to and its package of definitions lacks: the
/// value sets of v3 (<http://hl7.org/fhir/R4/terminologies-v3.html>) and the currencies
/// (<https://www.iso.org/iso-4217-currency-codes.html>, codes from memory, compared once with a
/// public list; withdrawn ones are retired).
const AUTHORED: [&str; 2] = ["value-set/v3.ndjson", "code-system/iso.ndjson"];

#[test]
fn schemas_are_what_the_definitions_compile_to() {
    let Some(dir) = shared::find("standard/r4") else { return };
    let files = compile(&read_source(&dir).unwrap()).unwrap();
    let again = compile(&read_source(&dir).unwrap()).unwrap();
    assert!(files == again, "compiling twice gives other bytes");
    let schemas = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas");
    let bless = std::env::var("BLESS").is_ok();
    let mut stale = Vec::new();
    for (path, text) in &files {
        let target = schemas.join(path);
        if fs::read_to_string(&target).is_ok_and(|held| held == *text) {
            continue;
        }
        if bless {
            fs::create_dir_all(target.parent().unwrap()).unwrap();
            fs::write(&target, text).unwrap();
        } else {
            stale.push(path);
        }
    }
    assert!(stale.is_empty(), "run with BLESS=1 to write them: {stale:?}");
    let folders: BTreeSet<&str> =
        files.keys().filter_map(|path| Some(path.split_once('/')?.0)).collect();
    for folder in folders {
        for entry in fs::read_dir(schemas.join(folder)).unwrap() {
            let name = format!("{folder}/{}", entry.unwrap().file_name().to_string_lossy());
            let is_known = files.contains_key(&name) || AUTHORED.contains(&name.as_str());
            assert!(is_known, "schemas/{name} is not made from any definition");
        }
    }
}

/// R4 has 146 concrete resource types and 61 data types (<http://hl7.org/fhir/R4/resourcelist.html>,
/// <http://hl7.org/fhir/R4/datatypes.html>).
#[test]
fn every_type_has_a_schema() {
    let schemas = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas");
    let count = |folder: &str| fs::read_dir(schemas.join(folder)).unwrap().count();
    assert_eq!(count("resource"), 146);
    assert_eq!(count("datatype"), 61);
}

/// No descriptive sentence of the standard is carried. (`model.json` is left out: there these words
/// are names of elements.)
#[test]
fn nothing_descriptive_is_carried() {
    let Some(dir) = shared::find("standard/r4") else { return };
    for (path, text) in compile(&read_source(&dir).unwrap()).unwrap() {
        let named = ["resource/", "datatype/", "model.json"];
        if named.iter().any(|start| path.starts_with(start)) {
            continue;
        }
        for word in ["description", "purpose", "comment", "short", "requirements"] {
            assert!(!text.contains(&format!("\"{word}\":")), "{path} has {word}");
        }
        let definitions = text.split("\"definition\":\"").skip(1);
        let canonical = |rest: &str| rest.split('"').next().is_some_and(|text| !text.contains(' '));
        assert!(definitions.into_iter().all(canonical), "{path} has a definition in words");
    }
}
