//! The words of the letter, by key, in one language.
//!
//! No wording hides in code: every text for people stands in `text/<language>.json`, with places
//! to fill in braces. A key without a text stands for itself, and a test finds it.

use std::collections::BTreeMap;
use std::fmt::Display;
use std::sync::LazyLock;

use crate::clinical::number::Number;
use crate::clinical::source::Day;

/// The texts of one language.
#[derive(Debug)]
pub struct Catalogue {
    language: &'static str,
    texts: BTreeMap<String, String>,
}

static ENGLISH: LazyLock<Catalogue> =
    LazyLock::new(|| Catalogue::read("en", include_str!("text/en.json")));
static GERMAN: LazyLock<Catalogue> =
    LazyLock::new(|| Catalogue::read("de", include_str!("text/de.json")));

impl Catalogue {
    /// English.
    pub fn english() -> &'static Self {
        &ENGLISH
    }

    /// German.
    pub fn german() -> &'static Self {
        &GERMAN
    }

    /// The catalogue of a language tag such as `de` or `de-CH`, whatever its case; none where there
    /// is none.
    /// Source: <https://www.rfc-editor.org/rfc/rfc5646>.
    pub fn of_language(tag: &str) -> Option<&'static Self> {
        let language = tag.split('-').next()?.to_ascii_lowercase();
        [Self::english(), Self::german()].into_iter().find(|words| words.language == language)
    }

    /// The texts are part of the program and a test reads them, so that none stands for a fault that
    /// cannot reach a release.
    fn read(language: &'static str, texts: &str) -> Self {
        Self { language, texts: serde_json::from_str(texts).unwrap_or_default() }
    }

    /// A number as the language writes it.
    pub fn number(&self, number: impl Display) -> String {
        number.to_string().replace('.', self.get("number.decimal"))
    }

    /// A number with its sign, and with the sign of print for a minus.
    pub fn signed(&self, number: Number) -> String {
        self.number(number.signed()).replace('-', "\u{2212}")
    }

    /// Every key, in order.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.texts.keys().map(String::as_str)
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

    /// The text of `group.name`, if there is one.
    pub fn find(&self, group: &str, name: &str) -> Option<&str> {
        self.texts.get(&format!("{group}.{name}")).map(String::as_str)
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

    /// A day without its year, for drawings.
    pub fn day_of_year(&self, day: Day) -> String {
        let (_, month, number) = day.0.to_calendar_date();
        let month = self.name("month-short", &u8::from(month).to_string()).to_owned();
        self.fill("date.day", &[("d", number.to_string()), ("m", month)])
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

    #[test]
    fn numbers_and_days_as_the_language_writes_them() {
        let check = |tag: &str, number: &str, day: &str| {
            let words = Catalogue::of_language(tag).unwrap();
            assert_eq!(words.signed(Number::new("-12.5".parse().unwrap())), number, "{tag}");
            assert_eq!(words.day(Day::parse("2026-03-09").unwrap()), day, "{tag}");
        };
        check("en", "\u{2212}12.5", "9 March 2026");
        check("DE-at", "\u{2212}12,5", "9. M\u{e4}rz 2026");
        assert!(Catalogue::of_language("xx").is_none());
    }
}
