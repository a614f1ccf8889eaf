//! `x-binding`: codes come from a value set.
//!
//! required: an error unless a code is in the set, and one that may be chosen; text alone is not
//! enough. extensible: a warning where none of the codes is in the set. preferred: an information.
//! example asks nothing. A maximum set, where there is one, is an error to leave whatever the
//! strength. What cannot be told from what is held is no error, and a warning where the set must be
//! kept to.
//! Source: <http://hl7.org/fhir/R4/terminologies.html#strength>,
//! <http://hl7.org/fhir/R4/extension-elementdefinition-maxvalueset.html>.

use std::sync::atomic::{AtomicU32, Ordering};

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::json::At;
use crate::fhir::{Issue, IssueType, Message, Severity};
use crate::terminology::concepts::Concept;
use crate::terminology::{Membership, Terminology};
use crate::validation::finding::Finding;
use crate::validation::quick;
use crate::validation::scope::Scope;
use crate::validation::verdicts::{self, Question};

struct Binding {
    strength: Strength,
    value_set: Set,
    max: Option<Set>,
}

/// A value set, and the number under which answers about it are kept.
struct Set {
    canonical: String,
    rule: u32,
}

impl Set {
    fn new(canonical: &str) -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(verdicts::FIRST_BINDING);
        // Two sets under one number would answer for each other; there are more numbers than
        // bindings are ever compiled.
        Self { canonical: canonical.to_owned(), rule: NEXT.fetch_add(1, Ordering::Relaxed) }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Strength {
    Required,
    Extensible,
    Preferred,
    Example,
}

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let value_set = Set::new(value.at("valueSet").as_str().ok_or("a valueSet is expected")?);
    let strength = match value.at("strength").as_str() {
        Some("required") => Strength::Required,
        Some("extensible") => Strength::Extensible,
        Some("preferred") => Strength::Preferred,
        Some("example") => Strength::Example,
        _ => return Err("a strength is expected".to_owned()),
    };
    let max = value.at("maxValueSet").as_str().map(Set::new);
    Ok(Box::new(Binding { strength, value_set, max }))
}

/// What the codes of a value say about a set.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Verdict {
    /// There is no code, and something else in its place (an extension).
    Silent,
    /// There is no code.
    Uncoded,
    /// The code is in the set, and only groups others.
    Abstract,
    Coded(Membership),
}

impl Verdict {
    /// What speaks most for the set first.
    const RANKED: [Self; 4] = [
        Self::Coded(Membership::In),
        Self::Coded(Membership::Unknown),
        Self::Abstract,
        Self::Coded(Membership::Out),
    ];

    /// As a number to be kept.
    fn rank(self) -> u8 {
        match self {
            Self::Coded(Membership::In) => 0,
            Self::Coded(Membership::Unknown) => 1,
            Self::Abstract => 2,
            _ => 3,
        }
    }

    fn ranked(rank: u8) -> Self {
        let known = Self::RANKED.get(usize::from(rank)).copied();
        known.unwrap_or(Self::Coded(Membership::Out))
    }
}

fn verdict(scope: &Scope, set: &Set, value: &Value) -> Verdict {
    match value {
        Value::String(code) => {
            let question = Question { rule: set.rule, texts: [code, "", "code"] };
            let terminology = &scope.catalog.terminology;
            let ask = || Verdict::Coded(terminology.membership(&set.canonical, None, code)).rank();
            Verdict::ranked(scope.answer(&question, ask))
        }
        Value::Object(object) => {
            let found = match quick::member(object, "coding") {
                Some(list) => best(scope, set, list.as_array().into_iter().flatten()),
                None => best(scope, set, std::iter::once(value)),
            };
            match found {
                Some(verdict) => verdict,
                None if is_quantity(value) || is_extended(value) => Verdict::Silent,
                None => Verdict::Uncoded,
            }
        }
        // A wrong JSON type is told by the type.
        _ => Verdict::Silent,
    }
}

/// What speaks most for the set among the codings; none where none has a code.
fn best<'v>(scope: &Scope, set: &Set, codings: impl Iterator<Item = &'v Value>) -> Option<Verdict> {
    codings.filter_map(|coding| of_coding(scope, set, coding)).min_by_key(|found| found.rank())
}

