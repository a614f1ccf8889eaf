//! Code systems that are a grammar and so need no list.
//!
//! Source: <http://hl7.org/fhir/R4/terminologies-systems.html>.

use super::{Membership, ucum};

/// Whether the text is well formed in the system; unknown for every other system, and for what only
/// a list that is not held can tell.
pub(super) fn has_code(system: &str, code: &str) -> Membership {
    match system {
        ucum::SYSTEM => Membership::of(ucum::check(code).is_ok()),
        "urn:ietf:bcp:47" => Membership::of(is_language(code)),
        // A list that is not held; what cannot be in it is told all the same.
        "urn:iso:std:iso:3166" => possible(is_country(code)),
        "urn:ietf:rfc:3986" => Membership::of(!code.contains(char::is_whitespace)),
        "urn:ietf:bcp:13" => Membership::of(is_media_type(code)),
        _ => Membership::Unknown,
    }
}

fn possible(is_possible: bool) -> Membership {
    if is_possible { Membership::Unknown } else { Membership::Out }
}

fn upper(code: &str) -> bool {
    code.bytes().all(|b| b.is_ascii_uppercase())
}

/// Two or three letters or three digits, or a subdivision such as `AT-9`.
fn is_country(code: &str) -> bool {
    let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    match code.split_once('-') {
        Some((country, part)) => {
            let legal = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit();
            country.len() == 2
                && upper(country)
                && (1..=3).contains(&part.len())
                && part.bytes().all(legal)
        }
        None => matches!(code.len(), 2 | 3) && upper(code) || code.len() == 3 && digits(code),
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

/// A well-formed language tag (<https://www.rfc-editor.org/rfc/rfc5646#section-2.1>): language,
/// script, region, variants, extensions, private use. Whether its parts are registered is not asked.
fn is_language(tag: &str) -> bool {
    let parts: Vec<&str> = tag.split('-').collect();
    let alphabetic = |part: &str| part.bytes().all(|b| b.is_ascii_alphabetic());
    let sound = |part: &&str| {
        (1..=8).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_alphanumeric())
    };
    let Some((language, rest)) = parts.split_first() else { return false };
    if !parts.iter().all(sound) || parts.last().is_some_and(|part| part.len() == 1) {
        return false;
    }
    if ["x", "i"].contains(&language.to_ascii_lowercase().as_str()) {
        return !rest.is_empty();
    }
    // What follows a single letter is an extension or private, and free.
    let plain = rest.iter().take_while(|part| part.len() > 1);
    let mut regions = 0;
    let known = plain.enumerate().all(|(at, part)| match part.len() {
        2 => {
            regions += 1;
            alphabetic(part)
        }
        3 if alphabetic(part) => at < 3,
        3 => {
            regions += 1;
            part.bytes().all(|b| b.is_ascii_digit())
        }
        4 => alphabetic(part) || part.starts_with(|c: char| c.is_ascii_digit()),
        _ => true,
    });
    (2..=8).contains(&language.len()) && alphabetic(language) && known && regions <= 1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tags of RFC 5646, appendix A, and ones that are not well formed.
    #[test]
    fn languages() {
        for good in [
            "de",
            "en-US",
            "zh-Hant",
            "sr-Latn-RS",
            "zh-cmn-Hans-CN",
            "sl-rozaj-biske",
            "de-CH-1901",
            "es-419",
            "x-whatever",
            "de-Latn-DE-1996",
            "en-a-myext-b-another",
            "i-klingon",
            "fr-LU",
        ] {
            assert!(is_language(good), "{good}");
        }
        for bad in ["", "d", "de_DE", "de-", "deutsch-land-x", "de-419-DE", "en us", "123", "a-DE"]
        {
            assert!(!is_language(bad), "{bad}");
        }
    }

    #[test]
    fn lists_that_are_not_held() {
        for (system, code, expected) in [
            ("urn:iso:std:iso:3166", "AT", Membership::Unknown),
            ("urn:iso:std:iso:3166", "AUT", Membership::Unknown),
            ("urn:iso:std:iso:3166", "040", Membership::Unknown),
            ("urn:iso:std:iso:3166", "AT-9", Membership::Unknown),
            ("urn:iso:std:iso:3166", "Austria", Membership::Out),
        ] {
            assert_eq!(has_code(system, code), expected, "{system} {code}");
        }
    }

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
