//! The facts of episodes, which audits count, against the records that they are computed from.

use super::super::Failure;
use super::Looked;
use crate::app::App;
use crate::operation::facts::{Checked, check};

/// Computes all of them anew and compares.
pub(super) fn look(app: &App) -> Result<Looked, Failure> {
    let checked = check(app, &|_, _| ());
    let well = |line: &str| Looked { line: line.to_owned(), faults: Vec::new() };
    Ok(match checked.map_err(|error| Failure::new("the facts of episodes", error))? {
        Checked::Nothing => well("facts of episodes: none are kept"),
        Checked::OtherEdition => well(
            "facts of episodes: kept by another program or other thresholds; they are computed \
             anew when a server starts, or by spondyl rebuild",
        ),
        Checked::Compared { episodes, behind, faults } => {
            let not_yet = match behind {
                0 => String::new(),
                behind => format!("; {behind} changed since and are computed when a server starts"),
            };
            let wrong = faults.len();
            let line = format!(
                "facts of episodes: {episodes} compared with the records, {wrong} faults{not_yet}"
            );
            Looked { line, faults }
        }
    })
}
