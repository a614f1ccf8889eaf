//! `$validate-code`: whether a code is in a value set, or in a code system.
//!
//! "No" is an answer (`result` false), never an error; an error means that it cannot be told,
//! because something needed is not held or held in part. What is wrong is told in `message`, without
//! repeating the code.
//!
//! For the HTTP layer: `ValueSet/$validate-code` (`url`, or the instance, or `valueSet` inline;
//! `context` is `not-supported`) and `CodeSystem/$validate-code` (`url`, not `system`, or
//! `codeSystem` inline, or the instance). Exactly one of `code`, `coding`, `codeableConcept`, else
//! 400 `invalid`. The answer is a Parameters resource with `result`, `message` and `display`: 200
//! for true and for false.
//! Source: <http://hl7.org/fhir/R4/valueset-operation-validate-code.html>,
//! <http://hl7.org/fhir/R4/codesystem-operation-validate-code.html>.

use serde_json::Value;

use super::coded::{Code, Coded};
use super::concepts::{Concept, Designation};
use super::expand::ValueSetSource;
use super::parameters::Parameters;
use super::{CodeSystem, Membership, Terminology, TerminologyError, ucum};

/// What a wrong display does to the answer.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum DisplayPolicy {
    /// `result` is false: the details supplied are not valid.
    #[default]
    Refuse,
    /// `result` stays, and `message` tells of it.
    Warn,
}

/// What is asked for.
#[derive(Clone, Copy)]
pub struct ValidateCodeRequest<'a> {
    /// The code.
    pub coded: Coded<'a>,
    /// `false` where an abstract code will not do.
    pub is_abstract: Option<bool>,
    /// The language that the answer's display should have (BCP 47).
    pub display_language: Option<&'a str>,
    /// What a wrong display does.
    pub display_policy: DisplayPolicy,
}

impl<'a> ValidateCodeRequest<'a> {
    /// A request without options.
    pub fn new(coded: Coded<'a>) -> Self {
        let display_policy = DisplayPolicy::default();
        Self { coded, is_abstract: None, display_language: None, display_policy }
    }
}

/// Whether the code, or one of the codes of a CodeableConcept, is in the value set: Parameters.
///
/// # Errors
/// [`TerminologyError`] where it cannot be told, and for a code without its system.
pub fn in_value_set(
    terminology: &Terminology,
    value_set: ValueSetSource<'_>,
    request: &ValidateCodeRequest<'_>,
) -> Result<Value, TerminologyError> {
    let resource = value_set.resource(terminology)?;
    let name = resource.get("url").and_then(Value::as_str).unwrap_or("given");
    let mut judged = Vec::new();
    for code in request.coded.codes()? {
        let system = code.system()?;
        let finding = match terminology.is_member(&resource, Some(system), code.code) {
            Membership::In => of_system(terminology, code, request),
            Membership::Out => Finding::no(out_of_set(terminology, system, code.code, name)),
            Membership::Unknown => {
                judged.push(Err(unknown(terminology, &resource, system)));
                continue;
            }
        };
        judged.push(Ok(finding));
    }
    answer(judged)
}

/// Whether the code, or one of the codes of a CodeableConcept, is in the code system; codes of
/// other systems are not. Parameters.
///
/// # Errors
/// [`TerminologyError`] where it cannot be told.
pub fn in_code_system(
    terminology: &Terminology,
    url: &str,
    version: Option<&str>,
    request: &ValidateCodeRequest<'_>,
) -> Result<Value, TerminologyError> {
    let mut judged = Vec::new();
    for mut code in request.coded.codes()? {
        if code.system.is_some_and(|system| system != url) {
            judged.push(Ok(Finding::no(format!("The code is not of the code system {url}."))));
            continue;
        }
        (code.system, code.version) = (Some(url), code.version.or(version));
        judged.push(in_system(terminology, url, code, request));
    }
    answer(judged)
}

/// As [`in_code_system`], of a CodeSystem resource that came with the request.
///
/// # Errors
/// [`TerminologyError`] for a resource that is broken.
pub fn in_given_code_system(
    resource: &Value,
    request: &ValidateCodeRequest<'_>,
) -> Result<Value, TerminologyError> {
    let system = CodeSystem::read(resource)?;
    let mut judged = Vec::new();
    for code in request.coded.codes()? {
        let of_another = code.system.is_some_and(|url| url != system.url);
        judged.push(if of_another {
            Ok(Finding::no(format!("The code is not of the code system {}.", system.url)))
        } else {
            in_held(&system, code, request)
        });
    }
    answer(judged)
}

/// What was found of one code.
struct Finding {
    result: bool,
    messages: Vec<String>,
    display: Option<String>,
}

impl Finding {
    fn no(message: String) -> Self {
        Self { result: false, messages: vec![message], display: None }
    }
}

/// The first code that is valid decides; then that something cannot be told; then that all are not.
fn answer(judged: Vec<Result<Finding, TerminologyError>>) -> Result<Value, TerminologyError> {
    let mut refused = Finding { result: false, messages: Vec::new(), display: None };
    let mut untold = None;
    for judgement in judged {
        match judgement {
            Ok(finding) if finding.result => return Ok(parameters(finding)),
            Ok(finding) => {
                refused.messages.extend(finding.messages);
                refused.display = refused.display.or(finding.display);
            }
            Err(error) => untold = untold.or(Some(error)),
        }
    }
    match untold {
        Some(error) => Err(error),
        None => Ok(parameters(refused)),
    }
}

