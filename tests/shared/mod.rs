//! Where the published facts are that tests check against, and that are not part of the project:
//! definitions, examples and cases of the standard.
//!
//! In the directory of the environment variable `SPONDYL_SHARED`, or in `shared` beside the project.
//! A test that finds nothing there says that it skips.

use std::path::{Path, PathBuf};

/// A file or directory of the published facts; none, with a word, where it is not at hand.
#[allow(clippy::print_stderr, reason = "a test says what it skips")]
pub(crate) fn find(path: &str) -> Option<PathBuf> {
    let beside = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared");
    let root = std::env::var("SPONDYL_SHARED").map_or_else(|_| beside(), PathBuf::from);
    let place = root.join(path);
    if place.exists() {
        return Some(place);
    }
    eprintln!("skipped: {path} is not at hand (set SPONDYL_SHARED)");
    None
}
