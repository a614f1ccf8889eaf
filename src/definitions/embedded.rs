//! The files of `schemas/` inside the binary.
//!
//! So that one file is the whole server; what a site adds at run time comes from elsewhere.

use include_dir::{Dir, include_dir};

static SCHEMAS: Dir = include_dir!("$CARGO_MANIFEST_DIR/schemas");

/// Every embedded file: its path under `schemas/` and its content.
pub fn files() -> impl Iterator<Item = (&'static str, &'static [u8])> {
    let mut files = Vec::new();
    collect(&SCHEMAS, &mut files);
    files.into_iter()
}

/// The text of the embedded file of that path under `schemas/`.
pub fn text(path: &str) -> Option<&'static str> {
    SCHEMAS.get_file(path)?.contents_utf8()
}

fn collect(dir: &'static Dir<'static>, files: &mut Vec<(&'static str, &'static [u8])>) {
    for file in dir.files() {
        files.extend(file.path().to_str().map(|path| (path, file.contents())));
    }
    dir.dirs().for_each(|dir| collect(dir, files));
}
