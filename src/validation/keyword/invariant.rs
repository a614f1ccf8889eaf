//! `x-invariant`: constraints in FHIRPath, each parsed once.
//!
//! Evaluated on the value that they stand on. Those of the core types are carried in the schemas
//! and not yet evaluated; those of profiles are.
//! Source: <http://hl7.org/fhir/R4/conformance-rules.html#constraints>.

use rh_fhirpath::{
    EvaluationContext, FhirPathEvaluator, FhirPathExpression, FhirPathParser, FhirPathValue,
};
use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

thread_local! {
    static EVALUATOR: FhirPathEvaluator = FhirPathEvaluator::new();
}

struct Invariants(Vec<Invariant>);

struct Invariant {
    key: String,
    is_error: bool,
    text: String,
    expression: FhirPathExpression,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let list = value.as_array().ok_or("an array of constraints is expected")?;
    if site.context.profile.is_none() {
        return Ok(Box::new(Invariants(Vec::new())));
    }
    Ok(Box::new(Invariants(list.iter().map(Invariant::new).collect::<Result<_, _>>()?)))
}

impl Invariant {
    fn new(value: &Value) -> Result<Self, String> {
        let text = |key: &str| value[key].as_str().map(str::to_owned);
        let key = text("key").ok_or("a constraint has a key")?;
        let source = text("expression").ok_or("a constraint has an expression")?;
        let parsed = FhirPathParser::new().parse(&source);
        let expression = parsed.map_err(|error| format!("{key}: {error}"))?;
        let human = text("human").unwrap_or_else(|| format!("It must hold: {source}"));
        Ok(Self { is_error: value["severity"] != "warning", text: human, key, expression })
    }

    fn holds(&self, context: &EvaluationContext) -> bool {
        let answer = EVALUATOR.with(|evaluator| evaluator.evaluate(&self.expression, context));
        // Nothing, or what cannot be evaluated on this value, is not a breach.
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

impl Rule for Invariants {
    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        if self.0.is_empty() || value.is_null() {
            return Vec::new();
        }
        let context = EvaluationContext::new(value.clone());
        let broken = self.0.iter().filter(|invariant| !invariant.holds(&context));
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
