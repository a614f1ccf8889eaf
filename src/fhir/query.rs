//! Names and values as they stand in URLs and forms.
//!
//! Source: <https://url.spec.whatwg.org/#application/x-www-form-urlencoded>.

use std::fmt::Write as _;

/// The decoded names and values of a query or form, in order; bytes that are no UTF-8 become the
/// replacement character.
pub fn pairs(text: &str) -> Vec<(String, String)> {
    let parts = text.split('&').filter(|part| !part.is_empty());
    parts
        .map(|part| {
            let (name, value) = part.split_once('=').unwrap_or((part, ""));
            (decode(name), decode(value))
        })
        .collect()
}

/// A value of a form or query.
fn decode(text: &str) -> String {
    unescape(&text.replace('+', " "))
}

/// Text in which bytes are written as `%` and two digits.
pub fn unescape(text: &str) -> String {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        rest = after;
        bytes.push(match (first, after) {
            (b'%', [high, low, after @ ..]) => match (digit(*high), digit(*low)) {
                (Some(high), Some(low)) => {
                    rest = after;
                    high << 4 | low
                }
                _ => b'%',
            },
            _ => *first,
        });
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

fn digit(byte: u8) -> Option<u8> {
    char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok())
}

/// The names and values as a query.
pub fn encode(pairs: &[(impl AsRef<str>, impl AsRef<str>)]) -> String {
    let mut text = String::new();
    for (name, value) in pairs {
        if !text.is_empty() {
            text.push('&');
        }
        escape(&mut text, name.as_ref());
        text.push('=');
        escape(&mut text, value.as_ref());
    }
    text
}

/// Leaves what is legible and safe in a query, such as `:`, `/`, `,` and `|`'s neighbours, alone.
fn escape(out: &mut String, text: &str) {
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~:/,$!*@".contains(&byte) {
            out.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _written = write!(out, "%{byte:02X}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decoding() {
        let own = |list: &[(&str, &str)]| -> Vec<(String, String)> {
            list.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect()
        };
        for (text, expected) in [
            ("", vec![]),
            ("a=b&&c", vec![("a", "b"), ("c", "")]),
            ("a=b+c%20d%2Be", vec![("a", "b c d+e")]),
            ("a=%C3%A4", vec![("a", "ä")]),
            ("a=1%", vec![("a", "1%")]),
            ("a=%zz&b=x=y", vec![("a", "%zz"), ("b", "x=y")]),
            ("name%3Aexact=A%26B", vec![("name:exact", "A&B")]),
        ] {
            assert_eq!(pairs(text), own(&expected), "{text}");
        }
    }

    #[test]
    fn encoding_is_read_back() {
        let given = pairs("identifier=http://a.example|1&name=A%26B+%C3%A4%25");
        assert_eq!(encode(&given), "identifier=http://a.example%7C1&name=A%26B%20%C3%A4%25");
        assert_eq!(pairs(&encode(&given)), given);
    }
}
