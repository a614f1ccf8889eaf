//! `x-invariant`: constraints in FHIRPath, each parsed once.
//!
//! Evaluated on the value that they stand on, in place. A constraint that cannot be evaluated is
//! told as a warning: it neither holds nor is broken. Expressions that are published with a mistake
//! are replaced by what their text says, from `schemas/invariant/corrected.json`. Those of the
//! standard are told in its own words, from `schemas/invariant/text.json`.
//! Source: <http://hl7.org/fhir/R4/conformance-rules.html#constraints>.

use std::collections::HashMap;
use std::sync::LazyLock;

use serde_json::Value;

use super::{Rule, Site};
use crate::definitions::embedded;
use crate::fhir::IssueType;
use crate::fhir::json::At;
use crate::validation::fhirpath::{Element, Env, Expression, Kind};
use crate::validation::finding::Finding;
use crate::validation::quick;
use crate::validation::scope::Scope;
use crate::validation::sight::Sight;

/// Constraints that the structure holds to, at the very place that breaks them: see `resource`
/// (dom), `narrative` (txt) and `reference` (ref-1).
pub(in crate::validation) const ELSEWHERE: [&str; 8] =
    ["dom-2", "dom-3", "dom-4", "dom-5", "dom-6", "txt-1", "txt-2", "ref-1"];

struct Invariants {
    list: Vec<Invariant>,
    /// The type that they stand on, where it is known.
    kind: Option<Kind>,
    /// Whether they stand on a resource, and not on the element that holds one.
    is_root: bool,
}

struct Invariant {
    key: String,
    is_error: bool,
    text: String,
    /// Or why it cannot be read.
    expression: Result<Expression, String>,
}

/// What is held of constraints, by key and published expression.
type Held = HashMap<(String, String), String>;

static CORRECTED: LazyLock<Held> =
    LazyLock::new(|| held("invariant/corrected.json", "published", "expression"));

static TEXT: LazyLock<Held> = LazyLock::new(|| held("invariant/text.json", "expression", "human"));

/// The rows of that file: its members `published` and `held`.
fn held(path: &str, published: &str, held: &str) -> Held {
    let list = embedded::text(path).unwrap_or("[]");
    let list: Vec<Value> = serde_json::from_str(list).unwrap_or_default();
    let text = |row: &Value, name: &str| row.at(name).as_str().map(str::to_owned);
    let row = |row: &Value| Some(((text(row, "key")?, text(row, published)?), text(row, held)?));
    list.iter().filter_map(row).collect()
}

/// The expression to evaluate for a constraint: the published one, or what it should have been.
pub(in crate::validation) fn corrected<'e>(key: &str, published: &'e str) -> &'e str {
    CORRECTED.get(&(key.to_owned(), published.to_owned())).map_or(published, String::as_str)
}

/// What a constraint of the standard says in words.
fn standard_text(key: &str, published: &str) -> Option<String> {
    TEXT.get(&(key.to_owned(), published.to_owned())).cloned()
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let list = value.as_array().ok_or("an array of constraints is expected")?;
    let is_here = |constraint: &&Value| {
        !ELSEWHERE.contains(&constraint.at("key").as_str().unwrap_or_default())
    };
    let list: Result<Vec<_>, String> = list.iter().filter(is_here).map(Invariant::new).collect();
    Ok(Box::new(Invariants { list: list?, kind: site.kind, is_root: site.is_root }))
}

impl Invariant {
    fn new(value: &Value) -> Result<Self, String> {
        let text = |key: &str| value.at(key).as_str().map(str::to_owned);
        let key = text("key").ok_or("a constraint has a key")?;
        let source = text("expression").ok_or("a constraint has an expression")?;
        let human = text("human").or_else(|| standard_text(&key, &source));
        let human = human.unwrap_or_else(|| format!("It must hold: {source}"));
        let expression = Expression::parse(corrected(&key, &source));
        Ok(Self {
            is_error: value.at("severity") != "warning",
            text: human,
            expression: expression.map_err(|fault| fault.to_string()),
            key,
        })
    }

    /// What is to be said of it; nothing where it holds.
    fn finding(&self, env: &Env<'_>) -> Option<Finding> {
        let holds = match &self.expression {
            Ok(expression) => expression.holds(env).map_err(|fault| fault.to_string()),
            Err(fault) => Err(fault.clone()),
        };
        let finding = match holds {
            Ok(true) => return None,
            Ok(false) if self.is_error => Finding::error(IssueType::Invariant, &self.text),
            Ok(false) => Finding::warning(IssueType::Invariant, &self.text),
            Err(fault) => {
                let text = format!("Whether the rule holds cannot be told: {fault}.");
                Finding::warning(IssueType::NotSupported, text)
            }
        };
        Some(finding.rule(&self.key))
    }
}

impl Invariants {
    /// Runs `work` with what the expressions see; nothing where there is nothing to hold to.
    fn with<R>(&self, scope: &Scope, value: &Value, work: impl FnOnce(&Env<'_>) -> R) -> Option<R> {
        if self.list.is_empty() || value.is_null() {
            return None;
        }
        let is_resource = self.is_root && quick::get(value, "resourceType").is_some();
        let sight = Sight::new(scope, is_resource.then_some(value));
        let focus = match self.kind {
            Some(kind) if quick::get(value, "resourceType").is_none() => {
                Element { value: Some(value), sibling: None, kind: Some(kind), resource: None }
            }
            _ => Element::resource(value),
        };
        Some(work(&sight.env(focus)))
    }
}

impl Rule for Invariants {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let holds =
            self.with(scope, value, |env| self.list.iter().all(|i| i.finding(env).is_none()));
        holds.unwrap_or(true)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let all = self.with(scope, value, |env| {
            self.list.iter().filter_map(|invariant| invariant.finding(env)).collect()
        });
        all.unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    /// Key and expression of every constraint below.
    fn constraints(value: &Value, found: &mut HashSet<(String, String)>) {
        if let (Some(key), Some(expression)) =
            (value.at("key").as_str(), value.at("expression").as_str())
        {
            found.insert((key.to_owned(), expression.to_owned()));
        }
        match value {
            Value::Object(object) => object.values().for_each(|v| constraints(v, found)),
            Value::Array(list) => list.iter().for_each(|v| constraints(v, found)),
            _ => {}
        }
    }

    #[test]
    fn every_constraint_of_the_standard_has_its_text() {
        let mut found = HashSet::new();
        for (path, content) in embedded::files() {
            let folder = path.split('/').next().unwrap();
            if ["datatype", "resource", "structure-definition"].contains(&folder) {
                for value in serde_json::Deserializer::from_slice(content).into_iter::<Value>() {
                    constraints(&value.unwrap(), &mut found);
                }
            }
        }
        found.retain(|(key, _)| !ELSEWHERE.contains(&key.as_str()));
        assert!(found.len() > 200);
        let held: HashSet<_> = TEXT.keys().cloned().collect();
        assert_eq!(found, held);
    }
}