fn parameters(mut finding: Finding) -> Value {
    finding.messages.dedup();
    let message = finding.messages.join(" ");
    let mut parameters = Parameters::default();
    parameters.value("result", "valueBoolean", finding.result);
    parameters.string("message", Some(message.as_str()).filter(|text| !text.is_empty()));
    parameters.string("display", finding.display.as_deref());
    parameters.resource()
}

/// What the system says of a code that is known to be in the set.
fn of_system(
    terminology: &Terminology,
    code: Code<'_>,
    request: &ValidateCodeRequest<'_>,
) -> Finding {
    let held = code.system.and_then(|system| terminology.find_system(system, code.version).ok());
    match held.and_then(|held| Some((held, held.concept(code.code)?))) {
        Some((held, concept)) => of_concept(held, concept, code, request),
        None => Finding { result: true, messages: Vec::new(), display: None },
    }
}

fn in_system(
    terminology: &Terminology,
    url: &str,
    code: Code<'_>,
    request: &ValidateCodeRequest<'_>,
) -> Result<Finding, TerminologyError> {
    match terminology.find_system(url, code.version) {
        Ok(held) => in_held(held, code, request),
        // Held, though not in the version asked for, or broken: nothing else can tell.
        Err(error) if terminology.code_system(url).is_some() => Err(error),
        Err(error) => match terminology.has_code(url, code.code) {
            Membership::In => Ok(Finding {
                result: true,
                messages: Vec::new(),
                display: (url == ucum::SYSTEM).then(|| ucum::display(code.code)).flatten(),
            }),
            Membership::Out => Ok(Finding::no(format!("The code system {url} has no such code."))),
            Membership::Unknown => Err(error),
        },
    }
}

fn in_held(
    held: &CodeSystem,
    code: Code<'_>,
    request: &ValidateCodeRequest<'_>,
) -> Result<Finding, TerminologyError> {
    match held.concept(code.code) {
        Some(concept) => Ok(of_concept(held, concept, code, request)),
        None if held.is_complete() => {
            Ok(Finding::no(format!("The code system {} has no such code.", held.url)))
        }
        None => Err(held.missing()),
    }
}

fn of_concept(
    held: &CodeSystem,
    concept: Concept<'_>,
    code: Code<'_>,
    request: &ValidateCodeRequest<'_>,
) -> Finding {
    let mut finding = Finding { result: true, messages: Vec::new(), display: None };
    let best = display_in(concept, held, request.display_language);
    finding.display = best.map(str::to_owned);
    if concept.is_abstract() && request.is_abstract == Some(false) {
        finding.result = false;
        finding.messages.push("The code is abstract: it groups others.".to_owned());
    }
    if concept.is_inactive() {
        finding.messages.push("The code is inactive.".to_owned());
    }
    if let Some(given) = code.display.filter(|given| !is_name(concept, given)) {
        let known = best.filter(|best| *best != given);
        finding.messages.push(match known {
            Some(best) => format!("The display is not that of the code, which is \"{best}\"."),
            None => "The display is not that of the code.".to_owned(),
        });
        finding.result &= request.display_policy == DisplayPolicy::Warn;
    }
    finding
}

/// Whether the text is a name of the concept; case and spaces do not count
/// (<http://hl7.org/fhir/R4/codesystem-definitions.html#CodeSystem.concept.display>). A concept
/// without any name has none that is wrong.
pub fn is_name(concept: Concept<'_>, text: &str) -> bool {
    let plain =
        |text: &str| text.split_whitespace().map(str::to_lowercase).collect::<Vec<_>>().join(" ");
    if concept.display() == Some(text) {
        return true;
    }
    let wanted = plain(text);
    let mut names = concept.display().into_iter();
    let mut others = concept.designations().map(|name| name.value);
    let nameless = concept.display().is_none() && concept.designations().next().is_none();
    nameless || names.any(|name| plain(name) == wanted) || others.any(|name| plain(name) == wanted)
}

/// The concept's name in that language, or its display.
pub(super) fn display_in<'a>(
    concept: Concept<'a>,
    held: &CodeSystem,
    language: Option<&str>,
) -> Option<&'a str> {
    let speaks =
        |own: Option<&str>, wanted: &str| own.is_some_and(|own| super::expand::speaks(own, wanted));
    let spoken = language
        .filter(|wanted| !speaks(held.language.as_deref(), wanted))
        .and_then(|wanted| concept.designations().find(|name| speaks(name.language, wanted)))
        .map(|name: Designation<'a>| name.value);
    spoken.or(concept.display())
}

fn out_of_set(terminology: &Terminology, system: &str, code: &str, set: &str) -> String {
    match terminology.has_code(system, code) {
        Membership::Out => format!("The code system {system} has no such code."),
        _ => format!("The code is not in the value set {set}."),
    }
}

/// Why it cannot be told: the first thing that the set needs and that is not held.
fn unknown(terminology: &Terminology, set: &Value, system: &str) -> TerminologyError {
    let lists = ["include", "exclude"].map(|key| set["compose"].get(key)?.as_array());
    for part in lists.into_iter().flatten().flatten() {
        let own = part["system"].as_str().filter(|own| *own == system);
        let sets = part["valueSet"].as_array().into_iter().flatten().filter_map(Value::as_str);
        let missing = sets.map(|set| terminology.find_value_set(set)).find_map(Result::err);
        let missing = missing.or_else(|| terminology.find_system(own?, None).err());
        if let Some(error) = missing {
            return error;
        }
    }
    TerminologyError::incomplete(format!(
        "whether the code of {system} is in the value set cannot be told from what is held here"
    ))
}
