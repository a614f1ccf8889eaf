//! The standard's definitions, compiled to what the server reads at start.

pub mod model;
#[cfg(test)]
pub(crate) mod source;
pub mod search_parameter;
