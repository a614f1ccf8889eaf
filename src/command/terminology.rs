//! `spondyl terminology`: code systems, value sets and concept maps that a site is licensed for.
//!
//! They are kept beside the store and read when the server starts and when files are validated; a
//! server that is running goes on with what it has. Nothing is kept unless all that was named can
//! be read.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::time::Instant;

use clap::{Parser, Subcommand};
use serde_json::Value;

use super::release::{self, Source};
use super::{Done, Failure, Place, result, say};
use crate::config;
use crate::fhir::json::At;
use crate::terminology::kept::{Entry, Item, Kept};
use crate::terminology::load::{loinc, resource, snomed};
use crate::terminology::{CodeSystem, TerminologyError};

/// Code systems, value sets and concept maps of your own or that you are licensed for.
#[derive(Debug, Parser)]
#[command(
    after_help = "Examples:\n  spondyl terminology load --data records codes.json\n  spondyl \
terminology load --data records Loinc_2.80/\n  spondyl terminology load --data records \
SnomedCT_InternationalRF2_PRODUCTION_20260101T120000Z/\n  spondyl terminology list --data records\n\n\
LOINC and SNOMED CT come from their publishers, under their licences; none of them is part of this \
program. A server that is running reads what was loaded at its next start."
)]
pub(super) struct Args {
    #[command(subcommand)]
    action: Action,
}

/// What to do.
#[derive(Debug, Subcommand)]
enum Action {
    /// Load resources, or a release of LOINC or SNOMED CT.
    Load {
        /// Files: a code system, value set, concept map or a Bundle of them in .json, one a line in
        /// .ndjson; a folder of those; the folder of a release of LOINC (with Loinc.csv), or of
        /// SNOMED CT in RF2 (with its Snapshot).
        #[arg(required = true, value_name = "FILE")]
        paths: Vec<PathBuf>,
        #[command(flatten)]
        place: Place,
        /// The version of the release, such as 2.80, or
        /// `http://snomed.info/sct/<module>/version/<date>`; by default as the files tell.
        #[arg(long, value_name = "VERSION")]
        release: Option<String>,
        /// The language reference set of SNOMED CT that gives the displays; by default US English.
        #[arg(long, value_name = "ID", default_value_t = snomed::US_ENGLISH)]
        dialect: u64,
    },
    /// Show what is loaded.
    List {
        #[command(flatten)]
        place: Place,
    },
    /// Remove what was loaded under a canonical URL; url|version removes that version only.
    Remove {
        /// The canonical.
        #[arg(required = true, value_name = "URL")]
        canonicals: Vec<String>,
        #[command(flatten)]
        place: Place,
    },
}

impl Place {
    fn kept(&self) -> Kept {
        Kept::new(config::terminology(&self.data))
    }
}

/// Runs the subcommand.
///
/// # Errors
/// [`Failure`], naming the file.
pub(super) fn run(args: &Args) -> Result<Done, Failure> {
    match &args.action {
        Action::Load { paths, place, release, dialect } => {
            load(paths, &place.kept(), release.as_deref(), *dialect)
        }
        Action::List { place } => list(&place.kept()),
        Action::Remove { canonicals, place } => remove(canonicals, &place.kept()),
    }
}

fn load(
    paths: &[PathBuf],
    kept: &Kept,
    release: Option<&str>,
    dialect: u64,
) -> Result<Done, Failure> {
    let mut items = Vec::new();
    for path in paths {
        let at = |error: std::io::Error| Failure::new(path.display().to_string(), error);
        for source in release::sources(path).map_err(at)? {
            items.extend(read(path, &source, release, dialect)?);
        }
    }
    for item in &items {
        kept.put(item).map_err(|fault| Failure::new("not loaded", fault))?;
        say(&match item {
            Item::System(system) => {
                format!("loaded {}: {} concepts", system.canonical(), system.concepts().len())
            }
            Item::Resource(resource) => {
                let text = |key: &str| resource[key].as_str().unwrap_or_default();
                format!("loaded {} {}", text("resourceType"), text("url"))
            }
        });
    }
    Ok(Done::Well)
}

/// What a source holds, read whole and found sound.
fn read(
    path: &Path,
    source: &Source,
    release: Option<&str>,
    dialect: u64,
) -> Result<Vec<Item>, Failure> {
    let place = match source {
        Source::Json(file) | Source::Lines(file) => file,
        _ => path,
    };
    let io = |error: std::io::Error| Failure::new(place.display().to_string(), error);
    let unsound = |error: TerminologyError| Failure::new(place.display().to_string(), error);
    let start = Instant::now();
    let system = match source {
        Source::Json(file) => {
            let file = BufReader::new(File::open(file).map_err(io)?);
            let all = resource::of_json(file).map_err(unsound)?;
            return all.into_iter().map(item).collect::<Result<_, _>>().map_err(unsound);
        }
        Source::Lines(file) => {
            let file = BufReader::new(File::open(file).map_err(io)?);
            let all = resource::of_ndjson(file).map_err(unsound)?;
            return all.into_iter().map(item).collect::<Result<_, _>>().map_err(unsound);
        }
        Source::Loinc(files) => {
            say("reading LOINC ...");
            loinc::load(files.open().map_err(io)?, release).map_err(unsound)?
        }
        Source::Snomed(files) => {
            say("reading SNOMED CT ...");
            let version = release.map(str::to_owned).or_else(|| files.version());
            let unnamed = || {
                Failure::new(
                    place.display().to_string(),
                    "the files do not tell the edition; name it with --release \
                     http://snomed.info/sct/<module>/version/<date>",
                )
            };
            let version = version.ok_or_else(unnamed)?;
            snomed::load(files.open(dialect).map_err(io)?, &version).map_err(unsound)?
        }
    };
    say(&format!("read in {:.1} s", start.elapsed().as_secs_f64()));
    Ok(vec![Item::System(Box::new(system))])
}

/// A resource as it is kept; a supplement stays a resource, since it has no codes of its own.
fn item(value: Value) -> Result<Item, TerminologyError> {
    if value.at("resourceType") == "CodeSystem" && value.at("content") != "supplement" {
        return Ok(Item::System(Box::new(CodeSystem::read(&value)?)));
    }
    Ok(Item::Resource(value))
}

fn list(kept: &Kept) -> Result<Done, Failure> {
    let entries = kept.list().map_err(|fault| Failure::new("terminology", fault))?;
    if entries.is_empty() {
        say("nothing is loaded");
    }
    entries.iter().for_each(|entry| result(&line(entry)));
    Ok(Done::Well)
}

fn line(entry: &Entry) -> String {
    let version = entry.version.as_ref().map(|version| format!("|{version}"));
    let concepts = entry.concepts.map(|count| format!(", {count} concepts"));
    format!(
        "{} {}{} ({}{}, {} kB)",
        entry.kind,
        entry.url,
        version.unwrap_or_default(),
        entry.name,
        concepts.unwrap_or_default(),
        entry.size.div_ceil(1000)
    )
}

fn remove(canonicals: &[String], kept: &Kept) -> Result<Done, Failure> {
    let mut done = Done::Well;
    for canonical in canonicals {
        let gone = kept.remove(canonical).map_err(|fault| Failure::new("terminology", fault))?;
        if gone.is_empty() {
            say(&format!("{canonical} is not loaded"));
            done = Done::Refused;
        }
        gone.iter().for_each(|entry| say(&format!("removed {}", line(entry))));
    }
    Ok(done)
}
