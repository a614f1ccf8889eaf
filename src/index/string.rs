//! Strings, found by how they start, whatever their case, accents and punctuation.
//!
//! Key: `[folded text]`, cut after [`KEPT`] bytes. Items: the text as it was sent, where that is not
//! what the key holds (an empty item: it is).
//! Source: <http://hl7.org/fhir/R4/search.html#string>.

use serde_json::Value;
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

use super::form::Form;
use super::key::Key;

/// The most bytes of a folded text that a key holds.
pub const KEPT: usize = 96;

/// A text without case, accents, punctuation and doubled blanks. Letters that have no
/// decomposition but a usual spelling get that (common practice, no source).
pub fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    for letter in text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase) {
        match letter {
            'ß' => folded.push_str("ss"),
            'æ' => folded.push_str("ae"),
            'œ' => folded.push_str("oe"),
            'ø' => folded.push('o'),
            'ł' => folded.push('l'),
            'đ' | 'ð' => folded.push('d'),
            'þ' => folded.push_str("th"),
            'ı' => folded.push('i'),
            c if c.is_alphanumeric() => folded.push(c),
            c if c.is_whitespace() && !folded.is_empty() && !folded.ends_with(' ') => {
                folded.push(' ');
            }
            _ => {}
        }
    }
    folded.truncate(folded.trim_end().len());
    folded
}

/// The start of a folded text that fits a key.
pub fn cut(folded: &str) -> &str {
    let mut end = folded.len().min(KEPT);
    while !folded.is_char_boundary(end) {
        end -= 1;
    }
    folded.get(..end).unwrap_or(folded)
}

/// The keys of a value.
pub fn keys(form: Form, value: &Value, keys: &mut Vec<Key>) {
    let members: &[&str] = match form {
        Form::HumanName => &["text", "family", "given", "prefix", "suffix"],
        Form::Address => &["text", "line", "city", "district", "state", "postalCode", "country"],
        _ => {
            keys.extend(value.as_str().map(key));
            return;
        }
    };
    for member in members {
        match value.get(*member) {
            Some(Value::String(text)) => keys.push(key(text)),
            Some(Value::Array(texts)) => {
                keys.extend(texts.iter().filter_map(Value::as_str).map(key));
            }
            _ => {}
        }
    }
}

fn key(text: &str) -> Key {
    let folded = fold(text);
    let start = cut(&folded);
    let key = Key::new([start.as_bytes()]);
    if start == text { key } else { key.with([text.to_owned()]) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// <http://hl7.org/fhir/R4/search.html#string>: case, accents, punctuation and non-significant
    /// whitespace are ignored.
    #[test]
    fn folding() {
        for (text, expected) in [
            ("EVE", "eve"),
            ("Éve", "eve"),
            ("O'Brien-Weiß", "obrienweiss"),
            ("  van   der\tBerg ", "van der berg"),
            ("Ångström", "angstrom"),
            ("Ｆｕｌｌ", "full"),
            ("...", ""),
        ] {
            assert_eq!(fold(text), expected, "{text}");
        }
    }

    #[test]
    fn long_texts_are_cut_between_letters() {
        let long = "ж".repeat(100);
        assert_eq!(cut(&long).len(), KEPT);
        let text = Value::String(long.clone());
        let mut found = Vec::new();
        keys(Form::Text, &text, &mut found);
        assert_eq!(found[0].value, long.into_bytes(), "the row keeps the whole");
    }
}
