//! The values that a search parameter finds, by its published FHIRPath over each resource.
//!
//! Written apart from the index: the expression is taken apart as text and given to a FHIRPath
//! engine. The engine knows neither types nor other resources, so that choices are named as they
//! stand in JSON, and the type that a reference points to is read from its text.

use rh_fhirpath::{EvaluationContext, FhirPathEvaluator, FhirPathExpression, FhirPathParser};
use rust_decimal::Decimal;
use serde_json::Value;
use spondyl::definitions::search_parameter::SearchParameter;

/// The types that the choices of the clinic's resources have.
const CHOICES: [(&str, &[&str]); 7] = [
    ("effective", &["DateTime", "Period"]),
    ("performed", &["DateTime", "Period"]),
    ("onset", &["DateTime", "Period", "String"]),
    ("deceased", &["Boolean", "DateTime"]),
    ("value", &["Quantity", "CodeableConcept", "String", "Reference"]),
    ("probability", &["Decimal"]),
    ("occurrence", &["DateTime", "Period"]),
];

/// One alternative of an expression.
struct Path {
    /// What the engine evaluates.
    text: String,
    /// The type that a reference must point to.
    target: Option<String>,
}

/// What finds the values of a parameter in resources of one type.
pub(crate) struct Extraction {
    paths: Vec<(FhirPathExpression, Option<String>)>,
}

impl Extraction {
    /// With `logical`, whatever type a reference points to: where only an identifier is known,
    /// `resolve()` finds nothing, and yet `:identifier` is for these.
    pub(crate) fn of(parameter: &SearchParameter, kind: &str, logical: bool) -> Self {
        let paths = paths(parameter.expression.as_deref().unwrap(), kind).into_iter();
        let paths = paths.map(|path| {
            let parsed = FhirPathParser::new().parse(&path.text);
            let parsed = parsed.unwrap_or_else(|e| panic!("{}: {e}", path.text));
            (parsed, path.target.filter(|_| !logical))
        });
        Self { paths: paths.collect() }
    }

    /// The values in a resource.
    pub(crate) fn values(&self, resource: &Value) -> Vec<Value> {
        let mut found = Vec::new();
        for (expression, target) in &self.paths {
            let of_target = |value: &Value| match target {
                Some(target) => points_to(value, target),
                None => true,
            };
            found.extend(evaluate(expression, resource).into_iter().filter(of_target));
        }
        found
    }
}

fn evaluate(expression: &FhirPathExpression, resource: &Value) -> Vec<Value> {
    let context = EvaluationContext::new(resource.clone());
    let value = FhirPathEvaluator::new().evaluate(expression, &context);
    let found = match value.unwrap_or_else(|e| panic!("{expression}: {e}")).to_json() {
        Value::Array(items) => items,
        Value::Null => Vec::new(),
        one => vec![one],
    };
    found.into_iter().map(exact).collect()
}

/// The engine gives decimals as binary fractions; the clinic's have two places at most.
fn exact(value: Value) -> Value {
    if !value.is_number() {
        return value;
    }
    let number = Decimal::from_str_exact(&value.to_string()).unwrap().round_dp(6).normalize();
    serde_json::from_str(&number.to_string()).unwrap()
}

fn points_to(reference: &Value, kind: &str) -> bool {
    let Some(text) = reference["reference"].as_str() else { return false };
    let text = text.split("/_history/").next().unwrap();
    text.rsplit('/').nth(1) == Some(kind)
}

/// The alternatives that are about the type.
fn paths(expression: &str, kind: &str) -> Vec<Path> {
    let mut paths = Vec::new();
    for part in split(expression) {
        let part = part.trim();
        let bare = part.trim_start_matches('(');
        let head = bare.split(['.', ' ', ')']).next().unwrap();
        if head != kind && head != "Resource" {
            continue;
        }
        let own = part.replacen(head, kind, 1);
        let (own, target) = without_target(&own);
        paths.extend(named(&own).into_iter().map(|text| Path { text, target: target.clone() }));
    }
    paths
}

/// The parts between bars that stand outside of parentheses.
fn split(expression: &str) -> Vec<&str> {
    let (mut parts, mut depth, mut start) = (Vec::new(), 0, 0);
    for (at, letter) in expression.char_indices() {
        match letter {
            '(' => depth += 1,
            ')' => depth -= 1,
            '|' if depth == 0 => {
                parts.push(&expression[start..at]);
                start = at + 1;
            }
            _ => {}
        }
    }
    parts.push(&expression[start..]);
    parts
}

fn without_target(text: &str) -> (String, Option<String>) {
    const TEST: &str = ".where(resolve() is ";
    let Some(at) = text.find(TEST) else { return (text.to_owned(), None) };
    let rest = &text[at + TEST.len()..];
    let (target, after) = rest.split_once(')').unwrap();
    (format!("{}{after}", &text[..at]), Some(target.to_owned()))
}

/// The expressions with choices under their names in JSON.
fn named(text: &str) -> Vec<String> {
    let text = text.replace(".as(", " as ").replace(".ofType(", " as ");
    if let Some((path, kind)) = text.split_once(" as ") {
        let (kind, rest) = kind.split_once(')').unwrap_or((kind, ""));
        let path = path.trim_start_matches('(');
        let capital = kind[..1].to_uppercase() + &kind[1..];
        return vec![format!("{path}{capital}{rest}")];
    }
    for (choice, types) in CHOICES {
        let names: Vec<String> = types.iter().map(|kind| format!("{choice}{kind}")).collect();
        let member = format!(".{choice}");
        if text.ends_with(&member) {
            let path = &text[..text.len() - choice.len()];
            return names.iter().map(|name| format!("{path}{name}")).collect();
        }
        // In the middle of an expression, such as that of `deceased`.
        if text.contains(&format!("{member}.exists()")) {
            let (head, _) = text.split_once(&member).unwrap();
            let head = head.trim_start_matches('(');
            let union: Vec<String> = names.iter().map(|name| format!("{head}.{name}")).collect();
            let union = format!("({})", union.join(" | "));
            return vec![text.replace(&format!("{head}{member}"), &union)];
        }
    }
    vec![text]
}
