//! The coded value of a request: a code, a Coding or a CodeableConcept.
//!
//! Source: <http://hl7.org/fhir/R4/datatypes.html#codesystem>.

use serde_json::Value;

use super::TerminologyError;
use crate::fhir::IssueType;

/// What a request gives; exactly one of the three.
#[derive(Clone, Copy)]
pub enum Coded<'a> {
    /// The parameters `code`, `system`, `version` and `display`.
    Code(Code<'a>),
    /// The parameter `coding`.
    Coding(&'a Value),
    /// The parameter `codeableConcept`.
    CodeableConcept(&'a Value),
}

/// A code with what belongs to it.
#[derive(Clone, Copy, Default)]
pub struct Code<'a> {
    /// The code system's URL.
    pub system: Option<&'a str>,
    /// The code system's version.
    pub version: Option<&'a str>,
    /// The code.
    pub code: &'a str,
    /// What the code is called.
    pub display: Option<&'a str>,
}

impl<'a> Coded<'a> {
    /// The codes, at least one.
    ///
    /// # Errors
    /// [`TerminologyError`] where there is none, or one lacks its code.
    pub fn codes(self) -> Result<Vec<Code<'a>>, TerminologyError> {
        let codes = match self {
            Self::Code(code) => vec![code],
            Self::Coding(coding) => vec![Code::read(coding)?],
            Self::CodeableConcept(concept) => {
                let codings = concept["coding"].as_array().into_iter().flatten();
                codings.map(Code::read).collect::<Result<_, _>>()?
            }
        };
        if codes.is_empty() || codes.iter().any(|code| code.code.is_empty()) {
            let message = "a code, a coding or a codeableConcept with a coding is required";
            return Err(TerminologyError::new(IssueType::Required, message));
        }
        Ok(codes)
    }

    /// The only code.
    ///
    /// # Errors
    /// As [`Coded::codes`], and where there are several.
    pub(super) fn code(self) -> Result<Code<'a>, TerminologyError> {
        match *self.codes()? {
            [code] => Ok(code),
            _ => Err(TerminologyError::invalid("exactly one code is required")),
        }
    }
}

impl<'a> Code<'a> {
    fn read(coding: &'a Value) -> Result<Self, TerminologyError> {
        let text = |key: &str| coding[key].as_str();
        let code = text("code").ok_or_else(|| {
            TerminologyError::new(IssueType::Required, "a coding must have a code")
        })?;
        Ok(Self {
            system: text("system"),
            version: text("version"),
            code,
            display: text("display"),
        })
    }

    /// The system, which an operation cannot do without.
    pub(super) fn system(self) -> Result<&'a str, TerminologyError> {
        let missing = || TerminologyError::new(IssueType::Required, "a code must have its system");
        self.system.filter(|system| !system.is_empty()).ok_or_else(missing)
    }
}
