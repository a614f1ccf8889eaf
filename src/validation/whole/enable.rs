//! Whether a question is to be asked, by the answers to others.
//!
//! Source: <http://hl7.org/fhir/R4/questionnaire-definitions.html#Questionnaire.item.enableWhen>.

use std::cmp::Ordering;
use std::collections::HashMap;

use serde_json::Value;

use super::response::{link, list};
use crate::fhir::json::At;
use crate::validation::fhirpath::order_of;

/// The answers of a response, by the linkId of their item.
pub(super) struct Answers<'v>(HashMap<&'v str, Vec<&'v Value>>);

/// How deep items may nest.
const MAX_DEPTH: usize = 64;

impl<'v> Answers<'v> {
    pub(super) fn of(response: &'v Value) -> Self {
        let mut answers = Self(HashMap::new());
        answers.collect(response, 0);
        answers
    }

    fn collect(&mut self, part: &'v Value, depth: usize) {
        if depth > MAX_DEPTH {
            return;
        }
        for item in list(part, "item") {
            let own = self.0.entry(link(item)).or_default();
            own.extend(list(item, "answer").filter_map(value));
            self.collect(item, depth + 1);
            for answer in list(item, "answer") {
                self.collect(answer, depth + 1);
            }
        }
    }

    fn get(&self, link: &str) -> &[&'v Value] {
        self.0.get(link).map_or(&[], Vec::as_slice)
    }
}

/// The value of an answer, whatever its type.
pub(super) fn value(answer: &Value) -> Option<&Value> {
    let object = answer.as_object()?;
    object.iter().find(|(name, _)| name.starts_with("value")).map(|(_, value)| value)
}

/// Whether the question is to be asked.
pub(super) fn is_enabled(question: &Value, answers: &Answers<'_>) -> bool {
    let mut conditions = list(question, "enableWhen").peekable();
    if conditions.peek().is_none() {
        return true;
    }
    if question.at("enableBehavior") == "all" {
        conditions.all(|condition| is_met(condition, answers))
    } else {
        conditions.any(|condition| is_met(condition, answers))
    }
}

fn is_met(condition: &Value, answers: &Answers<'_>) -> bool {
    let given = answers.get(condition.at("question").as_str().unwrap_or_default());
    let operator = condition.at("operator").as_str().unwrap_or_default();
    let object = condition.as_object();
    let wanted = object.and_then(|o| o.iter().find(|(name, _)| name.starts_with("answer")));
    let Some((name, wanted)) = wanted else { return true };
    if operator == "exists" {
        return wanted.as_bool().is_none_or(|wanted| wanted != given.is_empty());
    }
    let kind = name.strip_prefix("answer").unwrap_or_default();
    let is = |given: &&Value| compare(given, wanted, kind);
    match operator {
        "=" => given.iter().any(|g| is(g) == Some(Ordering::Equal)),
        // Not one of the answers is that value; without answers nothing is.
        "!=" => !given.iter().any(|g| is(g) == Some(Ordering::Equal)),
        "<" => given.iter().any(|g| is(g) == Some(Ordering::Less)),
        ">" => given.iter().any(|g| is(g) == Some(Ordering::Greater)),
        "<=" => given.iter().any(|g| matches!(is(g), Some(Ordering::Less | Ordering::Equal))),
        ">=" => given.iter().any(|g| matches!(is(g), Some(Ordering::Greater | Ordering::Equal))),
        _ => true,
    }
}

/// The order of an answer and a value of that type; equal or nothing for what has no order.
pub(super) fn compare(given: &Value, wanted: &Value, kind: &str) -> Option<Ordering> {
    if kind == "Coding" || kind == "Reference" {
        let names: &[&str] = if kind == "Coding" { &["system", "code"] } else { &["reference"] };
        let same = names.iter().all(|name| given.at(name) == wanted.at(name));
        return same.then_some(Ordering::Equal);
    }
    order_of(given, wanted, kind)
}
