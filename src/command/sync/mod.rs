//! `spondyl sync`: what another server has, kept current on this one.
//!
//! Each round spools what has changed there ([`source`]), settles which resource here is which there
//! ([`identity`]), and writes it in batches ([`apply`]); what both agree on is remembered ([`state`]).
//! Every write holds only if what stands here is what was written last, so nothing that was changed
//! here is overwritten in silence: it is reported, and stays open until both are the same again or
//! somebody decides (`--conflicts`). A run that was broken off goes on where it stopped; one that is
//! repeated changes nothing.

mod apply;
mod identity;
mod local;
mod source;
mod state;

use std::path::PathBuf;
use std::time::Duration;

use clap::ValueEnum;
use serde_json::{Value, json};

use super::client::Server;
use super::login::{FromLogin, Login};
use super::{Done, Failure, report, say};
use source::{Source, Spool};
use state::State;

/// Keep this server current with another R4 server.
///
/// Resources with the same business identifier are the same; references are turned to what they mean
/// here; meta.source names the origin; deletions are followed. What was changed on both sides is
/// reported and not overwritten.
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  spondyl sync --from https://clinic.example/fhir --report open.ndjson\n  \
spondyl sync --from https://clinic.example/fhir --every 60\n\nExit codes: 0 both are the same, 1 \
something is open (a conflict, or what was refused), 2 wrong command line, 3 could not be done."
)]
pub(super) struct Args {
    /// The FHIR base URL of the other server.
    #[arg(long, value_name = "URL")]
    from: String,
    /// The FHIR base URL of the server that is kept current.
    #[arg(long, value_name = "URL", alias = "server", default_value = super::SERVER, env = "SPONDYL_SERVER")]
    to: String,
    /// Only these types; by default all but definitions and what a server tells of itself.
    #[arg(long = "type", value_name = "TYPE", value_delimiter = ',')]
    types: Vec<String>,
    /// The directory that remembers what is the same; one for each pair of servers.
    #[arg(long, value_name = "DIR", default_value = "spondyl-sync")]
    state: PathBuf,
    /// Do it again after so many seconds, until it is stopped.
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..))]
    every: Option<u64>,
    /// What happens to resources that were changed on both sides: told only, or decided for all of them.
    #[arg(long, value_enum, default_value_t = Conflicts::Report)]
    conflicts: Conflicts,
    /// Write an OperationOutcome a line to this file for what is open.
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// How many seconds a round reaches back before the end of the last one.
    #[arg(long, value_name = "SECONDS", default_value_t = 60)]
    overlap: u32,
    #[command(flatten)]
    login: Login,
    #[command(flatten)]
    from_login: FromLogin,
}

/// What happens to what was changed on both sides.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum Conflicts {
    /// It is reported, and stays as it is.
    Report,
    /// What the other server has is taken.
    Theirs,
    /// What is here is kept.
    Ours,
}

/// What a round came to.
#[derive(Default, Debug)]
struct Tally {
    written: usize,
    deleted: usize,
    /// Found to be the same already.
    same: usize,
}

/// What is open, with what is to be said of it.
struct Open {
    of: String,
    here: String,
    /// The type of the issue: `conflict`, or what the server said.
    code: String,
    why: String,
    /// What the server said, where it refused.
    outcome: Option<Value>,
}

/// Both servers and what is between them.
struct Sync<'a> {
    from: &'a Server,
    to: &'a Server,
    state: State,
    conflicts: Conflicts,
    tally: Tally,
    open: Vec<Open>,
}

/// Runs the command.
///
/// # Errors
/// When a server does not answer, or the state cannot be read or written.
pub(super) async fn run(args: Args) -> Result<Done, Failure> {
    let from = Server::with(&args.from, args.from_login.credentials()?)?;
    let to = Server::with(&args.to, args.login.credentials()?)?;
    loop {
        let done = round(&args, &from, &to).await;
        let Some(seconds) = args.every else { return done };
        if let Err(failure) = done {
            // The next round may find the server there again.
            say(&format!("spondyl: {}", super::chain(&failure)));
        }
        tokio::time::sleep(Duration::from_secs(seconds)).await;
    }
}

async fn round(args: &Args, from: &Server, to: &Server) -> Result<Done, Failure> {
    let state = State::open(&args.state, from.base(), to.base())?;
    let overlap = i64::from(args.overlap).saturating_mul(1000);
    let source = Source { server: from, types: &args.types, overlap };
    let spool = if let Some(spool) = Spool::open(&args.state)? {
        spool
    } else {
        let (spool, tells_deletions) = source.spool(&args.state, &state).await?;
        if !tells_deletions {
            say("The other server has no history, so what is deleted there is not seen.");
        }
        spool
    };
    let (tally, open) = Default::default();
    let mut sync = Sync { from, to, state, conflicts: args.conflicts, tally, open };
    sync.identify(&spool).await?;
    sync.apply(&spool).await?;
    sync.state.set_cursor(&spool.cursor)?;
    spool.remove()?;
    sync.conclude(args)
}

impl Sync<'_> {
    fn conclude(&self, args: &Args) -> Result<Done, Failure> {
        for open in &self.open {
            match &open.outcome {
                Some(outcome) => {
                    for line in report::issue_lines(outcome) {
                        say(&format!("{} (here {}): {line}", open.of, open.here));
                    }
                }
                None => say(&format!("{} (here {}): {}", open.of, open.here, open.why)),
            }
        }
        if let Some(path) = &args.report {
            let lines =
                self.open.iter().map(|open| open.outcome(self.from.base()).to_string() + "\n");
            std::fs::write(path, lines.collect::<String>())
                .map_err(|error| Failure::new(path.display().to_string(), error))?;
        }
        let Tally { written, deleted, same } = self.tally;
        let open = self.open.len();
        say(&format!("{written} written, {deleted} deleted, {same} the same already, {open} open"));
        Ok(if open == 0 { Done::Well } else { Done::Refused })
    }
}

impl Open {
    fn outcome(&self, from: &str) -> Value {
        let text = format!("{} (here {}): {}", local::origin(from, &self.of), self.here, self.why);
        let mut issues =
            vec![json!({ "severity": "error", "code": self.code, "diagnostics": text })];
        let said = self.outcome.as_ref().and_then(|outcome| outcome.get("issue")?.as_array());
        issues.extend(said.into_iter().flatten().cloned());
        json!({ "resourceType": "OperationOutcome", "issue": issues })
    }
}
