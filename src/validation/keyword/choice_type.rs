//! `x-choice-type`: the types that a profile leaves to a choice element.
//!
//! Source: <http://hl7.org/fhir/R4/profiling.html#cardinality>.

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::fhir::IssueType;
use crate::fhir::json::At;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct ChoiceType(Vec<Element>);

struct Element {
    base: String,
    allowed: Vec<String>,
    forbidden: Vec<String>,
}

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let expected = "an object of allowed and forbidden names is expected";
    let mut elements = Vec::new();
    for (base, rule) in value.as_object().ok_or(expected)? {
        let allowed = texts(rule.at("allowed")).ok_or(expected)?;
        let forbidden = texts(rule.at("forbidden")).ok_or(expected)?;
        elements.push(Element { base: base.clone(), allowed, forbidden });
    }
    Ok(Box::new(ChoiceType(elements)))
}

impl Element {
    fn is_forbidden(&self, value: &Value) -> bool {
        let Some(object) = value.as_object() else { return false };
        object.keys().any(|key| {
            let name = key.strip_prefix('_').unwrap_or(key);
            name.starts_with(&self.base) && self.forbidden.iter().any(|known| known == name)
        })
    }

    fn finding(&self) -> Finding {
        let kinds: Vec<&str> =
            self.allowed.iter().filter_map(|name| name.strip_prefix(self.base.as_str())).collect();
        let text = if kinds.is_empty() {
            format!("The element {}[x] is not allowed here.", self.base)
        } else {
            format!("The value must be of type {}.", kinds.join(" or "))
        };
        Finding::error(IssueType::Structure, text).below(&format!(".{}", self.base))
    }
}

impl Rule for ChoiceType {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        !self.0.iter().any(|element| element.is_forbidden(value))
    }

    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        self.0.iter().filter(|e| e.is_forbidden(value)).map(Element::finding).collect()
    }
}
