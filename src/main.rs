//! The `spondyl` program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    spondyl::command::run()
}
