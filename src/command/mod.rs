//! The command line: one file for each subcommand, named as it is typed.
//!
//! Exit codes: 0 all well; 1 content was refused or has errors; 2 the command line is wrong; 3 the
//! command could not be carried out (a file, the network, the store).

mod audit;
mod client;
mod clients;
mod demo;
pub mod definitions;
mod explain;
mod generate;
mod input;
mod journal;
mod letter;
mod load;
mod release;
mod report;
mod serve;
mod terminology;
mod validate;
mod view;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Where the commands look for a server when none is named.
const SERVER: &str = "http://127.0.0.1:8080/fhir";

#[derive(Parser, Debug)]
#[command(name = "spondyl", version, about, long_about = LONG_ABOUT, after_help = AFTER_HELP)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

const LONG_ABOUT: &str = "spondyl keeps the clinical record of manual therapy of the spine as HL7 \
FHIR R4 resources, checks it against open profiles and code systems, and computes the letter of an \
episode of care.\n\nIt records and computes; it never advises treatment. Local codes and licensed \
practice prevail.";

const AFTER_HELP: &str = "Start with:\n  spondyl demo                     a server with an invented \
clinic; prints what to open\n  spondyl serve --data DIR         a server that keeps its records in \
DIR\n  spondyl load FILE...             send Bundles or NDJSON to a server\n\nExit codes: 0 all well, \
1 content was refused, 2 wrong command line, 3 could not be done.";

#[derive(Subcommand, Debug)]
enum Command {
    Audit(audit::Args),
    Client(clients::Args),
    Definitions(definitions::Args),
    Demo(demo::Args),
    Explain(explain::Args),
    Generate(generate::Args),
    Letter(letter::Args),
    Load(load::Args),
    Serve(Box<serve::Args>),
    Terminology(terminology::Args),
    Validate(validate::Args),
    View(view::Args),
}

/// Where what is kept beside a store is kept.
#[derive(clap::Args, Debug)]
struct Place {
    /// Directory of the store.
    #[arg(long, env = "SPONDYL_DATA", value_name = "DIR", default_value = crate::config::DATA)]
    data: PathBuf,
}

/// How a command ended that could be carried out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Done {
    /// All well.
    Well,
    /// Content was refused, or has errors.
    Refused,
    /// The command line asks for what there is not.
    Misused,
}

/// Why a command could not be carried out.
#[derive(Debug, thiserror::Error)]
#[error("{context}")]
pub struct Failure {
    context: String,
    source: Box<dyn std::error::Error + Send + Sync>,
}

impl Failure {
    /// A failure at or with `context`, such as a file or a server.
    pub fn new(
        context: impl Into<String>,
        source: impl Into<Box<dyn std::error::Error + Send + Sync>>,
    ) -> Self {
        Self { context: context.into(), source: source.into() }
    }
}

/// Reads the command line, runs what it says, and tells how it went.
pub fn run() -> ExitCode {
    let command = Cli::parse().command;
    match carry_out(command) {
        Ok(Done::Well) => ExitCode::SUCCESS,
        Ok(Done::Refused) => ExitCode::from(1),
        Ok(Done::Misused) => ExitCode::from(2),
        Err(failure) => {
            say(&format!("spondyl: {}", chain(&failure)));
            ExitCode::from(3)
        }
    }
}

fn carry_out(command: Command) -> Result<Done, Failure> {
    match command {
        Command::Audit(args) => audit::run(&args),
        Command::Client(args) => clients::run(args),
        Command::Definitions(args) => definitions::run(&args),
        Command::Demo(args) => demo::run(&args),
        Command::Explain(args) => explain::run(args),
        Command::Generate(args) => generate::run(&args),
        Command::Letter(args) => wait_for(letter::run(args)),
        Command::Load(args) => wait_for(load::run(args)),
        Command::Serve(args) => serve::run(*args),
        Command::Terminology(args) => terminology::run(&args),
        Command::Validate(args) => validate::run(&args),
        Command::View(args) => view::run(&args),
    }
}

fn wait_for(work: impl Future<Output = Result<Done, Failure>>) -> Result<Done, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime.map_err(|error| Failure::new("the runtime did not start", error))?.block_on(work)
}

/// An error with all its causes.
fn chain(error: &dyn std::error::Error) -> String {
    let causes = std::iter::successors(error.source(), |error| error.source());
    causes.fold(error.to_string(), |text, cause| format!("{text}: {cause}"))
}

/// Prints a line of what the command was asked for.
fn result(line: &str) {
    // A reader that has gone, such as `head`, has seen what it wanted.
    let _gone = writeln!(std::io::stdout(), "{line}");
}

/// Prints a line for the person at the terminal; the standard output is kept for results.
#[expect(clippy::print_stderr, reason = "the one place where commands talk")]
fn say(line: &str) {
    eprintln!("{line}");
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        super::Cli::command().debug_assert();
    }
}
