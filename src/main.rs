//! The `spondyl` program: everything is in the library.

use std::process::ExitCode;

/// A third of the time of a summary goes into small allocations; this one is made for them.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    spondyl::command::run()
}
