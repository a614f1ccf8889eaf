//! `x-code`: what a Coding says is so by the code system that it names.
//!
//! Whatever the binding: a code that its own system does not have means nothing. A code that is not
//! in use any more, one that only groups others, and a display that is not the code's are warnings.
//! Of a system that is not held, or held in part, it is told once for each Coding that nothing can
//! be said; the quick way through passes over that and notes where, and it is told at the end.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#Coding>,
//! <http://hl7.org/fhir/R4/codesystem.html>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::{IssueType, Message};
use crate::terminology::concepts::Concept;
use crate::terminology::validate_code::is_name;
use crate::terminology::{CodeSystem, Membership, Terminology, ucum};
use crate::validation::finding::{Finding, UNCHECKED};
use crate::validation::quick;
use crate::validation::scope::Scope;
use crate::validation::verdicts::{self, Question};

struct Code;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Code))
}

impl Rule for Code {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        is_well(scope, value)
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        told(scope, value)
    }
}

/// Whether nothing speaks against the code; what cannot be told is noted in the scope.
pub(super) fn is_well(scope: &Scope, value: &Value) -> bool {
    let text = |name: &str| quick::text(value, name);
    let judge = || match judge(&scope.catalog.terminology, value) {
        Verdict::Well => WELL,
        Verdict::Untold(_) => UNTOLD,
        Verdict::Faults(_) => FAULTY,
    };
    let verdict = match (text("system"), text("code"), text("version")) {
        (_, None, _) => return true,
        (Some(system), Some(code), None) => {
            let display = text("display");
            let rule = if display.is_some() { verdicts::CODE } else { verdicts::BARE_CODE };
            let texts = [system, code, display.unwrap_or_default()];
            scope.answer(&Question { rule, texts }, judge)
        }
        _ => judge(),
    };
    if verdict == UNTOLD {
        scope.note_untold(value);
    }
    verdict != FAULTY
}

const WELL: u8 = 0;
const UNTOLD: u8 = 1;
const FAULTY: u8 = 2;

/// What is to be told of a code of which nothing can be said.
pub(in crate::validation) fn untold_code(scope: &Scope, value: &Value) -> Option<Finding> {
    match judge(&scope.catalog.terminology, value) {
        Verdict::Untold(finding) => Some(finding.message(Message::CodeUnchecked)),
        Verdict::Well | Verdict::Faults(_) => None,
    }
}

/// What is to be told of the code.
pub(super) fn told(scope: &Scope, value: &Value) -> Vec<Finding> {
    match judge(&scope.catalog.terminology, value) {
        Verdict::Well => Vec::new(),
        Verdict::Untold(finding) => vec![finding],
        Verdict::Faults(findings) => findings,
    }
}

enum Verdict {
    Well,
    /// Nothing can be said of it.
    Untold(Finding),
    Faults(Vec<Finding>),
}

fn judge(terminology: &Terminology, value: &Value) -> Verdict {
    let text = |name: &str| value.get(name).and_then(Value::as_str);
    let Some(code) = text("code") else { return Verdict::Well };
    let Some(system) = text("system") else {
        // What stands in place of the system (an extension) may say why there is none.
        let said = value.get("_system").is_some() || text("display").is_none() && code.is_empty();
        let words = "A code means something only in a code system; name it in system.";
        return if said { Verdict::Well } else { fault(warning(words)) };
    };
    match terminology.find_system(system, text("version")) {
        Ok(held) => of_held(held, code, text("display")),
        Err(_) if terminology.code_system(system).is_some() => {
            untold(system, "its system is not held here in the version that is named")
        }
        Err(_) => of_unheld(terminology, system, code),
    }
}

fn of_unheld(terminology: &Terminology, system: &str, code: &str) -> Verdict {
    match terminology.has_code(system, code) {
        Membership::In => Verdict::Well,
        Membership::Out => {
            let near = (system == ucum::SYSTEM).then(|| ucum::check(code).err()).flatten();
            let text = near.map_or_else(|| format!("{system} has no such code."), |n| n.message);
            fault(Finding::error(IssueType::CodeInvalid, text))
        }
        Membership::Unknown if !system.contains(':') => {
            fault(warning("The system of a code is an absolute URI.").message(Message::SystemForm))
        }
        Membership::Unknown if terminology.value_set(system).is_some() => {
            let text = "The system of a code is a code system; this is the URL of a value set.";
            fault(warning(text).message(Message::SystemForm))
        }
        Membership::Unknown => untold(system, "its system is not held here"),
    }
}

fn of_held(held: &CodeSystem, code: &str, display: Option<&str>) -> Verdict {
    let Some(concept) = held.concept(code) else { return of_unknown(held, code) };
    let mut found = Vec::new();
    if concept.is_inactive() {
        let text = "The code is inactive: it is not to be used for new entries.";
        found.push(warning(text).message(Message::CodeInactive));
    }
    if concept.is_abstract() {
        let text = "The code is abstract: it groups others and is not to be chosen.";
        found.push(warning(text).message(Message::CodeAbstract));
    }
    if display.is_some_and(|display| !is_name(concept, display)) {
        let known = concept.display().map(|known| format!(", which is \"{known}\""));
        let known = known.unwrap_or_default();
        let text = format!("The display is not that of the code{known}.");
        found.push(warning(&text).message(Message::Display).below(".display"));
    }
    if found.is_empty() { Verdict::Well } else { Verdict::Faults(found) }
}

fn of_unknown(held: &CodeSystem, code: &str) -> Verdict {
    if !held.is_complete() {
        let part = if held.concepts().is_empty() { "not held here" } else { "held only in part" };
        return untold(&held.url, &format!("its system is {part}"));
    }
    let near = in_other_case(held, code).map(|concept| concept.code());
    let near = near.map(|near| format!(" Case matters: it has \"{near}\".")).unwrap_or_default();
    let text = format!("The code system that is named does not have the code.{near}");
    fault(Finding::error(IssueType::CodeInvalid, text))
}

/// How many concepts are looked through for a code in other letters.
const MAX_NEAR: usize = 5_000;

fn in_other_case<'a>(held: &'a CodeSystem, code: &str) -> Option<Concept<'a>> {
    let concepts = held.concepts();
    let mut near = concepts.iter().filter(|concept| concept.code().eq_ignore_ascii_case(code));
    if concepts.len() > MAX_NEAR { None } else { near.next() }
}

fn warning(text: &str) -> Finding {
    Finding::warning(IssueType::CodeInvalid, text)
}

fn fault(finding: Finding) -> Verdict {
    Verdict::Faults(vec![finding])
}

fn untold(system: &str, text: &str) -> Verdict {
    // The URL of a system is repeated only where it looks like one.
    let is_plain = system.bytes().all(|byte| byte.is_ascii_graphic());
    let is_url = ["http://", "https://", "urn:"].iter().any(|start| system.starts_with(start));
    let is_url = is_url && is_plain && system.len() <= 200;
    let named = if is_url { format!(" ({system})") } else { String::new() };
    let text = format!("{UNCHECKED}{text}{named}.");
    Verdict::Untold(Finding::warning(IssueType::NotFound, text))
}
