//! `x-resource`: any resource, held to the type that it says it is.
//!
//! The value is the place: `entry` (Bundle.entry.resource and the like) or `contained`.

use serde_json::Value;

use super::{Rule, Site};
use crate::validation::finding::Finding;
use crate::validation::resource::{self, Place};
use crate::validation::scope::Scope;

struct Resource(Place);

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let place = match value.as_str() {
        Some("entry") => Place::Entry,
        Some("contained") => Place::Contained,
        _ => return Err("entry or contained is expected".to_owned()),
    };
    Ok(Box::new(Resource(place)))
}

impl Rule for Resource {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        resource::is_valid(scope, value, self.0)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        resource::findings(scope, value, self.0)
    }
}
