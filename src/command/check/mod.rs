//! `spondyl check`: whether what a stopped server keeps is whole. One file for each check.

mod facts;
mod trail;

use std::path::PathBuf;

use super::{Done, Failure, result};

/// Check what a server keeps in its directory; no server may have it open.
///
/// A line says how each check went; the exit code is 1 if one failed. Nothing is changed.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl check --data records\n  spondyl check --data records --expect \
HASH    the hash of an earlier check, which the audit trail must still hold"
)]
pub(super) struct Args {
    /// Directory of the store.
    #[arg(long, env = "SPONDYL_DATA", value_name = "DIR", default_value = crate::config::DATA)]
    data: PathBuf,
    /// The thresholds of change that the server is started with.
    #[arg(long, env = "SPONDYL_THRESHOLDS", value_name = "FILE")]
    thresholds: Option<PathBuf>,
    /// A hash of the audit trail that was kept elsewhere.
    #[arg(long, value_name = "HASH")]
    expect: Option<String>,
}

/// How a check went.
struct Told {
    /// Whether all is well.
    is_well: bool,
    /// What is said of it.
    lines: Vec<String>,
}

/// A check.
type Check = fn(&Args) -> Result<Told, Failure>;

/// Every check, with what is checked.
const CHECKS: &[(&str, Check)] =
    &[("facts of episodes", facts::check), ("audit trail", trail::check)];

/// Runs the command.
///
/// # Errors
/// When a store cannot be opened or read.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    let mut is_well = true;
    for (name, check) in CHECKS {
        let told = check(args)?;
        let said = if told.is_well { "well" } else { "NOT WELL" };
        for line in &told.lines {
            result(&format!("{name}: {said}: {line}"));
        }
        is_well &= told.is_well;
    }
    Ok(if is_well { Done::Well } else { Done::Refused })
}
