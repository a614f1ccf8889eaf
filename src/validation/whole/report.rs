//! A report on a Measure, held to its Measure.
//!
//! Groups, populations and stratifiers are found by their codes (or stand alone); scores are there
//! where the scoring gives one; lists of subjects only in reports that list them, as long as their
//! counts. Where the Measure is not at hand a remark says so.
//! Source: <http://hl7.org/fhir/R4/measurereport.html>.

use serde_json::Value;

use super::response::list;
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

pub(super) fn rules(scope: &Scope, report: &Value) -> Vec<Finding> {
    let Some(canonical) = report.at("measure").as_str() else { return Vec::new() };
    let Some(target) = scope.definition(canonical) else {
        let text = "The Measure is not known here, so the report was not held to it.";
        let finding = Finding::warning(IssueType::NotFound, text).rule(canonical);
        return vec![finding.message(Message::DefinitionUnknown).below(".measure")];
    };
    let measure = target.value();
    if measure.at("resourceType") != "Measure" {
        return vec![error("The canonical must be that of a Measure.").below(".measure")];
    }
    let mut found = Vec::new();
    let asked: Vec<&Value> = list(measure, "group").collect();
    let given: Vec<&Value> = list(report, "group").collect();
    for (at, group) in given.iter().enumerate() {
        let place = format!(".group[{at}]");
        match counterpart(group, &asked, given.len()) {
            Some(wanted) => {
                let own = self::group(scope, group, wanted, measure);
                found.extend(own.into_iter().map(|finding| finding.below(&place)));
            }
            None => found.push(error("The Measure has no group of that code.").below(&place)),
        }
    }
    if report.at("type") != "subject-list" {
        found.extend(listed(&given));
    }
    // Data are collected before there is anything to report on.
    if report.at("type") != "data-collection" {
        let is_missing = |wanted: &&&Value| {
            !given.iter().any(|group| {
                counterpart(group, &asked, given.len())
                    .is_some_and(|found| std::ptr::eq(found, **wanted))
            })
        };
        let missing = asked.iter().filter(is_missing).count();
        if missing > 0 {
            found.push(error("A group of the Measure is missing in the report."));
        }
    }
    found
}

fn error(text: &str) -> Finding {
    Finding::error(IssueType::BusinessRule, text).rule("measure-report").message(Message::Report)
}

/// Whether the two concepts have a coding in common, or the same text where there are none.
fn is_same(a: &Value, b: &Value) -> bool {
    let codings: Vec<&Value> = list(b, "coding").collect();
    list(a, "coding").any(|one| {
        codings.iter().any(|o| o.at("code") == one.at("code") && o.at("system") == one.at("system"))
    }) || a.get("coding").is_none() && !a.at("text").is_null() && a.at("text") == b.at("text")
}

/// What a part of the report reports on: by code, or the only one where neither has a code.
fn counterpart<'m>(part: &Value, asked: &[&'m Value], count: usize) -> Option<&'m Value> {
    let code = part.at("code");
    if code.is_null() {
        return match asked {
            [only] if count == 1 => Some(only),
            _ => None,
        };
    }
    asked.iter().find(|wanted| is_same(code, wanted.at("code"))).copied()
}

fn group(scope: &Scope, group: &Value, wanted: &Value, measure: &Value) -> Vec<Finding> {
    let mut found = Vec::new();
    let scoring = list(measure.at("scoring"), "coding").find_map(|c| c.at("code").as_str());
    if scoring == Some("cohort") && group.get("measureScore").is_some() {
        let text = "A Measure that is scored by cohort has no score.";
        found.push(error(text).below(".measureScore"));
    }
    found.extend(populations(scope, group, wanted));
    let stratifiers: Vec<&Value> = list(wanted, "stratifier").collect();
    for (at, stratifier) in list(group, "stratifier").enumerate() {
        let codes = list(stratifier, "code").chain(Some(stratifier.at("code")));
        let is_known = codes
            .filter(|code| code.is_object())
            .any(|code| stratifiers.iter().any(|wanted| is_same(code, wanted.at("code"))));
        let has_codes = stratifiers.iter().any(|wanted| wanted.get("code").is_some());
        let place = format!(".stratifier[{at}]");
        if !is_known && (has_codes || stratifiers.is_empty()) {
            found.push(error("The Measure has no stratifier of that code.").below(&place));
        }
    }
    found
}

fn populations(scope: &Scope, part: &Value, wanted: &Value) -> Vec<Finding> {
    let asked: Vec<&Value> = list(wanted, "population").collect();
    let given: Vec<&Value> = list(part, "population").collect();
    let mut found = Vec::new();
    for (at, population) in given.iter().enumerate() {
        let place = format!(".population[{at}]");
        if counterpart(population, &asked, given.len()).is_none() {
            found.push(error("The Measure has no population of that code.").below(&place));
        }
        let subjects = population.at("subjectResults").at("reference").as_str();
        let subjects = subjects.and_then(|reference| scope.resolve(reference).found());
        let listed = subjects.map(|list| list.value().at("entry").as_array().map_or(0, Vec::len));
        let count = population.at("count").as_u64().and_then(|count| usize::try_from(count).ok());
        if listed.is_some_and(|listed| count.is_some_and(|count| count != listed)) {
            let text = "The count must be that of the subjects that are listed.";
            found.push(error(text).below(&format!("{place}.count")));
        }
    }
    found
}

/// Populations that list their subjects.
fn listed(groups: &[&Value]) -> Vec<Finding> {
    let mut found = Vec::new();
    for (at, group) in groups.iter().enumerate() {
        for (number, population) in list(group, "population").enumerate() {
            if population.get("subjectResults").is_some() {
                let text = "Only a report of the type subject-list lists its subjects.";
                let place = format!(".group[{at}].population[{number}].subjectResults");
                found.push(error(text).below(&place));
            }
        }
    }
    found
}
