//! Where tests find the standard's definitions, and how they compare compiled files.

use std::path::PathBuf;

use serde_json::Value;

/// The rows of one file of the standard; none, with a word on stderr, where it is not at hand.
pub fn rows(name: &str) -> Option<Vec<Value>> {
    let text = read(&format!("standard/r4/{name}.ndjson"))?;
    Some(text.lines().map(|line| serde_json::from_str(line).unwrap()).collect())
}

/// A file of the shared facts; none, with a word on stderr, where it is not at hand.
pub fn read(path: &str) -> Option<String> {
    let root = std::env::var("SPONDYL_SHARED")
        .map_or_else(|_| repository().join("../shared"), PathBuf::from);
    let text = std::fs::read_to_string(root.join(path)).ok();
    if text.is_none() {
        eprintln!("skipped: {path} is not at hand (set SPONDYL_SHARED)");
    }
    text
}

/// Holds a file of the repository to the text; writes it instead when BLESS is set.
pub fn same_as_file(path: &str, text: &str) {
    let path = repository().join(path);
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let stored = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(stored == text, "{} differs from its source: run with BLESS=1", path.display());
}

fn repository() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}
