//! From the standard's definitions to the files under `schemas/`.
//!
//! Pure: the same source gives the same bytes. Nothing descriptive is carried over. To add a kind
//! of file: one function from [`Source`] to (path, text) pairs, and a line in [`compile`].

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

/// The generated files of `schemas/`, by their path under it.
///
/// # Errors
/// [`Fault`], naming the definition that cannot be compiled.
pub fn compile(source: &Source) -> Result<BTreeMap<String, String>, Fault> {
    let parts = [
        schema::datatypes(source)?,
        schema::resources(source)?,
        structure::structures(source),
        terminology::files(source),
        search::model(source),
        search::parameters(source),
        search::compartments(source),
    ];
    Ok(parts.into_iter().flatten().collect())
}

/// JSON with two spaces and a newline at the end.
fn pretty(value: &Value) -> String {
    format!("{value:#}\n")
}

/// One value a line.
fn lines<'a>(values: impl Iterator<Item = &'a Value>) -> String {
    values.flat_map(|value| [value.to_string(), "\n".to_owned()]).collect()
}
