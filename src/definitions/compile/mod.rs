//! From the standard's definitions to the files under `schemas/`.
//!
//! Pure: the same source gives the same bytes. Nothing descriptive is carried over. To add a kind
//! of file: one function from [`Source`] to (path, text) pairs, and a line in [`PARTS`].

use std::collections::BTreeMap;

use serde_json::Value;

pub mod source;
mod primitive;
mod schema;
mod search;
mod structure;
mod terminology;

pub use source::Source;

use crate::definitions::Fault;

/// Pairs of a path under `schemas/` and the file's text.
pub(super) type Files = Vec<(String, String)>;

/// Makes the files of one kind.
type Part = fn(&Source) -> Result<Files, Fault>;

/// Every kind of file that is made.
const PARTS: &[Part] = &[
    schema::datatypes,
    schema::resources,
    structure::structures,
    terminology::files,
    search::model,
    search::parameters,
    search::compartments,
];

/// The generated files of `schemas/`, by their path under it.
///
/// # Errors
/// [`Fault`], naming the definition that cannot be compiled.
pub fn compile(source: &Source) -> Result<BTreeMap<String, String>, Fault> {
    let mut files = BTreeMap::new();
    for part in PARTS {
        files.extend(part(source)?);
    }
    Ok(files)
}

/// JSON with two spaces and a newline at the end.
fn pretty(value: &Value) -> String {
    format!("{value:#}\n")
}

/// One value a line.
fn lines<'a>(values: impl Iterator<Item = &'a Value>) -> String {
    values.map(|value| format!("{value}\n")).collect()
}
