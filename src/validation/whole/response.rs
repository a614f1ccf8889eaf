//! A response, held to its Questionnaire.
//!
//! Items are those of the Questionnaire, in its order and nesting; what is required is answered,
//! what does not repeat is answered once; items that are not enabled have no answers. A response
//! in progress need not be complete. Where the Questionnaire is not at hand a remark says so.
//! Source: <http://hl7.org/fhir/R4/questionnaireresponse.html#link>,
//! <http://hl7.org/fhir/R4/questionnaire.html>.

use std::collections::HashMap;

use serde_json::Value;

use super::answer;
use super::enable::{Answers, is_enabled};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};
use crate::validation::finding::Finding;
use crate::validation::resolve::Target;
use crate::validation::scope::Scope;

/// How deep items may nest.
const MAX_DEPTH: usize = 32;

pub(super) fn rules(scope: &Scope, response: &Value) -> Vec<Finding> {
    let Some(canonical) = response.at("questionnaire").as_str() else { return Vec::new() };
    let Some(target) = scope.definition(canonical) else {
        if scope.catalog.is_other_definition(canonical) {
            return vec![wrong_type()];
        }
        let text = "The Questionnaire is not known here, so the answers were not held to it.";
        let finding = Finding::warning(IssueType::NotFound, text).rule(canonical);
        return vec![finding.message(Message::DefinitionUnknown).below(".questionnaire")];
    };
    let questionnaire = target.value();
    if questionnaire.at("resourceType") != "Questionnaire" {
        return vec![wrong_type()];
    }
    // Only what is finished must be complete.
    let status = response.at("status").as_str().unwrap_or_default();
    let is_complete = ["completed", "amended"].contains(&status);
    let answers = Answers::of(response);
    let check = Check { scope, source: &target, is_complete, answers: &answers };
    check.items(questionnaire, response, 0)
}

fn wrong_type() -> Finding {
    let text = "The canonical must be that of a Questionnaire.";
    error(IssueType::Invalid, text).below(".questionnaire")
}

pub(super) fn error(code: IssueType, text: impl Into<String>) -> Finding {
    Finding::error(code, text).rule("questionnaire").message(Message::Answers)
}

struct Check<'c> {
    scope: &'c Scope,
    source: &'c Target,
    is_complete: bool,
    answers: &'c Answers<'c>,
}

pub(super) fn list<'v>(value: &'v Value, name: &str) -> impl Iterator<Item = &'v Value> {
    value.at(name).as_array().into_iter().flatten()
}

pub(super) fn link(item: &Value) -> &str {
    item.at("linkId").as_str().unwrap_or_default()
}

