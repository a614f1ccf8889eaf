//! `x-required`: elements that must be there, by a value or by what is said in its place.
//!
//! An object from the element's name to the JSON names of which one must be there; each counts with
//! an underscore too, because a primitive may have extensions and no value.
//! Source: <http://hl7.org/fhir/R4/json.html#primitive>.

use std::sync::Arc;

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::fhir::IssueType;
use crate::validation::catalog::Context;
use crate::validation::finding::{Finding, required};
use crate::validation::quick;
use crate::validation::scope::Scope;

struct Required {
    list: Vec<Wanted>,
    context: Arc<Context>,
}

struct Wanted {
    element: String,
    /// Each JSON name without and with its underscore.
    names: Vec<(String, String)>,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let expected = "an object of arrays of names is expected";
    let mut wanted = Vec::new();
    for (element, names) in value.as_object().ok_or(expected)? {
        let names = texts(names).ok_or(expected)?;
        let names = names.into_iter().map(|name| (name.clone(), format!("_{name}"))).collect();
        wanted.push(Wanted { element: element.clone(), names });
    }
    Ok(Box::new(Required { list: wanted, context: Arc::clone(site.context) }))
}

impl Wanted {
    fn is_in(&self, value: &Value) -> bool {
        let Some(object) = value.as_object() else { return true };
        self.names.iter().any(|(name, sibling)| {
            quick::member(object, name).is_some() || quick::member(object, sibling).is_some()
        })
    }
}

impl Required {
    /// A choice element with a value of a type that it cannot have is not missing, but wrong.
    fn is_wrong(&self, wanted: &Wanted, value: &Value) -> bool {
        let Some(base) = wanted.element.strip_suffix("[x]") else { return false };
        let mut names = value.as_object().into_iter().flat_map(|object| object.keys());
        names.any(|name| self.context.is_choice(name.strip_prefix('_').unwrap_or(name), base))
    }
}

impl Rule for Required {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        self.list.iter().all(|wanted| wanted.is_in(value))
    }

    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let missing = self.list.iter().filter(|w| !w.is_in(value) && !self.is_wrong(w, value));
        let say = |wanted: &Wanted| Finding::error(IssueType::Required, required(&wanted.element));
        missing.map(say).collect()
    }
}
