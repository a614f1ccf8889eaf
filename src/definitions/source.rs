//! Where tests find published examples and cases, which are not part of the project.

use std::path::PathBuf;

/// A file of the shared facts; none, with a word on stderr, where it is not at hand.
pub(crate) fn read(path: &str) -> Option<String> {
    let root = std::env::var("SPONDYL_SHARED")
        .map_or_else(|_| repository().join("../shared"), PathBuf::from);
    let text = std::fs::read_to_string(root.join(path)).ok();
    if text.is_none() {
        eprintln!("skipped: {path} is not at hand (set SPONDYL_SHARED)");
    }
    text
}

fn repository() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}
