//! Code systems that are a grammar and so need no list.
//!
//! Source: <http://hl7.org/fhir/R4/terminologies-systems.html>.

use super::Membership;

/// Whether the text is well formed in the system; unknown for every other system.
pub(super) fn has_code(system: &str, code: &str) -> Membership {
    match system {
        "urn:ietf:bcp:13" => Membership::of(is_media_type(code)),
        _ => Membership::Unknown,
    }
}

/// `type/subtype`, with parameters or without (<https://www.rfc-editor.org/rfc/rfc2045#section-5.1>),
/// or one of the short names that stand for the standard's own formats
/// (<http://hl7.org/fhir/R4/http.html#mime-type>).
fn is_media_type(text: &str) -> bool {
    if ["json", "xml", "ttl"].contains(&text) {
        return true;
    }
    let is_token = |text: &str| {
        let legal = |b: u8| b.is_ascii_alphanumeric() || b"!#$&-^_.+*'`|~%".contains(&b);
        !text.is_empty() && text.bytes().all(legal)
    };
    let essence = text.split(';').next().unwrap_or(text).trim_end();
    essence.split_once('/').is_some_and(|(kind, subtype)| is_token(kind) && is_token(subtype))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn media_types() {
        for good in ["text/plain", "application/fhir+json; fhirVersion=4.0", "image/*", "json"] {
            assert!(is_media_type(good), "{good}");
        }
        for bad in ["", "pdf", "/", "text/", "a b/c"] {
            assert!(!is_media_type(bad), "{bad}");
        }
    }
}
