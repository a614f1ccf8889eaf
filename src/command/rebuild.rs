//! `spondyl rebuild`: what a store keeps beside its records, made anew from them.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use indicatif::ProgressBar;

use super::definitions::list::existing;
use super::{Done, Failure, Place, result};
use crate::app::App;
use crate::config::Config;
use crate::error::Error;
use crate::operation::facts;
use crate::store::Store;

/// Compute the facts of all episodes anew, which audits count.
///
/// A running server does so by itself, as far as records change. The store is that of a server which
/// is not running; records are read and never changed.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl rebuild --data records\n  spondyl rebuild --data records \
--out facts.ndjson\n\nExit codes: 0 done, 2 wrong command line, 3 could not be done."
)]
pub(super) struct Args {
    #[command(flatten)]
    place: Place,
    /// The thresholds of change that the server is started with.
    #[arg(long, env = "SPONDYL_THRESHOLDS", value_name = "FILE")]
    thresholds: Option<PathBuf>,
    /// Write the facts to this file too, as JSON, a line for each episode. They are of patients: keep
    /// them as safe as records.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Read every row of the store once, before and after, and say how long the faster one took.
    #[arg(long)]
    beside_scan: bool,
}

/// Runs the command.
///
/// # Errors
/// When the store cannot be read or written, or the file cannot be written.
pub(super) fn run(args: Args) -> Result<Done, Failure> {
    let name = args.place.data.display().to_string();
    let failed = |error| Failure::new(name.clone(), error);
    let config = Config { thresholds: args.thresholds, ..existing(&args.place.data)? };
    let app = App::open(config).map_err(|error| Failure::new(name.clone(), error))?;
    let before = if args.beside_scan { Some(scan(&*app.store).map_err(failed)?) } else { None };
    let bar = ProgressBar::new(0);
    let told = |done: usize, of: usize| {
        bar.set_length(of as u64);
        bar.set_position(done as u64);
    };
    let started = Instant::now();
    let episodes = facts::rebuild(&app, &told).map_err(failed)?;
    let took = started.elapsed();
    bar.finish_and_clear();
    result(&format!("{episodes} episodes computed in {:.3} s", took.as_secs_f64()));
    if let Some((rows, before)) = before {
        let (_, after) = scan(&*app.store).map_err(failed)?;
        let scanned = before.min(after);
        let ratio = scanned.as_secs_f64() / took.as_secs_f64();
        let scanned = scanned.as_secs_f64();
        result(&format!("{rows} rows read once in {scanned:.3} s: {ratio:.3} of the time"));
    }
    if let Some(out) = &args.out {
        write(&app, out)?;
    }
    Ok(Done::Well)
}

/// How many rows the store has, and how long it takes to read them all.
fn scan(store: &dyn Store) -> Result<(u64, Duration), Error> {
    let started = Instant::now();
    let view = store.view()?;
    let mut rows = 0_u64;
    for row in view.scan(vec![0x01]..vec![0xFF]) {
        row?;
        rows += 1;
    }
    Ok((rows, started.elapsed()))
}

/// Why the facts were not written.
enum Unwritten {
    Store(Error),
    File(std::io::Error),
}

impl From<Error> for Unwritten {
    fn from(error: Error) -> Self {
        Self::Store(error)
    }
}

fn write(app: &App, out: &Path) -> Result<(), Failure> {
    let name = out.display().to_string();
    let to_file = || {
        let mut file = BufWriter::new(File::create(out).map_err(Unwritten::File)?);
        facts::each(app, |facts| {
            serde_json::to_writer(&mut file, facts)
                .map_err(std::io::Error::from)
                .and_then(|()| file.write_all(b"\n"))
                .map_err(Unwritten::File)
        })?;
        file.flush().map_err(Unwritten::File)
    };
    to_file().map_err(|unwritten| match unwritten {
        Unwritten::Store(error) => Failure::new("the facts of episodes", error),
        Unwritten::File(error) => Failure::new(name, error),
    })
}
