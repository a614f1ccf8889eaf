//! Values of a query: lists, parts, escapes, prefixes.
//!
//! What the commas, bars and dollar signs of a value part is taken apart before the backslashes
//! are resolved, so that an escaped one parts nothing.
//! Source: <http://hl7.org/fhir/R4/search.html#escaping>, <http://hl7.org/fhir/R4/search.html#prefix>.

/// The parts between unescaped separators, still escaped themselves.
pub fn split(text: &str, separator: char) -> Vec<&str> {
    let (mut parts, mut start, mut escaped) = (Vec::new(), 0, false);
    for (at, letter) in text.char_indices() {
        if escaped {
            escaped = false;
        } else if letter == '\\' {
            escaped = true;
        } else if letter == separator {
            parts.extend(text.get(start..at));
            start = at + letter.len_utf8();
        }
    }
    parts.extend(text.get(start..));
    parts
}

/// The text with its escapes resolved; none if a backslash stands before anything else than a comma,
/// a bar, a dollar sign or a backslash.
pub fn unescape(text: &str) -> Option<String> {
    let mut plain = String::with_capacity(text.len());
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        match letter {
            '\\' => plain.push(letters.next().filter(|next| ",|$\\".contains(*next))?),
            other => plain.push(other),
        }
    }
    Some(plain)
}

/// The text as a part of a value, so that nothing in it parts anything.
pub fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        if ",|$\\".contains(letter) {
            escaped.push('\\');
        }
        escaped.push(letter);
    }
    escaped
}

/// How the value of a resource must stand to the value of the query
/// (<http://hl7.org/fhir/R4/search.html#prefix>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Prefix {
    /// `eq`, the default: within.
    Equal,
    /// `ne`: not within.
    NotEqual,
    /// `gt`: reaches above.
    Greater,
    /// `lt`: reaches below.
    Less,
    /// `ge`: within or reaches above.
    GreaterOrEqual,
    /// `le`: within or reaches below.
    LessOrEqual,
    /// `sa`: begins after.
    StartsAfter,
    /// `eb`: ends before.
    EndsBefore,
    /// `ap`: about the same.
    Approximately,
}

impl Prefix {
    /// The prefix in front of a number or date, and the rest. Letters that are no prefix are left
    /// to be found wrong as part of the value.
    pub fn take(text: &str) -> (Self, &str) {
        let prefix = match text.get(..2) {
            Some("eq") => Self::Equal,
            Some("ne") => Self::NotEqual,
            Some("gt") => Self::Greater,
            Some("lt") => Self::Less,
            Some("ge") => Self::GreaterOrEqual,
            Some("le") => Self::LessOrEqual,
            Some("sa") => Self::StartsAfter,
            Some("eb") => Self::EndsBefore,
            Some("ap") => Self::Approximately,
            _ => return (Self::Equal, text),
        };
        (prefix, text.get(2..).unwrap_or_default())
    }

    /// Whether a target that spans from `low` to `high` (none: without bound) stands in this
    /// relation to the values from `first` to `last`.
    pub fn holds<T: Ord>(self, target: (Option<T>, Option<T>), first: &T, last: &T) -> bool {
        let (low, high) = target;
        let within = low.as_ref().is_some_and(|low| low >= first)
            && high.as_ref().is_some_and(|high| high <= last);
        let above = high.as_ref().is_none_or(|high| high > last);
        let below = low.as_ref().is_none_or(|low| low < first);
        match self {
            Self::Equal => within,
            Self::NotEqual => !within,
            Self::Greater => above,
            Self::Less => below,
            Self::GreaterOrEqual => within || above,
            Self::LessOrEqual => within || below,
            Self::StartsAfter => low.is_some_and(|low| low > *last),
            Self::EndsBefore => high.is_some_and(|high| high < *first),
            Self::Approximately => {
                low.is_none_or(|low| low <= *last) && high.is_none_or(|high| high >= *first)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// <http://hl7.org/fhir/R4/search.html#escaping>
    #[test]
    fn escapes() {
        for (text, parts) in [
            (r"a,b", vec!["a", "b"]),
            (r"a\,b", vec!["a,b"]),
            (r"a\\,b", vec![r"a\", "b"]),
            (r"\$\|", vec!["$|"]),
            ("", vec![""]),
            ("a,", vec!["a", ""]),
        ] {
            let found: Vec<_> = split(text, ',').into_iter().filter_map(unescape).collect();
            assert_eq!(found, parts, "{text}");
        }
        let text = r"a,b|c$d\e";
        assert_eq!(escape(text), r"a\,b\|c\$d\\e");
        assert_eq!(unescape(&escape(text)).as_deref(), Some(text));
        assert_eq!(unescape(r"a\b"), None);
        assert_eq!(unescape(r"a\"), None);
    }

    /// The table of <http://hl7.org/fhir/R4/search.html#prefix>, with a target from 3 to 5.
    #[test]
    fn relations() {
        for (prefix, first, last, expected) in [
            ("eq", 3, 5, true),
            ("eq", 3, 4, false),
            ("eq", 2, 6, true),
            ("ne", 3, 4, true),
            ("gt", 4, 4, true),
            ("gt", 5, 5, false),
            ("lt", 4, 4, true),
            ("lt", 3, 3, false),
            ("ge", 3, 5, true),
            ("ge", 1, 2, true),
            ("ge", 6, 7, false),
            ("le", 6, 7, true),
            ("le", 1, 2, false),
            ("sa", 1, 2, true),
            ("sa", 1, 3, false),
            ("eb", 6, 7, true),
            ("eb", 5, 7, false),
            ("ap", 5, 9, true),
            ("ap", 6, 9, false),
        ] {
            let relation = Prefix::take(prefix).0;
            let found = relation.holds((Some(3), Some(5)), &first, &last);
            assert_eq!(found, expected, "{prefix} {first} {last}");
        }
        assert!(Prefix::Greater.holds((Some(3), None), &9, &9));
        assert!(!Prefix::Equal.holds((Some(3), None), &0, &9));
    }
}
