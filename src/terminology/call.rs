//! An operation called with a Parameters resource.
//!
//! Reads the parameters of each operation into its typed request, refuses what is missing, doubled
//! or not supported, and runs it. Strings serve for booleans, numbers and codes, so that the HTTP
//! layer can make the resource from a query ([`parameters`]) without knowing types. Parameters whose
//! names start with `_` (`_format`) are not the operation's and are passed over.
//! Source: <http://hl7.org/fhir/R4/operations.html#executing>, and the operations' own pages.

use serde_json::{Value, json};

use super::coded::{Code, Coded};
use super::expand::{ExpandRequest, ValueSetSource, expand};
use super::lookup::{LookupRequest, lookup};
use super::subsumes::{subsumes, subsumes_in};
use super::translate::{ConceptMapSource, TranslateRequest, translate};
use super::validate_code::{
    DisplayPolicy, ValidateCodeRequest, in_code_system, in_given_code_system, in_value_set,
};
use super::{CodeSystem, Terminology, TerminologyError};
use crate::fhir::IssueType;

/// The operations of terminology.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs, reason = "each variant is an operation of the standard")]
pub enum Operation {
    ValueSetExpand,
    ValueSetValidateCode,
    CodeSystemLookup,
    CodeSystemValidateCode,
    CodeSystemSubsumes,
    ConceptMapTranslate,
}

impl Operation {
    /// The operation of a resource type by its name without `$`.
    pub fn of(kind: &str, name: &str) -> Option<Self> {
        match (kind, name) {
            ("ValueSet", "expand") => Some(Self::ValueSetExpand),
            ("ValueSet", "validate-code") => Some(Self::ValueSetValidateCode),
            ("CodeSystem", "lookup") => Some(Self::CodeSystemLookup),
            ("CodeSystem", "validate-code") => Some(Self::CodeSystemValidateCode),
            ("CodeSystem", "subsumes") => Some(Self::CodeSystemSubsumes),
            ("ConceptMap", "translate") => Some(Self::ConceptMapTranslate),
            _ => None,
        }
    }

    /// The names of its parameters that are supported.
    pub(super) fn names(self) -> &'static str {
        match self {
            Self::ValueSetExpand => {
                "url valueSet valueSetVersion filter offset count includeDesignations designation \
                 includeDefinition activeOnly excludeNested excludeNotForUI excludePostCoordinated \
                 displayLanguage exclude-system system-version check-system-version \
                 force-system-version"
            }
            Self::ValueSetValidateCode => {
                "url valueSet valueSetVersion code system systemVersion display coding \
                 codeableConcept abstract displayLanguage"
            }
            Self::CodeSystemLookup => "code system version coding displayLanguage property",
            Self::CodeSystemValidateCode => {
                "url codeSystem code version display coding codeableConcept abstract \
                 displayLanguage"
            }
            Self::CodeSystemSubsumes => "codeA codeB system version codingA codingB",
            Self::ConceptMapTranslate => {
                "url conceptMap conceptMapVersion code system version source coding \
                 codeableConcept target targetsystem dependency reverse"
            }
        }
    }
}

/// How a call is made.
#[derive(Clone, Copy)]
pub struct Call<'a> {
    /// The operation.
    pub operation: Operation,
    /// The Parameters resource.
    pub parameters: &'a Value,
    /// The resource that the operation was called on, at instance level.
    pub instance: Option<&'a Value>,
    /// When it is answered (an instant).
    pub timestamp: &'a str,
    /// What a wrong display does to the answer of `$validate-code`.
    pub display_policy: DisplayPolicy,
}

/// The Parameters resource of a query's names and values.
pub fn parameters<'a>(query: impl Iterator<Item = (&'a str, &'a str)>) -> Value {
    let list = query.map(|(name, value)| json!({ "name": name, "valueString": value }));
    json!({ "resourceType": "Parameters", "parameter": list.collect::<Vec<_>>() })
}

/// Runs the operation: a ValueSet for `$expand`, else Parameters.
///
/// # Errors
/// [`TerminologyError`] for parameters that do not fit, and whatever the operation cannot answer.
pub fn call(terminology: &Terminology, call: Call<'_>) -> Result<Value, TerminologyError> {
    let given = Given::read(call)?;
    match call.operation {
        Operation::ValueSetExpand => {
            let canonical = given.canonical("url", "valueSetVersion")?;
            expand(terminology, &given.expand(canonical.as_deref())?)
        }
        Operation::ValueSetValidateCode => {
            let request = given.validate_code("systemVersion")?;
            let canonical = given.canonical("url", "valueSetVersion")?;
            in_value_set(terminology, given.value_set(canonical.as_deref())?, &request)
        }
        Operation::CodeSystemLookup => {
            let coded = given.coded("version")?;
            let display_language = given.text("displayLanguage")?;
            let property = given.texts("property");
            lookup(terminology, &LookupRequest { coded, display_language, property })
        }
        Operation::CodeSystemValidateCode => {
            let request = given.validate_code("version")?;
            match (given.resource("codeSystem")?.or(call.instance), given.text("url")?) {
                (Some(resource), None) => in_given_code_system(resource, &request),
                (None, Some(url)) => {
                    in_code_system(terminology, url, given.text("version")?, &request)
                }
                _ => Err(required("exactly one of url and codeSystem")),
            }
        }
        Operation::CodeSystemSubsumes => {
            let (a, b) = (given.end("codeA", "codingA")?, given.end("codeB", "codingB")?);
            let system = given.text("system")?;
            match call.instance {
                Some(instance) => subsumes_in(&CodeSystem::read(instance)?, system, a, b),
                None => subsumes(terminology, system, a, b),
            }
        }
        Operation::ConceptMapTranslate => {
            let canonical = given.canonical("url", "conceptMapVersion")?;
            translate(terminology, &given.translate(canonical.as_deref())?)
        }
    }
}