impl Check<'_> {
    /// The items below `given`, a part of the response, held to those below `asked`.
    fn items(&self, asked: &Value, given: &Value, depth: usize) -> Vec<Finding> {
        if depth > MAX_DEPTH {
            return vec![error(IssueType::Structure, "Items nest too deep here.")];
        }
        let mut found = order(asked, given);
        let mut by_link: HashMap<&str, Vec<(usize, &Value)>> = HashMap::new();
        for (at, item) in list(given, "item").enumerate() {
            by_link.entry(link(item)).or_default().push((at, item));
        }
        for question in list(asked, "item") {
            let given = by_link.remove(link(question)).unwrap_or_default();
            found.extend(self.question(question, &given, depth));
        }
        let mut strays: Vec<usize> = by_link.into_values().flatten().map(|(at, _)| at).collect();
        strays.sort_unstable();
        found.extend(strays.into_iter().map(|at| {
            let text = "The Questionnaire has no item of that linkId here.";
            error(IssueType::NotFound, text).below(&format!(".item[{at}].linkId"))
        }));
        found
    }

    fn question(&self, question: &Value, given: &[(usize, &Value)], depth: usize) -> Vec<Finding> {
        let kind = question.at("type").as_str().unwrap_or_default();
        let (is_group, is_display) = (kind == "group", kind == "display");
        if !is_enabled(question, self.answers) {
            let has_content = |item: &&(usize, &Value)| {
                item.1.get("answer").is_some() || item.1.get("item").is_some()
            };
            return given
                .iter()
                .filter(has_content)
                .map(|(at, _)| {
                    let text =
                        "The item is not enabled by the other answers, so it must have none.";
                    error(IssueType::Invalid, text).below(&format!(".item[{at}]"))
                })
                .collect();
        }
        let mut found = self.counts(question, given, kind);
        for (at, item) in given {
            let place = format!(".item[{at}]");
            let mut say = |code: IssueType, text: &str| {
                found.push(error(code, text).below(&place));
            };
            if (is_group || is_display || kind == "question") && item.get("answer").is_some() {
                say(IssueType::Structure, "An item of that type must have no answers.");
                continue;
            }
            if !is_group && item.get("item").is_some() {
                say(IssueType::Structure, "What is below a question stands in its answer.");
            }
            if is_group || is_display {
                let below = self.items(question, item, depth + 1);
                found.extend(below.into_iter().map(|finding| finding.below(&place)));
                continue;
            }
            for (number, answer) in list(item, "answer").enumerate() {
                let place = format!("{place}.answer[{number}]");
                let own = answer::findings(self.scope, self.source, question, answer);
                let below = self.items(question, answer, depth + 1);
                found.extend(own.into_iter().chain(below).map(|finding| finding.below(&place)));
            }
        }
        found
    }

    /// How often there is an answer, or a group.
    fn counts(&self, question: &Value, given: &[(usize, &Value)], kind: &str) -> Vec<Finding> {
        let is_group = kind == "group";
        let answers = |item: &Value| list(item, "answer").count();
        let is_filled =
            |item: &Value| if is_group { item.get("item").is_some() } else { answers(item) > 0 };
        let count =
            if is_group { given.len() } else { given.iter().map(|(_, item)| answers(item)).sum() };
        let mut found = Vec::new();
        let place = given.first().map(|(at, _)| format!(".item[{at}]")).unwrap_or_default();
        let name = link(question);
        let is_name = name.len() <= 64
            && name.chars().all(|c| c.is_ascii_alphanumeric() || "-._/".contains(c));
        let name = if is_name { name } else { "of the Questionnaire" };
        let is_required = question.at("required") == true && kind != "display";
        if is_required && self.is_complete && !given.iter().any(|(_, item)| is_filled(item)) {
            let text = format!("The item {name} is required and has no answer.");
            found.push(error(IssueType::Required, text).below(&place));
        }
        if question.at("repeats") != true && count > 1 {
            let text = format!("The item {name} does not repeat, so it has one answer.");
            found.push(error(IssueType::Invalid, text).below(&place));
        }
        if !is_group && given.len() > 1 {
            let text = format!("All answers to the item {name} stand in one item.");
            found.push(error(IssueType::Structure, text).below(&place));
        }
        let limit = |name: &str| answer::extension(question, name).and_then(Value::as_u64);
        let count = u64::try_from(count).unwrap_or(u64::MAX);
        if let Some(most) = limit("questionnaire-maxOccurs").filter(|most| count > *most) {
            let text = format!("The item {name} has at most {most} answers.");
            found.push(error(IssueType::Invalid, text).below(&place));
        }
        let least = limit("questionnaire-minOccurs").filter(|least| count < *least);
        if let Some(least) =
            least.filter(|_| self.is_complete && (is_required || !given.is_empty()))
        {
            let text = format!("The item {name} has at least {least} answers.");
            found.push(error(IssueType::Invalid, text).below(&place));
        }
        found
    }
}

/// Items must stand in the order of the Questionnaire.
fn order(asked: &Value, given: &Value) -> Vec<Finding> {
    let places: HashMap<&str, usize> =
        list(asked, "item").enumerate().map(|(at, item)| (link(item), at)).collect();
    let mut last = 0;
    let mut found = Vec::new();
    for (at, item) in list(given, "item").enumerate() {
        let Some(place) = places.get(link(item)) else { continue };
        if *place < last {
            let text = "The items must stand in the order of the Questionnaire.";
            found.push(error(IssueType::Structure, text).below(&format!(".item[{at}]")));
        }
        last = last.max(*place);
    }
    found
}
