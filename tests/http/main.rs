//! The REST API through HTTP, on a store in memory: one file for each interaction.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::needless_pass_by_value,
    clippy::print_stdout,
    clippy::wrong_self_convention,
    clippy::panic,
    reason = "a test that cannot go on fails"
)]

mod client;
#[path = "../shared/mod.rs"]
mod shared;

mod around;
mod bad_input;
mod capabilities;
mod headers;
mod conditional;
mod definitions;
mod dependents;
mod fuzz;
mod history;
mod letter;
mod outcome;
mod pages;
mod patch;
mod policy;
mod read;
mod round_trip;
mod search;
mod search_cases;
mod signing;
mod summary;
mod terminology;
mod transaction;
mod validate;
mod write;
mod xml;
