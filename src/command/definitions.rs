//! `spondyl definitions`: what the server obeys, made, loaded and listed.
//!
//! `compile` goes from the standard's definitions to the files under `schemas/`: it reads a directory
//! and writes a directory; what the files say is made by [`crate::definitions::compile`]. Authored
//! files under `schemas/` are left alone.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::{fs, io};

use clap::{Parser, Subcommand};

pub(super) mod list;
mod load;
pub(super) mod packages;

use super::{Done, Failure, say};
use crate::definitions::compile::{Source, compile};

/// The definitions that the server obeys.
#[derive(Debug, Parser)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

/// What to do with them.
#[derive(Debug, Subcommand)]
enum Action {
    /// Compile the definitions of the standard into schemas.
    Compile {
        /// A directory with the definitions: `.ndjson` files, one definition a line, or the
        /// `.json` files of a published package.
        #[arg(long, value_name = "DIR")]
        from: PathBuf,
        /// The directory to write.
        #[arg(long, value_name = "DIR", default_value = "schemas")]
        to: PathBuf,
    },
    List(list::Args),
    Load(load::Args),
}

/// Runs the subcommand.
///
/// # Errors
/// [`Failure`], naming the file or the definition.
pub fn run(args: &Args) -> Result<Done, Failure> {
    match &args.action {
        Action::Compile { from, to } => write(from, to),
        Action::List(args) => list::run(args),
        Action::Load(args) => load::run(args),
    }
}

fn write(from: &Path, to: &Path) -> Result<Done, Failure> {
    let files =
        compile(&read_source(from)?).map_err(|fault| Failure::new("not compiled", fault))?;
    for (path, text) in &files {
        let path = to.join(path);
        let folder = path.parent().unwrap_or(to);
        fs::create_dir_all(folder).map_err(|error| at(folder, error))?;
        fs::write(&path, text).map_err(|error| at(&path, error))?;
    }
    let bytes: usize = files.values().map(String::len).sum();
    say(&format!("wrote {} files, {} kB, to {}", files.len(), bytes / 1000, to.display()));
    Ok(Done::Well)
}

/// Reads the definitions in a directory.
///
/// # Errors
/// [`Failure`], naming the file.
pub fn read_source(dir: &Path) -> Result<Source, Failure> {
    let mut files = BTreeMap::new();
    for entry in fs::read_dir(dir).map_err(|error| at(dir, error))? {
        let path = entry.map_err(|error| at(dir, error))?.path();
        if path.extension().is_some_and(|end| end == "json" || end == "ndjson") {
            let bytes = fs::read(&path).map_err(|error| at(&path, error))?;
            files.insert(path.display().to_string(), bytes);
        }
    }
    let read = Source::read(files.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice())));
    read.map_err(|fault| Failure::new("not compiled", fault))
}

fn at(path: &Path, error: io::Error) -> Failure {
    Failure::new(path.display().to_string(), error)
}