fn of_coding(scope: &Scope, set: &Set, coding: &Value) -> Option<Verdict> {
    let code = quick::text(coding, "code")?;
    // A code without a system has no meaning, so it is in no set.
    let Some(system) = quick::text(coding, "system") else {
        return Some(Verdict::Coded(Membership::Out));
    };
    let question = Question { rule: set.rule, texts: [code, system, "coding"] };
    let ask = || {
        let terminology = &scope.catalog.terminology;
        let found = terminology.membership(&set.canonical, Some(system), code);
        let concept = || terminology.code_system(system).and_then(|held| held.concept(code));
        let groups = found == Membership::In && concept().is_some_and(Concept::is_abstract);
        let found = if groups { Verdict::Abstract } else { Verdict::Coded(found) };
        found.rank()
    };
    Some(Verdict::ranked(scope.answer(&question, ask)))
}

fn is_quantity(value: &Value) -> bool {
    ["value", "unit", "comparator"].iter().any(|name| value.get(name).is_some())
}

/// Whether extensions stand in the place of the content.
fn is_extended(value: &Value) -> bool {
    value.get("extension").is_some() && value.get("text").is_none()
}

impl Binding {
    fn verdict(&self, scope: &Scope, value: &Value) -> Verdict {
        verdict(scope, &self.value_set, value)
    }

    fn is_kept(&self, verdict: Verdict) -> bool {
        match (verdict, self.strength) {
            (Verdict::Silent | Verdict::Coded(Membership::In), _) | (_, Strength::Example) => true,
            (Verdict::Uncoded | Verdict::Coded(Membership::Unknown), _) => {
                self.strength != Strength::Required
            }
            // Where the set need not be kept to, the code itself tells of it.
            (Verdict::Abstract, _) => self.strength != Strength::Required,
            (Verdict::Coded(Membership::Out), _) => false,
        }
    }

    /// What the maximum set says; nothing where that cannot be told either.
    fn beyond(&self, scope: &Scope, value: &Value) -> Option<&str> {
        let max = self.max.as_ref()?;
        let found = verdict(scope, max, value);
        (found == Verdict::Coded(Membership::Out)).then_some(max.canonical.as_str())
    }

    fn say(&self, terminology: &Terminology, verdict: Verdict) -> Finding {
        let set = &self.value_set.canonical;
        let code = IssueType::CodeInvalid;
        let (message, finding) = match (verdict, self.strength) {
            (Verdict::Coded(Membership::Unknown), _) => {
                let why = match terminology.find_value_set(set) {
                    Ok(_) => "a code system that it needs is not held here".to_owned(),
                    Err(error) => error.message,
                };
                let text = format!("Whether the code is in {set} cannot be told: {why}.");
                (Message::BindingUntold, Finding::warning(code, text))
            }
            (Verdict::Uncoded, _) => {
                let text = format!("A code from {set} is required; text is not enough.");
                (Message::BindingRequired, Finding::error(code, text))
            }
            (Verdict::Abstract, _) => {
                let text =
                    format!("The code only groups others; one of those in {set} is required.");
                (Message::CodeAbstract, Finding::error(code, text))
            }
            (_, Strength::Required) => {
                let text = format!("The code must be one of {set}.");
                (Message::BindingRequired, Finding::error(code, text))
            }
            (_, Strength::Extensible) => {
                let text = format!(
                    "The code is not one of {set}; another is right only where none of the set fits."
                );
                (Message::BindingExtensible, Finding::warning(code, text))
            }
            _ => {
                let text = format!("The code is not one of {set}, which is preferred.");
                let issue = Issue::warning(code, text);
                let issue = Issue { severity: Severity::Information, ..issue };
                (Message::BindingPreferred, Finding::of(issue))
            }
        };
        finding.message(message)
    }
}

impl Rule for Binding {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        if self.strength == Strength::Example && self.max.is_none() {
            return true;
        }
        self.is_kept(self.verdict(scope, value)) && self.beyond(scope, value).is_none()
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if let Some(max) = self.beyond(scope, value) {
            let text = format!("The code must be one of {max}, whatever else may be added.");
            return vec![Finding::error(IssueType::CodeInvalid, text).rule(max)];
        }
        let verdict = self.verdict(scope, value);
        if self.is_kept(verdict) {
            return Vec::new();
        }
        vec![self.say(&scope.catalog.terminology, verdict).rule(&self.value_set.canonical)]
    }
}
