//! The words of the letter, by key, in one language.
//!
//! No wording hides in code: every text for people stands in `text/<language>.json`, with places
//! to fill in braces. A key without a text stands for itself, and a test finds it.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use crate::clinical::number::Number;
use crate::clinical::source::Day;

/// The texts of one language.
#[derive(Debug)]
pub struct Catalogue {
    language: &'static str,
    texts: BTreeMap<String, String>,
}

static ENGLISH: LazyLock<Catalogue> = LazyLock::new(|| Catalogue {
    language: "en",
    texts: serde_json::from_str(include_str!("text/en.json")).unwrap_or_default(),
});

impl Catalogue {
    /// English.
    pub fn english() -> &'static Self {
        &ENGLISH
    }

    /// The language's code.
    pub fn language(&self) -> &'static str {
        self.language
    }

    /// The text of a key.
    pub fn get<'a>(&'a self, key: &'a str) -> &'a str {
        self.texts.get(key).map_or(key, String::as_str)
    }

    /// The text of `group.name`; the name itself where there is none, as for codes of others.
    pub fn name<'a>(&'a self, group: &str, name: &'a str) -> &'a str {
        self.texts.get(&format!("{group}.{name}")).map_or(name, String::as_str)
    }

    /// The text of a key with its places filled.
    pub fn fill(&self, key: &str, places: &[(&str, impl AsRef<str>)]) -> String {
        let mut text = self.get(key).to_owned();
        for (place, value) in places {
            text = text.replace(&format!("{{{place}}}"), value.as_ref());
        }
        text
    }

    /// The text of a key for one or for several, with `{n}` filled.
    pub fn count(&self, key: &str, n: usize) -> String {
        let form = if n == 1 { "one" } else { "many" };
        self.fill(&format!("{key}.{form}"), &[("n", &n.to_string())])
    }

    /// A day, written out.
    pub fn day(&self, day: Day) -> String {
        let (year, month, number) = day.0.to_calendar_date();
        let month = self.name("month", &u8::from(month).to_string()).to_owned();
        let places = [("d", number.to_string()), ("m", month), ("y", year.to_string())];
        self.fill("date", &places)
    }

    /// A day, shortened for tables.
    pub fn short_day(&self, day: Day) -> String {
        let (year, month, number) = day.0.to_calendar_date();
        let month = self.name("month-short", &u8::from(month).to_string()).to_owned();
        self.fill("date.short", &[("d", number.to_string()), ("m", month), ("y", year.to_string())])
    }

    /// Items as a list within a sentence.
    pub fn list(&self, items: &[String]) -> String {
        match items {
            [] => String::new(),
            [one] => one.clone(),
            [first @ .., last] => {
                let last_of =
                    [("first", first.join(self.get("list.comma"))), ("last", last.clone())];
                self.fill("list.and", &last_of)
            }
        }
    }
}

/// A number with its sign, and with the sign of print for a minus.
pub fn signed(number: Number) -> String {
    number.signed().replace('-', "\u{2212}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn english_is_read_and_fills_places() {
        let words = Catalogue::english();
        assert_eq!(words.day(Day::parse("2026-03-09").unwrap()), "9 March 2026");
        assert_eq!(words.list(&["a".into(), "b".into(), "c".into()]), "a, b and c");
        assert_eq!(words.count("count.visit", 1), "1 visit");
        assert_eq!(words.name("side", "nowhere"), "nowhere");
    }
}
