//! `CodeSystem/$lookup`: what a code system says of a code.
//!
//! For the HTTP layer: type level only (`CodeSystem/[id]/$lookup` is not defined in R4). `code` and
//! `system` (with `version`), or `coding`; `displayLanguage`; `property` repeats; refuse `date` with
//! `not-supported`. The answer is a Parameters resource, 200; a system or code that is not held is
//! 404 `not-found` with an OperationOutcome.
//! Source: <http://hl7.org/fhir/R4/codesystem-operation-lookup.html>.

use serde_json::Value;

use super::coded::{Code, Coded};
use super::concepts::Concept;
use super::parameters::Parameters;
use super::validate_code::display_in;
use super::{CodeSystem, Terminology, TerminologyError, ucum};

/// What is asked for.
#[derive(Clone)]
pub struct LookupRequest<'a> {
    /// The code.
    pub coded: Coded<'a>,
    /// The language of the display (BCP 47).
    pub display_language: Option<&'a str>,
    /// The properties to give; empty for all. `designation`, `parent`, `child` and `lang.x` are
    /// among the names.
    pub property: Vec<&'a str>,
}

/// What is known of the code: Parameters.
///
/// # Errors
/// [`TerminologyError`]: `not-found` for a system that is not held and a code that it has not.
pub fn lookup(
    terminology: &Terminology,
    request: &LookupRequest<'_>,
) -> Result<Value, TerminologyError> {
    let code = request.coded.code()?;
    let url = code.system()?;
    if url == ucum::SYSTEM && terminology.code_system(url).is_none() {
        return unit(code);
    }
    let system = terminology.find_system(url, code.version)?;
    let concept = system.concept(code.code).ok_or_else(|| {
        let part = if system.is_complete() { "" } else { ", of which only a part is held" };
        TerminologyError::not_found(format!("the code system {url}{part}, has no such code"))
    })?;
    Ok(describe(system, concept, request))
}

fn unit(code: Code<'_>) -> Result<Value, TerminologyError> {
    ucum::check(code.code).map_err(|unknown| TerminologyError::not_found(unknown.message))?;
    let mut parameters = Parameters::default();
    parameters.string("name", Some("UCUM"));
    parameters.value(
        "display",
        "valueString",
        ucum::display(code.code).unwrap_or(code.code.to_owned()),
    );
    Ok(parameters.resource())
}

fn describe(system: &CodeSystem, concept: Concept<'_>, request: &LookupRequest<'_>) -> Value {
    let wanted = |name: &str| request.property.is_empty() || request.property.contains(&name);
    let mut parameters = Parameters::default();
    parameters.string("name", Some(&system.name));
    parameters.string("version", system.version.as_deref());
    let display = display_in(concept, system, request.display_language);
    parameters.string("display", Some(display.unwrap_or(concept.code())));
    for name in concept.designations() {
        let spoken = name.language.map(|language| format!("lang.{language}"));
        if !wanted("designation") && !spoken.is_some_and(|lang| wanted(&lang)) {
            continue;
        }
        let mut parts = Parameters::default();
        if let Some(language) = name.language {
            parts.value("language", "valueCode", language);
        }
        if let Some(usage) = name.usage() {
            parts.value("use", "valueCoding", usage);
        }
        parts.string("value", Some(name.value));
        parameters.parts("designation", parts);
    }
    if let Some(definition) = concept.definition().filter(|_| wanted("definition")) {
        property(&mut parameters, "definition", ("valueString", definition.into()), None);
    }
    for held in concept.properties().filter(|held| wanted(held.name)) {
        property(&mut parameters, held.name, held.value(), None);
    }
    // Said of every concept that is so, whatever the system's own word for it.
    let own = |name: &str| concept.properties().any(|held| held.name == name);
    if concept.is_inactive() && wanted("inactive") && !own("inactive") {
        property(&mut parameters, "inactive", ("valueBoolean", true.into()), None);
    }
    if wanted("parent") {
        for parent in concept.parents() {
            let code = ("valueCode", parent.code().into());
            property(&mut parameters, "parent", code, parent.display());
        }
    }
    if wanted("child") {
        for child in concept.children() {
            property(&mut parameters, "child", ("valueCode", child.code().into()), child.display());
        }
    }
    parameters.resource()
}

fn property(
    parameters: &mut Parameters,
    name: &str,
    (key, value): (&str, Value),
    description: Option<&str>,
) {
    let mut parts = Parameters::default();
    parts.value("code", "valueCode", name);
    parts.value("value", key, value);
    parts.string("description", description);
    parameters.parts("property", parts);
}
