//! The facts of episodes, which audits count, against the records that they are computed from.

use super::{Args, Told};
use crate::app::App;
use crate::command::Failure;
use crate::command::definitions::list::existing;
use crate::config::Config;
use crate::operation::facts::{self, Checked};

/// Computes all of them anew and compares.
pub(super) fn check(args: &Args) -> Result<Told, Failure> {
    let config = Config { thresholds: args.thresholds.clone(), ..existing(&args.data)? };
    let opened = App::open(config);
    let app = opened.map_err(|error| Failure::new(args.data.display().to_string(), error))?;
    let checked = facts::check(&app, &|_, _| ());
    let well = |line: &str| Told { is_well: true, lines: vec![line.to_owned()] };
    Ok(match checked.map_err(|error| Failure::new("the facts of episodes", error))? {
        Checked::Nothing => well("none are kept"),
        Checked::OtherEdition => well(
            "kept by another program or other thresholds; they are computed anew when a server \
             starts, or by spondyl rebuild",
        ),
        Checked::Compared { episodes, behind, faults } => {
            let not_yet = match behind {
                0 => String::new(),
                behind => format!("; {behind} changed since and are computed when a server starts"),
            };
            let wrong = faults.len();
            let line = format!("{episodes} compared with the records, {wrong} faults{not_yet}");
            let lines = faults.into_iter().chain([line]).collect();
            Told { is_well: wrong == 0, lines }
        }
    })
}
