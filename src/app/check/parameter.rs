//! SearchParameter: one that an index can be made for.
//!
//! Source: <http://hl7.org/fhir/R4/searchparameter.html>.

use rh_fhirpath::FhirPathParser;

use super::fault;
use super::path::follow;
use crate::app::Standard;
use crate::definitions::canonical::Canonical;
use crate::definitions::model::Model;
use crate::definitions::search_parameter::SearchParameter;
use crate::fhir::Issue;
use crate::index::Rules;

pub(super) fn check(standard: &Standard, rules: &Rules, new: &Canonical) -> Vec<Issue> {
    let parameter = match SearchParameter::from_value(&new.value) {
        Ok(parameter) => parameter,
        Err(unusable) => {
            let place = format!("SearchParameter.{}", unusable.element);
            return vec![fault(place, unusable.to_string())];
        }
    };
    let expressions = parameter
        .components
        .iter()
        .enumerate()
        .map(|(at, part)| (format!("component[{at}].expression"), part.expression.as_str()))
        .chain(parameter.expression.as_deref().map(|own| ("expression".to_owned(), own)));
    let mut issues = Vec::new();
    for (place, source) in expressions {
        let place = format!("SearchParameter.{place}");
        if let Err(error) = FhirPathParser::new().parse(source) {
            issues.push(fault(place, format!("The expression is no FHIRPath: {error}.")));
        } else if let Some(path) = leads_nowhere(&standard.model, source) {
            issues.push(fault(place, format!("R4 has no element {path}.")));
        }
    }
    for (at, part) in parameter.components.iter().enumerate() {
        if standard.parameters.by_url(&part.definition).is_none() {
            let place = format!("SearchParameter.component[{at}].definition");
            issues.push(fault(place, "There is no such search parameter here."));
        }
    }
    if issues.is_empty()
        && let Err(message) = rules.check(&parameter)
    {
        issues
            .push(fault("SearchParameter.expression", format!("No index can be made: {message}.")));
    }
    issues
}

/// A plain path among the alternatives of the expression that no resource can have. Expressions of
/// another form are not judged.
fn leads_nowhere<'s>(model: &Model, source: &'s str) -> Option<&'s str> {
    source.split('|').map(str::trim).find(|path| {
        let is_name = |step: &str| {
            step.starts_with(|c: char| c.is_ascii_alphabetic())
                && step.chars().all(|c| c.is_ascii_alphanumeric())
        };
        let mut steps = path.split('.');
        let Some(kind) = steps.next().filter(|kind| model.contains(kind)) else { return false };
        path.split('.').all(is_name) && follow(model, kind, steps).is_err()
    })
}
