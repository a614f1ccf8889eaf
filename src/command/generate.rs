//! `spondyl generate`: synthetic records, written to files or into a store.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::{Subcommand, ValueEnum};
use rayon::prelude::*;
use serde_json::Value;

use super::{Done, Failure, say, serve};
use crate::app::App;
use crate::config::Config;
use crate::fhir::{Instant, Resource};
use crate::generate::{Clinic, Records};
use crate::interaction::batch::{Setting, process};

/// Make synthetic records, marked as invented.
#[derive(clap::Args, Debug)]
pub(super) struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand, Debug)]
enum What {
    Clinic(ClinicArgs),
}

/// A clinic of any size: the same seed gives the same bytes.
///
/// Every resource carries the security label HTEST. The records have the usual defects: missing
/// scores, patients who stay away, mixed units, amendments, entries in error, late letters. The
/// rates are invented and say nothing about any clinic.
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  spondyl generate clinic --patients 2000 --seed 1 --out \
clinic.ndjson\n  spondyl load clinic.ndjson\n  spondyl generate clinic --patients 500 --seed 1 \
--load records\n\nExit codes: 0 all well, 1 the store refused a record, 2 wrong command line, 3 \
could not be done.")]
struct ClinicArgs {
    /// How many patients; about one in ten has two episodes.
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u64).range(1..=10_000_000))]
    patients: u64,
    /// What everything follows from.
    #[arg(long, value_name = "NUMBER", default_value = "1")]
    seed: u64,
    /// A file (.ndjson), or a directory for files of 1,000 patients each; by default the standard
    /// output.
    #[arg(long, value_name = "PATH", conflicts_with = "load")]
    out: Option<PathBuf>,
    /// Store the records in this directory, which no running server uses.
    #[arg(long, value_name = "DIR")]
    load: Option<PathBuf>,
    /// bundles: a transaction Bundle a line, one for each patient and one more for later versions;
    /// resources: a resource a line, later versions after earlier ones.
    #[arg(long, value_enum, default_value = "bundles", conflicts_with = "load")]
    form: Form,
}

#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
enum Form {
    Bundles,
    Resources,
}

/// How many patients are made side by side.
const TOGETHER: u64 = 256;

/// How many patients one file of a directory holds.
const EACH_FILE: u64 = 1_000;

/// Runs the command.
///
/// # Errors
/// When a file cannot be written, or the store cannot be opened.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    let What::Clinic(args) = &args.what;
    let clinic = Clinic { seed: args.seed, patients: args.patients };
    match (&args.load, &args.out) {
        (Some(store), _) => load(clinic, store),
        (None, None) => write(clinic, args.form, BufWriter::new(io::stdout().lock())),
        (None, Some(path)) if is_lines(path) => write(clinic, args.form, create(path)?),
        (None, Some(directory)) => write_files(clinic, args.form, directory),
    }
}

fn is_lines(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("ndjson"))
}

fn named(path: &Path) -> impl FnOnce(io::Error) -> Failure {
    let name = path.display().to_string();
    move |error| Failure::new(name, error)
}

fn create(path: &Path) -> Result<BufWriter<File>, Failure> {
    File::create(path).map(BufWriter::new).map_err(named(path))
}

/// The records of the clinic and then of the patients of a range, in order.
fn each(
    clinic: Clinic,
    (from, to): (u64, u64),
    mut take: impl FnMut(Records) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let failed = |error| Failure::new("generate", error);
    if from == 0 {
        take(clinic.itself().map_err(failed)?)?;
    }
    let mut at = from;
    while at < to {
        let end = to.min(at + TOGETHER);
        let made: Vec<_> = (at..end).into_par_iter().map(|number| clinic.patient(number)).collect();
        for records in made {
            take(records.map_err(failed)?)?;
        }
        at = end;
    }
    Ok(())
}

/// The lines of some records.
fn lines(records: Records, form: Form) -> Vec<Value> {
    match form {
        Form::Bundles => records.into_bundles(),
        Form::Resources => records.first.into_iter().chain(records.later).collect(),
    }
}

fn write(clinic: Clinic, form: Form, mut to: impl Write) -> Result<Done, Failure> {
    write_range(clinic, form, (0, clinic.patients), &mut to)?;
    to.flush().map_err(|error| Failure::new("generate", error))?;
    Ok(Done::Well)
}

fn write_range(
    clinic: Clinic,
    form: Form,
    range: (u64, u64),
    to: &mut impl Write,
) -> Result<(), Failure> {
    each(clinic, range, |records| {
        for line in lines(records, form) {
            serde_json::to_writer(&mut *to, &line)
                .map_err(|error| Failure::new("generate", error))?;
            to.write_all(b"\n").map_err(|error| Failure::new("generate", error))?;
        }
        Ok(())
    })
}

/// Files of 1,000 patients; the first begins with the clinic.
fn write_files(clinic: Clinic, form: Form, directory: &Path) -> Result<Done, Failure> {
    std::fs::create_dir_all(directory).map_err(named(directory))?;
    let mut from = 0;
    while from < clinic.patients {
        let to = clinic.patients.min(from + EACH_FILE);
        let path = directory.join(format!("clinic-{:05}.ndjson", from / EACH_FILE + 1));
        let mut file = create(&path)?;
        write_range(clinic, form, (from, to), &mut file)?;
        file.flush().map_err(named(&path))?;
        from = to;
    }
    Ok(Done::Well)
}

/// Puts the records into a store, each patient's in one commit, as a server would.
fn load(clinic: Clinic, store: &Path) -> Result<Done, Failure> {
    let config = Config { data: store.to_owned(), ..Config::default() };
    let (app, _) = serve::open(config)?;
    let mut refused = 0_u64;
    let mut stored = 0_u64;
    each(clinic, (0, clinic.patients), |records| {
        for bundle in records.into_bundles() {
            match transact(&app, bundle)? {
                Ok(entries) => stored += entries,
                Err(why) => {
                    refused += 1;
                    say(&why);
                }
            }
        }
        Ok(())
    })?;
    say(&format!("{stored} resources stored, {refused} transactions refused"));
    Ok(if refused == 0 { Done::Well } else { Done::Refused })
}

/// How many entries one transaction stored, or why it was refused.
fn transact(app: &App, bundle: Value) -> Result<Result<u64, String>, Failure> {
    let bundle = Resource::from_value(bundle).map_err(|error| Failure::new("generate", error))?;
    let now = Instant::from(time::OffsetDateTime::now_utc());
    let base = "http://localhost/fhir";
    let (text, operations): (&[u8], _) = (&[], None);
    let setting = Setting { app, base, now, answer: None, strict: true, text, operations };
    Ok(match process(setting, bundle) {
        Ok(answer) => Ok(answer.entries.len() as u64),
        Err(error) => Err(error.to_string()),
    })
}
