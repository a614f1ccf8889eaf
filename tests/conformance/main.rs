//! The rules of the standard's pages, chapter by chapter, run against a server: `conformance/`.
//!
//! `manifest.json` names the files. A file has the chapters of a page, a chapter its rules, a rule
//! the exchanges that show it (`steps`), the tests beside that do (`shown_by`), or why it does not
//! hold here (`left_out`). What came of it goes to `target/conformance.json` as the standard's own
//! `TestReport`; the tables of coverage are made from that (`BLESS=1` writes them anew).
//! Source: <http://hl7.org/fhir/R4/testreport.html>.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::needless_pass_by_value,
    clippy::print_stdout,
    clippy::wrong_self_convention,
    clippy::panic,
    reason = "a test that cannot go on fails"
)]

#[path = "../http/client.rs"]
#[allow(dead_code, reason = "not all of it is used here")]
mod client;

mod case;
mod report;
mod requirements;
mod run;

use std::path::{Path, PathBuf};

/// The directory of the cases.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("conformance")
}
