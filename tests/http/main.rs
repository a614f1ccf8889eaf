//! The REST API through HTTP, on a store in memory: one file for each interaction.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod client;

mod bad_input;
mod capabilities;
mod headers;
mod conditional;
mod history;
mod read;
mod search;
mod summary;
mod transaction;
mod validate;
mod write;
