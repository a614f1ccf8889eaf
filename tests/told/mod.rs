//! What is told of a text: the same as a command or a request tells.

use std::sync::{Arc, OnceLock};

use spondyl::definitions::{Definitions, embedded};
use spondyl::error::{malformed_issue, not_a_resource};
use spondyl::fhir::{Issue, Resource, json, outcome};
use spondyl::validation::Validator;

/// The rules that are built in, made ready once.
pub(crate) fn validator() -> &'static Validator {
    static VALIDATOR: OnceLock<Validator> = OnceLock::new();
    VALIDATOR
        .get_or_init(|| Validator::new(Arc::new(Definitions::load(embedded::files()).unwrap())))
}

/// The issues of a text.
pub(crate) fn issues(text: &str) -> Vec<Issue> {
    let value = match json::parse(text.as_bytes(), json::MAX_DEPTH) {
        Ok(value) => value,
        Err(malformed) => return vec![malformed_issue(&malformed)],
    };
    let mut issues = match Resource::from_value(value) {
        Ok(resource) => validator().check(&resource),
        Err(reason) => vec![not_a_resource(&reason)],
    };
    outcome::locate(&mut issues, text.as_bytes(), "");
    issues
}
