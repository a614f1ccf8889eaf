//! What a coded element says: in the record's words, and by its code.
//!
//! Who writes in another language than the record takes the code; the record's words stay what is
//! shown where there is no code, or where somebody wrote words of their own.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#CodeableConcept>.

use serde::{Serialize, Serializer};
use serde_json::Value;

use crate::clinical::element::{code_in, text, words};

/// A coded element; in a summary it is the record's words.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Worded {
    /// The record's words: its text, else a display, else a code.
    pub says: String,
    /// The code in the system that was asked for.
    pub code: Option<String>,
    /// Whether the record has words beside the code.
    pub in_words: bool,
}

impl Worded {
    /// The element, with its code of that system.
    pub fn of(concept: &Value, system: &str) -> Self {
        Self {
            says: words(concept).unwrap_or_default().to_owned(),
            code: code_in(concept, system).map(str::to_owned),
            in_words: text(concept, "/text").is_some(),
        }
    }
}

impl Serialize for Worded {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.says)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn words_and_code() {
        let check = |concept: Value, says: &str, code: Option<&str>, in_words: bool| {
            let worded = Worded::of(&concept, "s");
            assert_eq!((worded.says.as_str(), worded.code.as_deref()), (says, code), "{concept}");
            assert_eq!(worded.in_words, in_words, "{concept}");
            assert_eq!(serde_json::to_value(&worded).unwrap(), json!(says));
        };
        check(json!({ "coding": [{ "system": "s", "code": "c" }] }), "c", Some("c"), false);
        check(
            json!({ "coding": [{ "system": "s", "code": "c", "display": "D" }], "text": "T" }),
            "T",
            Some("c"),
            true,
        );
        check(json!({ "coding": [{ "system": "x", "code": "c" }] }), "c", None, false);
        check(json!(null), "", None, false);
    }
}