fn required(what: &str) -> TerminologyError {
    TerminologyError::new(IssueType::Required, format!("{what} is required"))
}

/// The parameters that were given.
struct Given<'a> {
    call: Call<'a>,
    list: Vec<(&'a str, &'a Value)>,
}

impl<'a> Given<'a> {
    fn read(call: Call<'a>) -> Result<Self, TerminologyError> {
        if call.parameters["resourceType"] != "Parameters" {
            return Err(TerminologyError::invalid("a Parameters resource is expected"));
        }
        let mut list = Vec::new();
        for parameter in call.parameters["parameter"].as_array().into_iter().flatten() {
            let Some(name) = parameter["name"].as_str() else {
                return Err(required("the name of each parameter"));
            };
            if name.starts_with('_') {
                continue;
            }
            if !call.operation.names().split_whitespace().any(|known| known == name) {
                let name: String = name.chars().take(40).collect();
                let message = format!("the parameter {name} is not supported");
                return Err(TerminologyError::not_supported(message));
            }
            list.push((name, parameter));
        }
        Ok(Self { call, list })
    }

    fn all(&self, name: &str) -> impl Iterator<Item = &'a Value> {
        self.list.iter().filter(move |(own, _)| *own == name).map(|(_, parameter)| *parameter)
    }

    fn one(&self, name: &str) -> Result<Option<&'a Value>, TerminologyError> {
        let mut all = self.all(name);
        match (all.next(), all.next()) {
            (found, None) => Ok(found),
            _ => Err(TerminologyError::invalid(format!("the parameter {name} comes twice"))),
        }
    }

    fn texts(&self, name: &str) -> Vec<&'a str> {
        self.all(name).filter_map(value).filter_map(Value::as_str).collect()
    }

    fn text(&self, name: &str) -> Result<Option<&'a str>, TerminologyError> {
        let Some(parameter) = self.one(name)? else { return Ok(None) };
        let text = value(parameter).and_then(Value::as_str).filter(|text| !text.is_empty());
        text.map(Some).ok_or_else(|| wrong(name, "a text"))
    }

    fn boolean(&self, name: &str) -> Result<Option<bool>, TerminologyError> {
        let Some(parameter) = self.one(name)? else { return Ok(None) };
        match value(parameter) {
            Some(Value::Bool(is)) => Ok(Some(*is)),
            Some(Value::String(text)) if text == "true" => Ok(Some(true)),
            Some(Value::String(text)) if text == "false" => Ok(Some(false)),
            _ => Err(wrong(name, "true or false")),
        }
    }

    fn number(&self, name: &str) -> Result<Option<usize>, TerminologyError> {
        let Some(parameter) = self.one(name)? else { return Ok(None) };
        let number = match value(parameter) {
            Some(Value::String(text)) => text.parse().ok(),
            Some(Value::Number(number)) => number.to_string().parse().ok(),
            _ => None,
        };
        number.map(Some).ok_or_else(|| wrong(name, "an integer from 0"))
    }

    fn object(&self, name: &str) -> Result<Option<&'a Value>, TerminologyError> {
        let Some(parameter) = self.one(name)? else { return Ok(None) };
        let object = value(parameter).filter(|value| value.is_object());
        object.map(Some).ok_or_else(|| wrong(name, "a Coding or a CodeableConcept"))
    }

    fn resource(&self, name: &str) -> Result<Option<&'a Value>, TerminologyError> {
        let Some(parameter) = self.one(name)? else { return Ok(None) };
        let resource = parameter.get("resource").filter(|value| value.is_object());
        resource.map(Some).ok_or_else(|| wrong(name, "a resource"))
    }

    fn canonical(&self, url: &str, version: &str) -> Result<Option<String>, TerminologyError> {
        Ok(match (self.text(url)?, self.text(version)?) {
            (Some(url), Some(version)) if !url.contains('|') => Some(format!("{url}|{version}")),
            (url, _) => url.map(str::to_owned),
        })
    }

    fn value_set<'c>(
        &self,
        canonical: Option<&'c str>,
    ) -> Result<ValueSetSource<'c>, TerminologyError>
    where
        'a: 'c,
    {
        match (canonical, self.resource("valueSet")?.or(self.call.instance)) {
            (Some(canonical), None) => Ok(ValueSetSource::Canonical(canonical)),
            (None, Some(resource)) => Ok(ValueSetSource::Resource(resource)),
            _ => Err(required("exactly one of url and valueSet")),
        }
    }

    fn expand<'c>(&self, canonical: Option<&'c str>) -> Result<ExpandRequest<'c>, TerminologyError>
    where
        'a: 'c,
    {
        let mut request = ExpandRequest::new(self.value_set(canonical)?, self.call.timestamp);
        request.filter = self.text("filter")?;
        request.offset = self.number("offset")?;
        request.count = self.number("count")?;
        request.include_designations = self.boolean("includeDesignations")?;
        request.designation = self.texts("designation");
        request.include_definition = self.boolean("includeDefinition")?;
        request.active_only = self.boolean("activeOnly")?;
        request.exclude_nested = self.boolean("excludeNested")?;
        request.exclude_not_for_ui = self.boolean("excludeNotForUI")?;
        request.exclude_post_coordinated = self.boolean("excludePostCoordinated")?;
        request.display_language = self.text("displayLanguage")?;
        request.exclude_system = self.texts("exclude-system");
        request.system_version = self.texts("system-version");
        request.check_system_version = self.texts("check-system-version");
        request.force_system_version = self.texts("force-system-version");
        Ok(request)
    }

    fn validate_code(&self, version: &str) -> Result<ValidateCodeRequest<'a>, TerminologyError> {
        Ok(ValidateCodeRequest {
            coded: self.coded(version)?,
            is_abstract: self.boolean("abstract")?,
            display_language: self.text("displayLanguage")?,
            display_policy: self.call.display_policy,
        })
    }

    fn translate<'c>(
        &self,
        canonical: Option<&'c str>,
    ) -> Result<TranslateRequest<'c>, TerminologyError>
    where
        'a: 'c,
    {
        let map = match (canonical, self.resource("conceptMap")?.or(self.call.instance)) {
            (Some(canonical), None) => ConceptMapSource::Canonical(canonical),
            (None, Some(resource)) => ConceptMapSource::Resource(resource),
            (None, None) => ConceptMapSource::Any,
            _ => {
                return Err(TerminologyError::invalid(
                    "only one of url and conceptMap may be given",
                ));
            }
        };
        let mut request = TranslateRequest::new(map, self.coded("version")?);
        request.source = self.text("source")?;
        request.target = self.text("target")?;
        request.target_system = self.text("targetsystem")?;
        request.reverse = self.boolean("reverse")?.unwrap_or(false);
        for dependency in self.all("dependency") {
            let parts = || dependency["part"].as_array().into_iter().flatten();
            let part = |name: &str| parts().find(|part| part["name"] == name).and_then(value);
            let (Some(element), Some(concept)) =
                (part("element").and_then(Value::as_str), part("concept"))
            else {
                return Err(wrong("dependency", "an element and a concept"));
            };
            request.dependency.push((element, Coded::CodeableConcept(concept)));
        }
        Ok(request)
    }

    /// Exactly one of `code`, `coding` and `codeableConcept`.
    fn coded(&self, version: &str) -> Result<Coded<'a>, TerminologyError> {
        let given = (self.text("code")?, self.object("coding")?, self.object("codeableConcept")?);
        match given {
            (Some(code), None, None) => {
                let (system, version) = (self.text("system")?, self.text(version)?);
                let display = self.text("display")?;
                Ok(Coded::Code(Code { system, version, code, display }))
            }
            (None, Some(coding), None) => Ok(Coded::Coding(coding)),
            (None, None, Some(concept)) => Ok(Coded::CodeableConcept(concept)),
            (None, None, None) => Err(required("one of code, coding and codeableConcept")),
            _ => Err(TerminologyError::invalid(
                "only one of code, coding and codeableConcept may be given",
            )),
        }
    }

    /// One end of a subsumption: exactly one of a code and a coding.
    fn end(&self, code: &str, coding: &str) -> Result<Coded<'a>, TerminologyError> {
        let version = self.text("version")?;
        match (self.text(code)?, self.object(coding)?) {
            (Some(code), None) => Ok(Coded::Code(Code { version, code, ..Code::default() })),
            (None, Some(coding)) => Ok(Coded::Coding(coding)),
            _ => Err(required(&format!("exactly one of {code} and {coding}"))),
        }
    }
}

/// The `value[x]` of a parameter.
fn value(parameter: &Value) -> Option<&Value> {
    let members = parameter.as_object()?.iter();
    members.filter(|(name, _)| name.starts_with("value")).map(|(_, value)| value).next()
}

fn wrong(name: &str, expected: &str) -> TerminologyError {
    TerminologyError::invalid(format!("the parameter {name} must be {expected}"))
}
