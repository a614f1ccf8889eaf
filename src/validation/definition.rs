//! A StructureDefinition as content: whether its profile could be used here.
//!
//! The rules for its own elements are those of its type; this is about what it says of others: that
//! its elements are those of its base, that it narrows, that something can meet it.
//! Source: <http://hl7.org/fhir/R4/profiling.html>.

use std::sync::Arc;

use serde_json::Value;

use super::finding::Finding;
use super::scope::Scope;
use crate::fhir::IssueType;
use crate::fhir::json::At;

/// What is wrong with the profile in a StructureDefinition; nothing for any other resource.
pub(super) fn findings(scope: &Scope, value: &Value) -> Vec<Finding> {
    let is_profile =
        value.at("resourceType") == "StructureDefinition" && value.at("derivation") == "constraint";
    if !is_profile {
        return Vec::new();
    }
    let has_elements = ["/differential/element", "/snapshot/element"]
        .iter()
        .any(|list| value.pointer(list).is_some_and(Value::is_array));
    let of_r4 = value.at("fhirVersion").as_str().is_none_or(|version| version.starts_with("4.0"));
    if !has_elements || !of_r4 || value.at("kind") == "logical" {
        return Vec::new();
    }
    if let Some(base) = value.at("baseDefinition").as_str()
        && !scope.catalog.is_defined(base)
    {
        let text = "The base is not known here, so the profile was not held to it.";
        return vec![Finding::warning(IssueType::NotFound, text).below(".baseDefinition")];
    }
    let faults = scope.catalog.faults_of(&Arc::new(value.clone()));
    let say = |message: String| {
        let (path, message) = place(value, &message);
        Finding::error(IssueType::BusinessRule, message).below(&path)
    };
    faults.into_iter().map(|fault| say(fault.message)).collect()
}

/// The element of the differential that a fault names first, and what is wrong with it.
fn place(definition: &Value, message: &str) -> (String, String) {
    let id = message.split(' ').next().unwrap_or_default();
    let list = definition.pointer("/differential/element").and_then(Value::as_array);
    let mut list = list.into_iter().flatten();
    let at = list.position(|element| element.at("id") == id || element.at("path") == id);
    match at {
        Some(at) => (format!(".differential.element[{at}]"), format!("{message}.")),
        None => (String::new(), format!("The profile cannot be used: {message}.")),
    }
}
