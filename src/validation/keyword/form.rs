//! The forms of primitives that a regular expression does not tell: base64 to its end, URNs by their
//! kind, texts of nothing but white space.
//!
//! `x-base64` is a format; `x-urn` and `x-text` are keywords because they warn as well. A URN of the
//! kind `oid` that is none is warned of only: four of the published examples have one.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#base64Binary> (which names RFC 4648),
//! <http://hl7.org/fhir/R4/datatypes.html#uri>, <http://hl7.org/fhir/R4/datatypes.html#string>,
//! <https://www.rfc-editor.org/rfc/rfc4122>.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::{IssueType, Message};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

/// Whether the text is base64, white space left out, padded to its end.
pub(super) fn is_base64(text: &str) -> bool {
    let letters = || text.bytes().filter(|byte| !byte.is_ascii_whitespace());
    let padding = letters().rev().take_while(|byte| *byte == b'=').count();
    let length = letters().count();
    let is_letter = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'+' || byte == b'/';
    padding <= 2 && length.is_multiple_of(4) && letters().take(length - padding).all(is_letter)
}

struct Urn;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn urn(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Urn))
}

impl Rule for Urn {
    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let rest = value.as_str().and_then(|text| text.strip_prefix("urn:"));
        let Some((kind, name)) = rest.and_then(|rest| rest.split_once(':')) else {
            return Vec::new();
        };
        let finding = match kind {
            "uuid" if !is_uuid(name) => {
                let text = "What follows urn:uuid: must be a UUID: 8-4-4-4-12 digits of base 16.";
                Finding::error(IssueType::Value, text)
            }
            "uuid" if name.bytes().any(|byte| byte.is_ascii_uppercase()) => {
                let text = "The UUID should be in lower case; urn:uuid is compared as text.";
                Finding::warning(IssueType::Value, text)
            }
            "oid" if !is_oid(name) => {
                let text = "What follows urn:oid: should be an OID: numbers with dots between, \
                            none with a leading zero, the first 0, 1 or 2.";
                Finding::warning(IssueType::Value, text)
            }
            _ => return Vec::new(),
        };
        vec![finding.message(Message::Urn)]
    }
}

fn is_uuid(text: &str) -> bool {
    let lengths = text.split('-').map(str::len);
    lengths.eq([8, 4, 4, 4, 12]) && text.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-')
}

fn is_oid(text: &str) -> bool {
    let is_number = |part: &str| {
        let digits = !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
        digits && (part == "0" || !part.starts_with('0'))
    };
    let first = text.split('.').next().unwrap_or_default();
    ["0", "1", "2"].contains(&first) && text.contains('.') && text.split('.').all(is_number)
}

struct Text;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn text(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Text))
}

impl Rule for Text {
    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let blank = |text: &str| !text.is_empty() && text.trim().is_empty();
        if !value.as_str().is_some_and(blank) {
            return Vec::new();
        }
        let text = "The text should have more in it than white space.";
        vec![Finding::warning(IssueType::Value, text).message(Message::TextBlank)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The test vectors of <https://www.rfc-editor.org/rfc/rfc4648#section-10>, and broken ones.
    #[test]
    fn base64() {
        let good = ["", "Zg==", "Zm8=", "Zm9v", "Zm9vYg==", "Zm9vYmE=", "Zm9vYmFy", "Zm9v\r\nYmFy"];
        for text in good {
            assert!(is_base64(text), "{text}");
        }
        for text in ["Z", "Zg=", "Zg", "=Zg=", "Z===", "====", "Zm9v=Zg=", "Zm9-", "Zm9v!", "Zé=="]
        {
            assert!(!is_base64(text), "{text}");
        }
    }

    #[test]
    fn names_of_urns() {
        assert!(is_uuid("c757873d-ec9a-4326-a141-556f43239520"));
        for text in
            ["", "c757873d-ec9a-4326-a141-556f43239520a", "c757873dec9a4326a141556f43239520"]
        {
            assert!(!is_uuid(text), "{text}");
        }
        assert!(is_oid("2.16.840.1.113883.6.1") && is_oid("0.0"));
        for text in ["", "1", "3.1", "1.", "1..2", "1.02", "X.Y", "1.2a"] {
            assert!(!is_oid(text), "{text}");
        }
    }
}
