//! `spondyl view`: tables of the records, from a store that no server has open or from files.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::{Subcommand, ValueEnum};
use rayon::prelude::*;
use serde_json::Value;

use super::{Done, Failure, input, report, result, say};
use crate::fhir::json::{self, At as _};
use crate::repository::{self, Stored, key};
use crate::store::{SledStore, Store};
use crate::view_definition::shipped::Shipped;
use crate::view_definition::table::{self, Table};
use crate::view_definition::{Fault, Row, ViewDefinition};

/// Make tables of the records by views (SQL on FHIR).
#[derive(clap::Args, Debug)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    /// List the views that the program brings.
    List,
    Run(Run),
}

/// Run a view and write its table.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl view run scores --store spondyl-data --format parquet --out \
scores.parquet\n  spondyl view run my-view.json --from export.ndjson --format csv\n\nThe columns \
stay as the view has them; a table holds what the records hold, so keep it as safe as they are."
)]
struct Run {
    /// The id of a view that the program brings (see `spondyl view list`), or a file with a
    /// ViewDefinition in JSON.
    #[arg(value_name = "VIEW")]
    view: String,
    /// The directory of a store; no server may have it open.
    #[arg(long, value_name = "DIR", required_unless_present = "from", conflicts_with = "from")]
    store: Option<PathBuf>,
    /// Files (a Bundle or a resource in .json, a resource a line in .ndjson) or directories of them.
    #[arg(long, value_name = "PATH", num_args = 1..)]
    from: Vec<PathBuf>,
    /// The form of the table.
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// Leave out the first line with the names of the columns, of CSV.
    #[arg(long)]
    no_header: bool,
    /// Where to write it; the standard output where it is not given.
    #[arg(short, long, value_name = "FILE")]
    out: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Format {
    Csv,
    Json,
    Ndjson,
    Parquet,
}

/// How many resources are read before rows are made of them.
const PAGE: usize = 1000;

/// How much a cache the store gets: every row is read once.
const CACHE: u64 = 64 << 20;

/// Runs the command.
///
/// # Errors
/// When the store or a file cannot be read, or the table cannot be written.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    match &args.command {
        Command::List => {
            for view in Shipped::all() {
                result(&format!("{:<16}{}", view.id, view.title));
            }
            Ok(Done::Well)
        }
        Command::Run(run) => run.run(),
    }
}

/// Why a table was not finished.
enum Stop {
    /// It could not be done.
    Failed(Failure),
    /// The view is wrong, or does not fit a resource.
    Refused(String),
}

impl From<Failure> for Stop {
    fn from(failure: Failure) -> Self {
        Self::Failed(failure)
    }
}

impl Run {
    fn run(&self) -> Result<Done, Failure> {
        let Some(value) = self.definition()? else {
            say(&format!("{}: no such view, and no such file", self.view));
            return Ok(Done::Misused);
        };
        let view = match ViewDefinition::read(&value) {
            Ok(view) => view,
            Err(faults) => {
                faults.iter().for_each(|fault| say(&format!("{}: {fault}", self.view)));
                return Ok(Done::Refused);
            }
        };
        let done = match &self.out {
            // A table that breaks off leaves no file: it would be taken for a whole one.
            Some(path) => {
                let beside = path.with_extension("partial");
                let done = File::create(&beside)
                    .map_err(|error| failed(&beside, error))
                    .map_err(Stop::from)
                    .and_then(|file| self.write(&view, BufWriter::new(file)));
                match &done {
                    Ok(_) => std::fs::rename(&beside, path).map_err(|e| failed(path, e))?,
                    Err(_) => std::fs::remove_file(&beside).map_err(|e| failed(&beside, e))?,
                }
                done
            }
            None => self.write(&view, BufWriter::new(io::stdout())),
        };
        match done {
            Ok(rows) => {
                if let Some(path) = &self.out {
                    say(&format!("{rows} rows in {}", path.display()));
                }
                Ok(Done::Well)
            }
            Err(Stop::Refused(text)) => {
                say(&text);
                Ok(Done::Refused)
            }
            Err(Stop::Failed(failure)) => Err(failure),
        }
    }

    /// The definition of that name or in that file; none where there is neither.
    fn definition(&self) -> Result<Option<Value>, Failure> {
        if let Some(view) = Shipped::find(&self.view) {
            return Ok(Some(view.value));
        }
        let path = Path::new(&self.view);
        if !path.is_file() {
            return Ok(None);
        }
        let bytes = std::fs::read(path).map_err(|error| failed(path, error))?;
        let value = json::parse(&bytes, json::MAX_DEPTH);
        value.map(Some).map_err(|malformed| failed(path, malformed))
    }

