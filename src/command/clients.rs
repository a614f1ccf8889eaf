//! `spondyl client`: the programs that may ask a server for tokens.
//!
//! They are kept beside the store, one file each, and read whenever one asks for a token: a running
//! server need not be told.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

use super::{Done, Failure, Place, result, say};
use crate::access::clients::Clients;
use crate::smart::client::Client;

/// Clients that may ask for tokens (SMART App Launch, backend services).
#[derive(Debug, Parser)]
#[command(
    after_help = "Examples:\n  spondyl client add clinic-sync --name 'Clinic system' --scope \
'system/*.cruds' --jwks keys.json\n  spondyl client list\n  spondyl client remove clinic-sync"
)]
pub(super) struct Args {
    #[command(subcommand)]
    action: Action,
}

/// What to do.
#[derive(Debug, Subcommand)]
enum Action {
    /// Register a client, or change its registration.
    Add {
        /// Its id.
        id: String,
        /// What people call it; by default its id.
        #[arg(long)]
        name: Option<String>,
        /// The most that it may ask for, with spaces between.
        #[arg(long, required = true, value_name = "SCOPES")]
        scope: String,
        /// A file with its public keys (a JWK Set): RSA of at least 2048 bits, or P-384.
        #[arg(long, value_name = "FILE", conflicts_with = "jwks_uri")]
        jwks: Option<PathBuf>,
        /// Where its public keys are read; the server must be allowed to call there (`--outbound`).
        #[arg(long, value_name = "URL")]
        jwks_uri: Option<String>,
        /// The patient whom its scopes of context patient are about.
        #[arg(long, value_name = "ID")]
        patient: Option<String>,
        /// The resource of the user whom it acts for, such as Practitioner/hands.
        #[arg(long, value_name = "REFERENCE")]
        user: Option<String>,
        /// Let it ask what tokens of other clients are worth.
        #[arg(long)]
        introspects: bool,
        #[command(flatten)]
        place: Place,
    },
    /// Show the clients, without their keys.
    List {
        #[command(flatten)]
        place: Place,
    },
    /// Remove a client; the tokens that it has end within minutes.
    Remove {
        /// Its id.
        id: String,
        #[command(flatten)]
        place: Place,
    },
}

/// Runs the command.
///
/// # Errors
/// When a file cannot be read or written, or the registration cannot be used.
pub(super) fn run(args: Args) -> Result<Done, Failure> {
    let fail = |error| Failure::new("the client", error);
    match args.action {
        Action::Add { id, name, scope, jwks, jwks_uri, patient, user, introspects, place } => {
            let read = |file: PathBuf| {
                let shown = file.display().to_string();
                let text =
                    std::fs::read(&file).map_err(|error| Failure::new(shown.clone(), error))?;
                serde_json::from_slice(&text).map_err(|error| Failure::new(shown, error))
            };
            let jwks = jwks.map(read).transpose()?;
            let name = name.unwrap_or_else(|| id.clone());
            let client = Client { id, name, scope, patient, user, jwks, jwks_uri, introspects };
            Clients::of(&place.data).put(&client).map_err(fail)?;
            say(&format!("{} is registered.", client.id));
            Ok(Done::Well)
        }
        Action::List { place } => {
            for client in Clients::of(&place.data).all().map_err(fail)? {
                result(&format!("{}\t{}\t{}", client.id, client.name, client.scope));
            }
            Ok(Done::Well)
        }
        Action::Remove { id, place } => {
            if Clients::of(&place.data).remove(&id).map_err(fail)? {
                say(&format!("{id} is removed."));
                return Ok(Done::Well);
            }
            say(&format!("There is no client {id}."));
            Ok(Done::Misused)
        }
    }
}
