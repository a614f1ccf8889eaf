//! `CodeSystem/$subsumes`: how two codes of one system stand to each other.
//!
//! Told only from what is certain: a code that is not held, a hierarchy that is not of kinds, and
//! a part of a system that shows no relation are errors, not "not-subsumed".
//!
//! For the HTTP layer: `codeA` and `codeB` with `system` (and `version`), or `codingA` and
//! `codingB`; at type level, or on an instance, whose URL is then the system. The answer is a
//! Parameters resource with `outcome`, 200; an unknown code is 404 `not-found`, what cannot be told
//! 400 `not-supported` or 422 `incomplete`.
//! Source: <http://hl7.org/fhir/R4/codesystem-operation-subsumes.html>.

use serde_json::Value;

use super::coded::{Code, Coded};
use super::concepts::Concept;
use super::parameters::Parameters;
use super::{CodeSystem, Terminology, TerminologyError};

/// How A stands to B (<http://hl7.org/fhir/R4/valueset-concept-subsumption-outcome.html>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// They are the same concept.
    Equivalent,
    /// A is above B.
    Subsumes,
    /// A is below B.
    SubsumedBy,
    /// Neither is above the other.
    NotSubsumed,
}

impl Outcome {
    /// The code of the standard.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Equivalent => "equivalent",
            Self::Subsumes => "subsumes",
            Self::SubsumedBy => "subsumed-by",
            Self::NotSubsumed => "not-subsumed",
        }
    }
}

/// How A stands to B: Parameters with `outcome`. `system` is that of the codes where these do not
/// say theirs.
///
/// # Errors
/// [`TerminologyError`] where the codes are of different systems, or it cannot be told.
pub fn subsumes(
    terminology: &Terminology,
    system: Option<&str>,
    a: Coded<'_>,
    b: Coded<'_>,
) -> Result<Value, TerminologyError> {
    let (a, b) = pair(system, a, b)?;
    let held = terminology.find_system(a.system()?, a.version.or(b.version))?;
    Ok(answer(compare(held, a.code, b.code)?))
}

/// The same in a code system that came with the call, whatever else is held.
///
/// # Errors
/// As [`subsumes`], and for codes of another system.
pub fn subsumes_in(
    held: &CodeSystem,
    system: Option<&str>,
    a: Coded<'_>,
    b: Coded<'_>,
) -> Result<Value, TerminologyError> {
    let (a, b) = pair(system.or(Some(&held.url)), a, b)?;
    if a.system()? != held.url {
        let message = format!("the codes are not of the code system {}", held.url);
        return Err(TerminologyError::invalid(message));
    }
    Ok(answer(compare(held, a.code, b.code)?))
}

/// The two codes, of one system.
fn pair<'a>(
    system: Option<&'a str>,
    a: Coded<'a>,
    b: Coded<'a>,
) -> Result<(Code<'a>, Code<'a>), TerminologyError> {
    let (mut a, mut b) = (a.code()?, b.code()?);
    (a.system, b.system) = (a.system.or(system), b.system.or(system));
    if a.system()? != b.system()? {
        let message = "codes of different systems cannot be compared";
        return Err(TerminologyError::invalid(message));
    }
    Ok((a, b))
}

fn answer(outcome: Outcome) -> Value {
    let mut parameters = Parameters::default();
    parameters.value("outcome", "valueCode", outcome.as_str());
    parameters.resource()
}

/// How code A stands to code B in the system.
///
/// # Errors
/// [`TerminologyError`] where it cannot be told.
pub fn compare(system: &CodeSystem, a: &str, b: &str) -> Result<Outcome, TerminologyError> {
    let find = |name: &str, code: &str| -> Result<Concept<'_>, TerminologyError> {
        system.concept(code).ok_or_else(|| {
            TerminologyError::not_found(format!("the code system {} has no {name}", system.url))
        })
    };
    let (a, b) = (find("codeA", a)?, find("codeB", b)?);
    if a.place() == b.place() {
        return Ok(Outcome::Equivalent);
    }
    if let Some(meaning) = system.hierarchy_meaning.as_deref().filter(|m| *m != "is-a") {
        return Err(TerminologyError::not_supported(format!(
            "the hierarchy of {} means {meaning}, from which no subsumption follows",
            system.url
        )));
    }
    match (b.is_a(a), a.is_a(b)) {
        (true, _) => Ok(Outcome::Subsumes),
        (_, true) => Ok(Outcome::SubsumedBy),
        _ if system.is_complete() => Ok(Outcome::NotSubsumed),
        _ => Err(TerminologyError::incomplete(format!(
            "the code system {} is held only in part, which shows no relation of the two",
            system.url
        ))),
    }
}
