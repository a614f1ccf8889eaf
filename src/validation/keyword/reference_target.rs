//! `x-reference-target`: the types that a reference may point to.
//!
//! Goes by the literal reference, by the type of what is contained, or by `Reference.type`; what
//! none of them tells (a urn, a URL of another form) is let pass.
//! Source: <http://hl7.org/fhir/R4/references.html>.

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, Reference};
use crate::validation::finding::Finding;
use crate::validation::quick;
use crate::validation::scope::Scope;

struct Target(Vec<String>);

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Target(texts(value).ok_or("an array of type names is expected")?)))
}

impl Target {
    fn allows(&self, name: &str) -> bool {
        self.0.iter().any(|allowed| allowed == name)
    }
}

impl Rule for Target {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let text = quick::text(value, "reference").unwrap_or_default();
        let literal = match (!text.is_empty()).then(|| Reference::parse(text)) {
            Some(Reference::Resource { kind, .. } | Reference::Conditional { kind, .. }) => {
                self.allows(kind.as_str())
            }
            Some(Reference::Contained(_) | Reference::Urn(_)) => {
                let target = scope.resolve(text).found();
                target.is_none_or(|t| {
                    t.value().at("resourceType").as_str().is_none_or(|k| self.allows(k))
                })
            }
            _ => true,
        };
        // The name of a type, or a logical model's URL, of which nothing can be said.
        let said = quick::text(value, "type");
        literal && said.is_none_or(|name| name.contains('/') || self.allows(name))
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.holds(scope, value) {
            return Vec::new();
        }
        let text = format!("The reference must point to {}.", self.0.join(" or "));
        vec![Finding::error(IssueType::Value, text).message(Message::ReferenceTarget)]
    }
}
