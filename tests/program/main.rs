//! The real program, run as a person or a clinic system would: commands, exit codes, and what is
//! left after the process is killed.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::zombie_processes,
    reason = "a test may fail loudly; a server is waited for when it is dropped"
)]

mod audit;
mod clients;
mod command;
mod definitions;
mod facts;
mod kill;
mod notify;
#[path = "../shared/receiver.rs"]
mod receiver;
mod sync;
mod terminology;
mod trail;
mod view;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use serde_json::Value;

/// The program under test.
fn spondyl() -> Command {
    Command::new(env!("CARGO_BIN_EXE_spondyl"))
}

/// A server in a process of its own; killed when dropped.
struct Server {
    process: Child,
    base: String,
}

impl Server {
    /// Starts `spondyl` with those words and waits until it says where it listens.
    fn start(words: &[&str]) -> Self {
        let mut process =
            spondyl().args(words).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let output = BufReader::new(process.stdout.take().unwrap());
        for line in output.lines() {
            let line = line.unwrap();
            if let Some(at) = line.find("http://127.0.0.1:")
                && let Some(end) = line[at..].find("/fhir")
            {
                let base = line[at..at + end + "/fhir".len()].to_owned();
                return Self { process, base };
            }
        }
        panic!("the server ended without saying where it listens");
    }

    fn serve(data: &Path) -> Self {
        Self::start(&["serve", "--listen", "127.0.0.1:0", "--data", data.to_str().unwrap()])
    }

    fn get(&self, place: &str) -> (u16, Value) {
        block_on(async {
            let response = reqwest::get(format!("{}/{place}", self.base)).await.unwrap();
            let status = response.status().as_u16();
            (status, response.json().await.unwrap_or_default())
        })
    }

    /// SIGKILL: no handler runs, nothing is flushed.
    fn kill(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ended = self.process.kill();
        let _waited = self.process.wait();
    }
}

fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work)
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}
