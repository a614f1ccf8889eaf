//! `spondyl check`: whether what a store keeps fits together, one file for each thing that is looked at.
//!
//! To add one: a file with a function that looks at a store and says a line, and a line in [`ALL`].

mod facts;

use std::path::PathBuf;

use super::definitions::list::existing;
use super::{Done, Failure, Place, result};
use crate::app::App;
use crate::config::Config;

/// Hold what a store keeps against the records, and say what does not fit.
///
/// The store is that of a server which is not running. Nothing is changed.
#[derive(clap::Args, Debug)]
#[command(after_help = "Example:\n  spondyl check --data records\n\nExit codes: 0 all well, 1 \
something does not fit (each is said), 2 wrong command line, 3 could not be done.")]
pub(super) struct Args {
    #[command(flatten)]
    place: Place,
    /// The thresholds of change that the server is started with.
    #[arg(long, env = "SPONDYL_THRESHOLDS", value_name = "FILE")]
    thresholds: Option<PathBuf>,
}

/// What a look at a store came to.
struct Looked {
    /// What was looked at and how it is, in a line.
    line: String,
    /// What does not fit, a sentence for each, without anything of a patient.
    faults: Vec<String>,
}

/// Looks at something of a store.
type Look = fn(&App) -> Result<Looked, Failure>;

/// Everything that is looked at.
const ALL: [Look; 1] = [facts::look];

/// Runs the command.
///
/// # Errors
/// When the store cannot be read.
pub(super) fn run(args: Args) -> Result<Done, Failure> {
    let data = args.place.data;
    let config = Config { thresholds: args.thresholds, ..existing(&data)? };
    let app = App::open(config).map_err(|error| Failure::new(data.display().to_string(), error))?;
    let mut done = Done::Well;
    for look in ALL {
        let looked = look(&app)?;
        result(&looked.line);
        looked.faults.iter().for_each(|fault| result(&format!("  {fault}")));
        if !looked.faults.is_empty() {
            done = Done::Refused;
        }
    }
    Ok(done)
}
