//! `spondyl letter`: the letter of an episode of care, from a running server, into a file.

use std::io::Write;
use std::path::PathBuf;

use clap::ValueEnum;

use super::client::Server;
use super::login::Login;
use super::{Done, Failure, report};

/// Fetch the letter of an episode of care and write it to a file.
#[derive(clap::Args, Debug)]
#[command(after_help = "Example:\n  spondyl letter demo-aldis-episode --format pdf -o letter.pdf")]
pub(super) struct Args {
    /// The id of the EpisodeOfCare.
    episode: String,
    /// The form of the letter: pdf and html to be read, json is the FHIR document Bundle.
    #[arg(long, value_enum, default_value_t = Format::Pdf)]
    format: Format,
    /// Where to write it; `-` is the standard output.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// The FHIR base URL of the server.
    #[arg(long, value_name = "URL", default_value = super::SERVER, env = "SPONDYL_SERVER")]
    server: String,
    #[command(flatten)]
    login: Login,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Format {
    Pdf,
    Html,
    Json,
}

impl Format {
    fn media_type(self) -> &'static str {
        match self {
            Self::Pdf => "application/pdf",
            Self::Html => "text/html",
            Self::Json => "application/fhir+json",
        }
    }
}

/// Runs the command.
///
/// # Errors
/// When the server does not answer or the file cannot be written.
pub(super) async fn run(args: Args) -> Result<Done, Failure> {
    let server = Server::with(&args.server, args.login.credentials()?)?;
    let place = format!("EpisodeOfCare/{}/$episode-summary", args.episode);
    let answer = server.get(&place, args.format.media_type()).await?;
    if !answer.status.is_success() {
        report::refusal(&place, answer.status, answer.json().as_ref());
        return Ok(Done::Refused);
    }
    let written = if args.output.as_os_str() == "-" {
        std::io::stdout().lock().write_all(&answer.body)
    } else {
        std::fs::write(&args.output, &answer.body)
    };
    written.map_err(|error| Failure::new(args.output.display().to_string(), error))?;
    Ok(Done::Well)
}
