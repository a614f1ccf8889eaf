//! What the fuzzer starts from: the demo clinic, the conformance cases, and what once broke something.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

/// The seeds, and the parts that they are made of.
pub(crate) struct Corpus {
    /// Each a resource.
    pub(crate) trees: Vec<Value>,
    /// Inputs kept as they were, whether JSON or not.
    pub(crate) kept: Vec<Vec<u8>>,
    /// Names of members.
    pub(crate) names: Vec<String>,
    /// Values of every kind and size.
    pub(crate) parts: Vec<Value>,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn files(folder: &str) -> Vec<PathBuf> {
    let entries = fs::read_dir(root().join(folder)).unwrap();
    let mut paths: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.retain(|path| path.extension().is_some_and(|extension| extension == "json"));
    paths.sort();
    paths
}

impl Corpus {
    pub(crate) fn read() -> Self {
        let mut trees = Vec::new();
        for folder in
            ["src/demo/clinic", "conformance/validation/cases", "conformance/validation/rule"]
        {
            for path in files(folder) {
                resources(&serde_json::from_slice(&fs::read(path).unwrap()).unwrap(), &mut trees);
            }
        }
        let kept = files("conformance/validation/corpus");
        let kept: Vec<_> = kept.into_iter().map(|path| fs::read(path).unwrap()).collect();
        let (mut names, mut parts) = (BTreeSet::new(), Vec::new());
        trees.iter().for_each(|tree| take(tree, &mut names, &mut parts));
        assert!(trees.len() > 300, "only {} seeds", trees.len());
        Self { trees, kept, names: names.into_iter().collect(), parts }
    }
}

/// The resources anywhere in a file, Bundles both whole and in pieces.
fn resources(value: &Value, found: &mut Vec<Value>) {
    if value["resourceType"].is_string() && value.to_string().len() < 16_384 {
        found.push(value.clone());
    }
    match value {
        Value::Object(object) => object.values().for_each(|value| resources(value, found)),
        Value::Array(list) => list.iter().for_each(|value| resources(value, found)),
        _ => {}
    }
}

fn take(value: &Value, names: &mut BTreeSet<String>, parts: &mut Vec<Value>) {
    if value.to_string().len() < 2_048 {
        parts.push(value.clone());
    }
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                names.insert(name.clone());
                take(value, names, parts);
            }
        }
        Value::Array(list) => list.iter().for_each(|value| take(value, names, parts)),
        _ => {}
    }
}
