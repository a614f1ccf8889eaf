//! The `regex` filter: a text that must match a regular expression as a whole.
//!
//! Matching is the FHIRPath engine's `matches`, so that a filter and an invariant read an
//! expression in the same way. Matching takes time linear in the text.
//! Source: <http://hl7.org/fhir/R4/valueset-filter-operator.html>; that the whole text must match
//! is common practice, no source.

use rh_fhirpath::{
    EvaluationContext, FhirPathEvaluator, FhirPathExpression, FhirPathParser, FhirPathValue,
};
use serde_json::json;

use super::TerminologyError;

/// How long an expression may be.
const MAX_LENGTH: usize = 1_000;

/// A regular expression.
pub(super) struct Pattern {
    expression: FhirPathExpression,
}

impl Pattern {
    /// Reads one.
    ///
    /// # Errors
    /// [`TerminologyError`] for what is not a regular expression, or a very long one.
    pub(super) fn new(text: &str) -> Result<Self, TerminologyError> {
        if text.len() > MAX_LENGTH {
            let message = format!("a regex filter has more than {MAX_LENGTH} letters");
            return Err(TerminologyError::too_costly(message));
        }
        let invalid = || TerminologyError::invalid("a regex filter has no regular expression");
        // The engine calls a broken expression one that matches nothing; with an empty alternative
        // each sound one matches everything.
        let sound = Self::parse(&format!("{text}|")).filter(|pattern| pattern.is_match("x"));
        sound.and_then(|_| Self::parse(&format!("^(?:{text})$"))).ok_or_else(invalid)
    }

    fn parse(text: &str) -> Option<Self> {
        let quoted = text.replace('\\', "\\\\").replace('\'', "\\'");
        let expression = FhirPathParser::new().parse(&format!("text.matches('{quoted}')")).ok()?;
        Some(Self { expression })
    }

    /// Whether the whole text matches.
    pub(super) fn is_match(&self, text: &str) -> bool {
        self.evaluate(text).unwrap_or(false)
    }

    fn evaluate(&self, text: &str) -> Option<bool> {
        let context = EvaluationContext::new(json!({ "text": text }));
        let value = FhirPathEvaluator::new().evaluate(&self.expression, &context).ok()?;
        boolean(&value)
    }
}

fn boolean(value: &FhirPathValue) -> Option<bool> {
    match value {
        FhirPathValue::Boolean(is) => Some(*is),
        FhirPathValue::Collection(items) => items.first().and_then(boolean),
        other => other.to_json().as_bool(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_text_matches() {
        let cases = [
            ("a|b", "a", true),
            ("a|b", "ab", false),
            (r"\d{3}-\d", "123-4", true),
            (r"\d{3}-\d", "x123-4", false),
            ("it's", "it's", true),
            (r"a\.b", "a.b", true),
            (r"a\.b", "axb", false),
            ("", "", true),
        ];
        for (pattern, text, expected) in cases {
            assert_eq!(Pattern::new(pattern).unwrap().is_match(text), expected, "{pattern} {text}");
        }
        for broken in ["(", "a)|(b", "[", "*"] {
            assert!(Pattern::new(broken).is_err(), "{broken}");
        }
        assert!(Pattern::new(&"a".repeat(2000)).is_err());
    }
}
