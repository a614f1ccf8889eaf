//! `x-required`: elements that must be there, by a value or by what is said in its place.
//!
//! An object from the element's name to the JSON names of which one must be there; each counts with
//! an underscore too, because a primitive may have extensions and no value.
//! Source: <http://hl7.org/fhir/R4/json.html#primitive>.

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::fhir::IssueType;
use crate::validation::finding::{Finding, required};
use crate::validation::scope::Scope;

struct Required(Vec<Wanted>);

struct Wanted {
    element: String,
    /// Each JSON name without and with its underscore.
    names: Vec<(String, String)>,
}

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let expected = "an object of arrays of names is expected";
    let mut wanted = Vec::new();
    for (element, names) in value.as_object().ok_or(expected)? {
        let names = texts(names).ok_or(expected)?;
        let names = names.into_iter().map(|name| (name.clone(), format!("_{name}"))).collect();
        wanted.push(Wanted { element: element.clone(), names });
    }
    Ok(Box::new(Required(wanted)))
}

impl Wanted {
    fn is_in(&self, value: &Value) -> bool {
        let Some(object) = value.as_object() else { return true };
        self.names.iter().any(|(name, sibling)| {
            object.contains_key(name.as_str()) || object.contains_key(sibling.as_str())
        })
    }
}

impl Rule for Required {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        self.0.iter().all(|wanted| wanted.is_in(value))
    }

    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let missing = self.0.iter().filter(|wanted| !wanted.is_in(value));
        missing
            .map(|wanted| Finding::error(IssueType::Required, required(&wanted.element)))
            .collect()
    }
}
