//! Codes by value set and by hierarchy: `:in`, `:not-in`, `:below`, `:above`.
//!
//! What is asked comes down to a set of codes, taken from the terminology that is held. What cannot
//! be told from it is refused: an answer from a part of a set would be a wrong one.
//! Source: <http://hl7.org/fhir/R4/search.html#token>,
//! <http://hl7.org/fhir/R4/search.html#subsumption>.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use serde_json::Value;

use super::value::Fault;
use crate::fhir::IssueType;
use crate::index::{Form, Parameter, token};
use crate::search::condition::Token;
use crate::terminology::expand::{ExpandRequest, ValueSetSource, expand};
use crate::terminology::{Terminology, TerminologyError};

/// The code systems that go without saying for the values of a parameter.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Implied {
    /// Those that the definition of the element binds to.
    systems: BTreeSet<String>,
    /// Whether any will do: the values are codes, and no system is bound.
    any: bool,
}

impl Implied {
    /// Those of that parameter.
    pub(super) fn of(parameter: &Parameter) -> Self {
        let codes = !parameter.forms.is_empty() && parameter.forms.iter().all(|f| *f == Form::Code);
        let systems = parameter.systems.clone();
        Self { any: codes && systems.is_empty(), systems }
    }
}

/// The codes of a value set.
///
/// # Errors
/// `Fault` where it is not held, or not whole, or too large.
pub fn in_value_set(
    terminology: &Terminology,
    set: ValueSetSource<'_>,
    implied: &Implied,
) -> Result<Token, Fault> {
    // No time is told to anyone: the expansion is not sent.
    let request = ExpandRequest::new(set, "");
    let expanded = expand(terminology, &request).map_err(fault)?;
    let mut codes = Vec::new();
    collect(expanded.pointer("/expansion/contains"), &mut codes);
    Ok(among(codes, implied))
}

fn collect(list: Option<&Value>, codes: &mut Vec<(String, String)>) {
    for item in list.and_then(Value::as_array).into_iter().flatten() {
        let text = |name: &str| item.get(name).and_then(Value::as_str).unwrap_or_default();
        if !text("code").is_empty() && item.get("abstract") != Some(&Value::Bool(true)) {
            codes.push((text("code").to_owned(), text("system").to_owned()));
        }
        collect(item.get("contains"), codes);
    }
}

/// The code itself with all below it, or above it.
///
/// # Errors
/// [`Fault`] where the value names no system, or its system is not held or has no hierarchy of kinds.
pub(super) fn in_hierarchy(
    terminology: &Terminology,
    parts: &[String],
    parameter: &Parameter,
    above: bool,
) -> Result<Token, Fault> {
    let (url, code) = match parts {
        [code] => match parameter.systems.iter().collect::<Vec<_>>().as_slice() {
            [only] => (only.as_str(), code),
            _ => return Err(Fault::value("it names the code system: system|code")),
        },
        [system, code] if !system.is_empty() && !code.is_empty() => (system.as_str(), code),
        _ => return Err(Fault::value("it has two parts: system|code")),
    };
    let system = terminology.find_system(url, None).map_err(fault)?;
    if let Some(meaning) = system.hierarchy_meaning.as_deref().filter(|m| *m != "is-a") {
        let message =
            format!("the hierarchy of {url} means {meaning}, from which no subsumption follows");
        return Err(Fault::NotSupported(message.into()));
    }
    let mut codes = vec![(code.clone(), url.to_owned())];
    match system.concept(code) {
        Some(concept) if above => {
            let mut seen = BTreeSet::new();
            let mut open = vec![concept];
            while let Some(next) = open.pop() {
                if seen.insert(next.place()) {
                    codes.push((next.code().to_owned(), url.to_owned()));
                    open.extend(next.parents());
                }
            }
        }
        Some(concept) => {
            codes.extend(concept.below().map(|below| (below.code().to_owned(), url.to_owned())));
        }
        None if system.is_complete() => {}
        None => {
            return Err(Fault::NotSupported(
                format!("the code system {url} is held only in part, without that code").into(),
            ));
        }
    }
    Ok(among(codes, &Implied::of(parameter)))
}

fn among(codes: Vec<(String, String)>, implied: &Implied) -> Token {
    let mut set = BTreeMap::<(String, String), BTreeSet<String>>::new();
    for (code, system) in codes {
        let folded = token::fold(&code);
        if implied.any || implied.systems.contains(&system) {
            set.entry((folded.clone(), String::new())).or_default().insert(code.clone());
        }
        set.entry((folded, system)).or_default().insert(code);
    }
    Token::Among(Arc::new(set))
}

fn fault(error: TerminologyError) -> Fault {
    let TerminologyError { kind, message } = error;
    match kind {
        IssueType::TooCostly => Fault::TooCostly(message.into()),
        IssueType::NotSupported | IssueType::Incomplete => Fault::NotSupported(message.into()),
        _ => Fault::Value(message.into()),
    }
}
