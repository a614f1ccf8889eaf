//! Settings of how the server is run: what it notes, and how long and how often it can be asked.

use std::num::NonZeroUsize;
use std::time::Duration;

/// How the server is run.
#[derive(clap::Args, Clone, Debug)]
pub struct Operating {
    /// Whether an audit trail is kept: by default with `--access smart`.
    #[arg(long, env = "SPONDYL_TRAIL", value_enum, value_name = "on|off")]
    pub trail: Option<Switch>,

    /// The form of the log.
    #[arg(long, env = "SPONDYL_LOG_FORMAT", value_enum, default_value_t = LogFormat::Text)]
    pub log_format: LogFormat,

    /// Log a line for each request: its id, route, status, duration and client; no values.
    #[arg(long, env = "SPONDYL_LOG_REQUESTS")]
    pub log_requests: bool,

    /// How long the head of a request may take to arrive.
    #[arg(long, env = "SPONDYL_REQUEST_TIMEOUT", value_name = "SECONDS", default_value = "30",
        value_parser = seconds)]
    pub request_timeout: Duration,

    /// How long a body may take to arrive.
    #[arg(long, env = "SPONDYL_BODY_TIMEOUT", value_name = "SECONDS", default_value = "60",
        value_parser = seconds)]
    pub body_timeout: Duration,

    /// How long a connection is kept open that asks nothing.
    #[arg(long, env = "SPONDYL_KEEP_ALIVE", value_name = "SECONDS", default_value = "75",
        value_parser = seconds)]
    pub keep_alive: Duration,

    /// How long the requests at work may take after the server was told to stop.
    #[arg(long, env = "SPONDYL_SHUTDOWN_TIMEOUT", value_name = "SECONDS", default_value = "10",
        value_parser = seconds)]
    pub shutdown_timeout: Duration,

    /// How many connections are open at once; more wait until one ends.
    #[arg(long, env = "SPONDYL_MAX_CONNECTIONS", value_name = "NUMBER", default_value_t = CONNECTIONS)]
    pub max_connections: NonZeroUsize,
}

const CONNECTIONS: NonZeroUsize = NonZeroUsize::new(10_000).unwrap();

/// On or off.
#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum Switch {
    /// On.
    On,
    /// Off.
    Off,
}

/// The form of the log.
#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum LogFormat {
    /// For people.
    Text,
    /// A JSON object a line.
    Json,
}

impl Default for Operating {
    fn default() -> Self {
        Self {
            trail: None,
            log_format: LogFormat::Text,
            log_requests: false,
            request_timeout: Duration::from_secs(30),
            body_timeout: Duration::from_mins(1),
            keep_alive: Duration::from_secs(75),
            shutdown_timeout: Duration::from_secs(10),
            max_connections: CONNECTIONS,
        }
    }
}

/// A number of seconds, from 1 to a day.
fn seconds(text: &str) -> Result<Duration, String> {
    let number: Option<u64> = text.parse().ok().filter(|number| (1..=86_400).contains(number));
    let wrong = || "give a number of seconds from 1 to 86400".to_owned();
    number.map(Duration::from_secs).ok_or_else(wrong)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_whole_seconds_of_a_day() {
        for (text, expected) in
            [("1", Some(1)), ("86400", Some(86_400)), ("0", None), ("86401", None), ("1.5", None)]
        {
            assert_eq!(seconds(text).ok(), expected.map(Duration::from_secs), "{text}");
        }
    }
}
