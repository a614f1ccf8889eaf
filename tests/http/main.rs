//! The REST API through HTTP, on a store in memory: one file for each interaction.
#![allow(
    clippy::unwrap_used,
    clippy::float_cmp,
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
#[path = "../shared/receiver.rs"]
mod receiver;

mod access;
mod around;
mod audit;
mod audit_facts;
mod audit_pages;
mod bad_input;
mod binary;
mod bulk;
mod capabilities;
mod claims;
mod collect_data;
mod headers;
mod concurrent;
mod conditional;
mod consent;
mod definitions;
mod during_writes;
mod dependents;
mod document;
mod everything;
mod fuzz;
mod guarded;
mod history;
mod lastn;
mod leak;
mod letter;
mod oidc;
mod once;
mod openapi;
mod operating;
mod mixture;
mod notify;
mod notify_access;
mod notify_topics;
mod model;
mod meta;
mod outcome;
mod pages;
mod people;
mod patch;
mod patch_cases;
mod policy;
mod properties;
mod provenance;
mod read;
mod round_trip;
mod search;
mod shared_letter;
mod sign_in_attacks;
mod search_cases;
mod smart;
mod stats;
mod signing;
mod summary;
mod terminology;
mod trail;
mod transaction;
mod upgrade;
mod validate;
mod views;
mod write;
mod xml;