    fn write<W: Write + Send>(&self, view: &ViewDefinition, out: W) -> Result<u64, Stop> {
        let format = match self.format {
            Format::Csv => table::Format::Csv { header: !self.no_header },
            Format::Json => table::Format::Json,
            Format::Ndjson => table::Format::Ndjson,
            Format::Parquet => table::Format::Parquet,
        };
        let mut output = Output {
            view,
            table: Table::new(view, format, out).map_err(|e| self.stop(e))?,
            rows: 0,
        };
        let mut failure = None;
        let mut take = |page: Vec<(String, Value)>| {
            let done = output.add(page);
            done.map_err(|error| failure = Some(error)).is_ok()
        };
        match &self.store {
            Some(directory) => stored(directory, view, &mut take)?,
            None => self.files(&mut take)?,
        }
        match failure {
            None => {}
            Some(Unwritten::Table(error)) => return Err(self.stop(error)),
            Some(Unwritten::Of(place, fault)) => {
                return Err(Stop::Refused(format!("{}: {fault} ({place})", self.view)));
            }
        }
        output.table.finish().map_err(|error| self.stop(error))?;
        Ok(output.rows)
    }

    fn stop(&self, error: table::Error) -> Stop {
        match error {
            table::Error::Fault(fault) => Stop::Refused(format!("{}: {fault}", self.view)),
            table::Error::Io(error) => {
                let name = self.out.as_ref().map(|path| path.display().to_string());
                Failure::new(name.unwrap_or_else(|| "the standard output".into()), error).into()
            }
        }
    }

    /// Hands over the resources of the files, those in Bundles too.
    fn files(&self, take: &mut dyn FnMut(Vec<(String, Value)>) -> bool) -> Result<(), Stop> {
        let files = input::expand(&self.from).map_err(|error| Failure::new("view", error))?;
        let mut page = Vec::new();
        for file in &files {
            let name = file.display().to_string();
            for item in input::read(file).map_err(|error| failed(file, error))? {
                let item = item.map_err(|error| failed(file, error))?;
                let place = match item.line {
                    Some(line) => format!("{name}:{line}"),
                    None => name.clone(),
                };
                let value = item.content.map_err(|malformed| {
                    Stop::Refused(format!("{place}: {}", report::malformed(&malformed)))
                })?;
                page.extend(resources(&place, value));
                if page.len() >= PAGE && !take(std::mem::take(&mut page)) {
                    return Ok(());
                }
            }
        }
        take(page);
        Ok(())
    }
}

/// The resource, or those in the entries of the Bundle.
fn resources(place: &str, value: Value) -> Vec<(String, Value)> {
    if value.at("resourceType") != "Bundle" {
        return vec![(place.to_owned(), value)];
    }
    let entries = value.at("entry").as_array().into_iter().flatten().enumerate();
    let inside = entries.filter_map(|(at, entry)| {
        Some((format!("{place} entry[{at}]"), entry.get("resource")?.clone()))
    });
    inside.collect()
}

/// Hands over the resources of the type of the view, in the order of ids.
fn stored(
    directory: &Path,
    view: &ViewDefinition,
    take: &mut dyn FnMut(Vec<(String, Value)>) -> bool,
) -> Result<(), Failure> {
    if !directory.is_dir() {
        let missing = io::Error::from(io::ErrorKind::NotFound);
        return Err(failed(directory, missing));
    }
    let store = SledStore::open(directory, CACHE).map_err(|error| failed(directory, error))?;
    let rows = store.view().map_err(|error| failed(directory, error))?;
    let broken = |error: repository::Error| failed(directory, error);
    let kind = view.resource;
    let mut page = Vec::new();
    for row in rows.scan(key::current_range(kind)) {
        let row = row.map_err(|error| failed(directory, error))?;
        let Some(id) = key::current_id(&row.key) else { continue };
        let current = repository::current(&*rows, kind, &id).map_err(broken)?;
        let content = current.as_ref().map(Stored::content).transpose().map_err(broken)?.flatten();
        page.extend(content.map(|content| (format!("{kind}/{id}"), content.value().clone())));
        if page.len() >= PAGE && !take(std::mem::take(&mut page)) {
            return Ok(());
        }
    }
    take(page);
    Ok(())
}

fn failed(path: &Path, error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Failure {
    Failure::new(path.display().to_string(), error)
}

/// Why a page of resources was not written.
enum Unwritten {
    Table(table::Error),
    /// What is wrong with the resource of that place.
    Of(String, Fault),
}

/// The table as it is written.
struct Output<'v, W: Write + Send> {
    view: &'v ViewDefinition,
    table: Table<W>,
    rows: u64,
}

impl<W: Write + Send> Output<'_, W> {
    fn add(&mut self, page: Vec<(String, Value)>) -> Result<(), Unwritten> {
        let view = self.view;
        let rows: Vec<Vec<Row>> = page
            .into_par_iter()
            .map(|(place, value)| view.rows(&value).map_err(|fault| Unwritten::Of(place, fault)))
            .collect::<Result<_, Unwritten>>()?;
        for row in rows.into_iter().flatten() {
            self.table.row(row).map_err(Unwritten::Table)?;
            self.rows += 1;
        }
        Ok(())
    }
}
