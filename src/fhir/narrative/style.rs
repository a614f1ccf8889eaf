//! The style attribute of a narrative: formatting only.
//!
//! Nothing is fetched and nothing is run from it. Comments and escapes are read first, since they
//! hide words from a reader who skips them. Whether the style is otherwise right CSS is not asked.
//! Source: <http://hl7.org/fhir/R4/narrative.html#security>; escapes and comments:
//! <https://www.w3.org/TR/CSS2/syndata.html#characters>.

/// What makes the style unfit, in words; none if it is harmless.
pub(super) fn danger(style: &str) -> Option<&'static str> {
    let plain = plain(style);
    let found = WORDS.iter().find(|(word, _)| plain.contains(word));
    found.map(|(_, what)| *what)
}

const WORDS: &[(&str, &str)] = &[
    ("url(", "a url(): nothing is fetched for a narrative"),
    ("@import", "an @import: external style sheets are not allowed"),
    ("image-set(", "an image-set(): nothing is fetched for a narrative"),
    ("expression(", "an expression(): scripts are not allowed"),
    ("javascript:", "a javascript: URL: scripts are not allowed"),
    ("vbscript:", "a vbscript: URL: scripts are not allowed"),
    ("behavior:", "a behavior: scripts are not allowed"),
    ("-moz-binding", "a binding: scripts are not allowed"),
];

/// The style in lower case without comments, white space and control characters, escapes read.
fn plain(style: &str) -> String {
    let mut plain = String::with_capacity(style.len());
    let mut letters = without_comments(style).chars().collect::<Vec<_>>().into_iter().peekable();
    while let Some(letter) = letters.next() {
        let letter = if letter == '\\' { escaped(&mut letters) } else { Some(letter) };
        let seen = letter.filter(|c| !c.is_whitespace() && !c.is_control());
        plain.extend(seen.into_iter().flat_map(char::to_lowercase));
    }
    plain
}

/// The character after a backslash: up to six hexadecimal digits and one space, or itself.
fn escaped(letters: &mut std::iter::Peekable<std::vec::IntoIter<char>>) -> Option<char> {
    let mut code = 0;
    let mut digits = 0;
    while let Some(digit) = letters.peek().and_then(|c| c.to_digit(16)) {
        if digits == 6 {
            break;
        }
        code = code * 16 + digit;
        digits += 1;
        letters.next();
    }
    if digits == 0 {
        return letters.next();
    }
    letters.next_if(|c| c.is_whitespace());
    char::from_u32(code)
}

fn without_comments(style: &str) -> String {
    let mut text = String::with_capacity(style.len());
    let mut rest = style;
    while let Some((before, after)) = rest.split_once("/*") {
        text.push_str(before);
        rest = after.split_once("*/").map_or("", |(_, rest)| rest);
    }
    text.push_str(rest);
    text
}
