//! `x-invariant`: constraints in FHIRPath, each parsed once.
//!
//! Evaluated on the value that they stand on: in place where that can be done, otherwise by the
//! engine.
//! Source: <http://hl7.org/fhir/R4/conformance-rules.html#constraints>.

use std::cell::OnceCell;
use std::collections::HashSet;
use std::sync::Arc;

use rh_fhirpath::{
    EvaluationContext, FhirPathEvaluator, FhirPathExpression, FhirPathParser, FhirPathValue,
};
use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::fhir::json::At;
use crate::validation::catalog::Context;
use crate::validation::fhirpath;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

thread_local! {
    static EVALUATOR: FhirPathEvaluator = FhirPathEvaluator::new();
}

/// Constraints whose expressions cannot be evaluated as they stand, or that the structure holds to:
/// see `resource` (dom), `narrative` (txt) and `reference` (ref-1).
const ELSEWHERE: [&str; 8] =
    ["dom-2", "dom-3", "dom-4", "dom-5", "dom-6", "txt-1", "txt-2", "ref-1"];

struct Invariants {
    list: Vec<Invariant>,
    /// The members that the expressions can see; none where they may see any.
    members: Option<HashSet<String>>,
    context: Arc<Context>,
}

struct Invariant {
    key: String,
    is_error: bool,
    text: String,
    /// Whether it speaks of the resource around the value, which only a root is.
    needs_root: bool,
    /// Whether it speaks of what only the caller knows (%rootResource, %context).
    needs_caller: bool,
    expression: FhirPathExpression,
    /// The same, to be evaluated in place.
    quick: Option<fhirpath::Node>,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let list = value.as_array().ok_or("an array of constraints is expected")?;
    let key = |constraint: &Value| constraint.at("key").as_str().unwrap_or_default().to_owned();
    let list: Vec<&Value> = list.iter().filter(|c| !ELSEWHERE.contains(&&*key(c))).collect();
    let sources = list.iter().filter_map(|constraint| constraint.at("expression").as_str());
    let members = sources.map(members).collect::<Option<Vec<_>>>();
    Ok(Box::new(Invariants {
        list: list.into_iter().map(Invariant::new).collect::<Result<_, _>>()?,
        members: members.map(|sets| sets.into_iter().flatten().collect()),
        context: Arc::clone(site.context),
    }))
}

/// The names in an expression; none where it looks at members without naming them.
fn members(expression: &str) -> Option<HashSet<String>> {
    let is_part = |c: char| c.is_ascii_alphanumeric() || c == '_';
    let names = expression.split(|c: char| !is_part(c)).filter(|name| !name.is_empty());
    let names: HashSet<String> = names.map(str::to_owned).collect();
    let any = ["children", "descendants", "repeat", "hasValue", "memberOf", "conformsTo"];
    let sees_any = any.iter().any(|name| names.contains(*name));
    (!sees_any && !expression.contains(['$', '%'])).then_some(names)
}

impl Invariant {
    fn new(value: &Value) -> Result<Self, String> {
        let text = |key: &str| value.at(key).as_str().map(str::to_owned);
        let key = text("key").ok_or("a constraint has a key")?;
        let source = text("expression").ok_or("a constraint has an expression")?;
        let parsed = FhirPathParser::new().parse(&source);
        let expression = parsed.map_err(|error| format!("{key}: {error}"))?;
        let human = text("human").unwrap_or_else(|| format!("It must hold: {source}"));
        let quick = fhirpath::compile(&expression.root);
        Ok(Self {
            quick,
            needs_root: source.contains("%resource"),
            needs_caller: source.contains("%rootResource") || source.contains("%context"),
            is_error: value.at("severity") != "warning",
            text: human,
            key,
            expression,
        })
    }

    /// The answer of the engine. Nothing, or what cannot be evaluated on this value, is no breach.
    fn holds_by_engine(&self, context: &EvaluationContext) -> bool {
        let answer = EVALUATOR.with(|evaluator| evaluator.evaluate(&self.expression, context));
        answer.map_or(true, |answer| !is_false(&answer))
    }
}

fn is_false(value: &FhirPathValue) -> bool {
    match value {
        FhirPathValue::Boolean(answer) => !answer,
        FhirPathValue::Collection(items) => matches!(items.as_slice(), [only] if is_false(only)),
        _ => false,
    }
}

impl Invariants {
    /// What the expressions need of the value. The engine copies its context at every step, so a
    /// small one is the difference between microseconds and tens of them.
    fn seen(&self, value: &Value) -> Value {
        let (Some(members), Value::Object(object)) = (&self.members, value) else {
            return value.clone();
        };
        let is_seen = |key: &str| {
            let name = key.strip_prefix('_').unwrap_or(key);
            // A choice element is named without its type.
            let mut stems = name.char_indices().skip(1).filter(|(_, c)| c.is_ascii_uppercase());
            key == "resourceType"
                || members.contains(name)
                || stems.any(|(at, _)| name.get(..at).is_some_and(|stem| members.contains(stem)))
        };
        let kept = object.iter().filter(|(key, _)| is_seen(key));
        Value::Object(kept.map(|(key, value)| (key.clone(), value.clone())).collect())
    }
}

impl Rule for Invariants {
    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        if self.list.is_empty() || value.is_null() {
            return Vec::new();
        }
        let env = fhirpath::Env { focus: value, context: &self.context };
        let engine = OnceCell::new();
        let is_root = value.get("resourceType").is_some();
        let can_be_told = |i: &&Invariant| !i.needs_caller && (is_root || !i.needs_root);
        let broken = self.list.iter().filter(can_be_told).filter(|invariant| {
            let quick = invariant.quick.as_ref().and_then(|quick| quick.holds(&env));
            !quick.unwrap_or_else(|| {
                let engine = engine.get_or_init(|| EvaluationContext::new(self.seen(value)));
                invariant.holds_by_engine(engine)
            })
        });
        let say = |invariant: &Invariant| {
            let (code, text) = (IssueType::Invariant, invariant.text.as_str());
            let finding = if invariant.is_error {
                Finding::error(code, text)
            } else {
                Finding::warning(code, text)
            };
            finding.rule(&invariant.key)
        };
        broken.map(say).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn only_what_the_expressions_name_is_seen() {
        let list = |expression: &str| Invariants {
            list: Vec::new(),
            members: members(expression),
            context: Arc::default(),
        };
        let value = json!({ "resourceType": "Observation", "valueQuantity": {}, "_value": {},
            "status": "final", "note": [], "dataAbsentReason": {} });
        let seen = list("value.exists() != dataAbsentReason.exists()").seen(&value);
        let names: Vec<&String> = seen.as_object().unwrap().keys().collect();
        assert_eq!(names, ["resourceType", "valueQuantity", "_value", "dataAbsentReason"]);
        for all in ["children().exists()", "$this.exists()", "%resource.status.exists()"] {
            assert_eq!(list(all).seen(&value), value, "{all}");
        }
    }
}
