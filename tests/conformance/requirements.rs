//! The rows of the project's list of requirements for the API, and what shows each.
//!
//! The list itself is not part of the project; its ids are. A row is `shown_by` rules of
//! `conformance/` (their ids) or tests, or `left_out` for a reason. Rows that a server must or should
//! meet are left out only where `open` names them, so that none goes by unseen.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use serde::Deserialize;

use crate::case::{chapters, is_there, manifest, read};
use crate::root;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Requirements {
    /// Rows of `must` and `should` that do not hold yet, each with what is missing.
    open: BTreeMap<String, String>,
    rows: Vec<Row>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    id: String,
    priority: Priority,
    #[serde(default)]
    shown_by: Vec<String>,
    left_out: Option<String>,
}

#[derive(Deserialize, Clone, Copy, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
enum Priority {
    Must,
    Should,
    Could,
}

fn requirements() -> Requirements {
    read(&root().join(manifest().requirements))
}

#[test]
fn every_row_is_shown_or_open() {
    let rules: BTreeMap<String, bool> = chapters()
        .into_iter()
        .flat_map(|(_, chapter)| chapter.rules)
        .map(|rule| (rule.id, rule.left_out.is_none()))
        .collect();
    let Requirements { open, rows } = requirements();
    let (mut seen, mut faults) = (BTreeSet::new(), Vec::new());
    for row in &rows {
        let id = &row.id;
        if !seen.insert(id.as_str()) {
            faults.push(format!("{id} twice"));
        }
        for shown in &row.shown_by {
            if rules.get(shown) != Some(&true) && !is_there(shown) {
                faults.push(format!("{id}: {shown} shows nothing"));
            }
        }
        let left_out = row.left_out.is_some();
        let is_open = open.contains_key(id);
        let good = match (row.shown_by.is_empty(), row.priority) {
            (false, _) => !left_out && !is_open,
            (true, Priority::Could) => left_out && !is_open,
            (true, _) => !left_out && is_open,
        };
        if !good {
            faults.push(format!("{id}: shown, or left out (could), or open (must, should)"));
        }
    }
    faults.extend(open.keys().filter(|id| !seen.contains(id.as_str())).cloned());
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// The list has these rows: sections 1 to 4, and the contradictions of section 9.
#[test]
fn no_row_is_missing() {
    let held: BTreeSet<String> = requirements().rows.into_iter().map(|row| row.id).collect();
    let expected = [("R", 61), ("S", 58), ("O", 46), ("C", 18), ("N", 21)];
    let expected: BTreeSet<String> = expected
        .iter()
        .flat_map(|(letter, last)| (1..=*last).map(move |number| format!("{letter}-{number:02}")))
        .collect();
    assert_eq!(held, expected);
}

/// A sentence on how many rows hold.
pub(crate) fn line() -> String {
    let Requirements { open, rows } = requirements();
    let of = |priority: Priority| rows.iter().filter(move |row| row.priority == priority);
    let shown = |priority| of(priority).filter(|row| !row.shown_by.is_empty()).count();
    let all = |priority| of(priority).count();
    format!(
        "Of the {} rows of our list of requirements for the API, {} of {} that a server must meet \
         are shown, {} of {} that it should, {} of {} that it could. The chapters, what is left \
         out, and what is open: [conformance](conformance/README.md) ({} open).\n",
        rows.len(),
        shown(Priority::Must),
        all(Priority::Must),
        shown(Priority::Should),
        all(Priority::Should),
        shown(Priority::Could),
        all(Priority::Could),
        open.len(),
    )
}

/// The rows that do not hold.
pub(crate) fn open() -> String {
    let Requirements { open, rows } = requirements();
    let mut text = "Rows of the list of requirements that are open:\n\n".to_owned();
    for (id, missing) in open {
        writeln!(text, "- {id}: {missing}").unwrap();
    }
    text.push_str("\nRows that a server could meet and this one does not:\n\n");
    for row in rows {
        if let Some(reason) = row.left_out {
            writeln!(text, "- {}: {reason}", row.id).unwrap();
        }
    }
    text
}
