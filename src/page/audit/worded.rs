//! Figures and groups in words.

use std::collections::BTreeMap;

use crate::audit::table::{Row, Split, Told};
use crate::letter::catalogue::Catalogue;
use crate::statistics::Interval;

/// A dash between the ends of a range.
const TO: &str = " \u{2013} ";

/// The names of the groups of a split.
pub(super) fn groups(
    split: &Split,
    names: &BTreeMap<String, String>,
    words: &Catalogue,
) -> Vec<String> {
    let rows = split.rows.iter();
    rows.map(|row| group(&split.code, row.value.as_deref(), names, words)).collect()
}

/// The name of a group: what it refers to, else the words of its code.
pub(super) fn group(
    stratifier: &str,
    value: Option<&str>,
    names: &BTreeMap<String, String>,
    words: &Catalogue,
) -> String {
    let Some(value) = value else { return words.get("not-recorded").to_owned() };
    if let Some(name) = names.get(value) {
        return name.clone();
    }
    let known = match stratifier {
        "sex" => words.find("gender", value),
        "baseline-severity" => words.find("band", value),
        "month" => return month(value, words),
        _ => words.find("audit.group", value),
    };
    known.unwrap_or(value).to_owned()
}

/// A month, such as `Mar 2026`.
pub(super) fn month(text: &str, words: &Catalogue) -> String {
    let Some((year, month)) = text.split_once('-') else { return text.to_owned() };
    let name = words.name("month-short", month.trim_start_matches('0'));
    format!("{name} {year}")
}

/// A share in percent.
pub(super) fn percent(share: f64, words: &Catalogue) -> String {
    format!("{}\u{a0}%", number(share * 100.0, 1, words))
}

/// A number with so many decimals, and the sign of print for a minus.
pub(super) fn number(value: f64, decimals: usize, words: &Catalogue) -> String {
    let text = format!("{value:.decimals$}");
    let nothing = text.chars().all(|c| "-0.".contains(c));
    let text = if nothing { text.trim_start_matches('-').to_owned() } else { text };
    words.number(text).replace('-', "\u{2212}")
}

/// What is done with one number of a figure.
pub(super) type Write<'a> = &'a dyn Fn(f64) -> String;

/// How a value of the figure is written.
pub(super) fn value(row: &Row, value: f64, words: &Catalogue) -> String {
    match &row.figure {
        Told::Proportion { .. } => percent(value, words),
        Told::Ratio { .. } => number(value, 2, words),
        Told::Continuous { unit, .. } => {
            let unit = self::unit(unit, words);
            let space = if unit.is_empty() { "" } else { "\u{a0}" };
            format!("{}{space}{unit}", number(value, 1, words))
        }
        Told::Withheld | Told::Cohort => String::new(),
    }
}

/// The same at an axis, where shares need no decimals.
pub(super) fn tick(row: &Row, value: f64, words: &Catalogue) -> String {
    match &row.figure {
        Told::Proportion { .. } => format!("{}\u{a0}%", number(value * 100.0, 0, words)),
        // A round value of an axis, without its unit: the figure above has that.
        _ => number(value, usize::from((value - value.round()).abs() > 1e-9), words),
    }
}

/// The unit as people write it; scores and counts need none.
fn unit<'a>(unit: &'a str, words: &'a Catalogue) -> &'a str {
    match unit {
        "%" => words.get("audit.unit.points"),
        "d" => words.get("audit.unit.days"),
        annotation if annotation.starts_with('{') => "",
        other => other,
    }
}

/// An interval, both ends written alike.
pub(super) fn interval(interval: Interval, write: Write<'_>) -> String {
    format!("{}{TO}{}", write(interval.low), write(interval.high))
}

/// A range of a figure; a dash where there is none.
pub(super) fn range(row: &Row, ends: Option<Interval>, words: &Catalogue) -> String {
    let write = |end: f64| value(row, end, words);
    ends.map_or("\u{2013}".to_owned(), |ends| interval(ends, &write))
}

/// A count, or that it is withheld.
pub(super) fn count(count: Option<u64>, words: &Catalogue) -> String {
    count.map_or(words.get("audit.withheld").to_owned(), |count| count.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_groups() {
        let words = Catalogue::english();
        assert_eq!(percent(0.125, words), "12.5\u{a0}%");
        assert_eq!(number(-0.04, 1, words), "0.0");
        assert_eq!(number(-2.25, 2, words), "\u{2212}2.25");
        assert_eq!(number(0.5, 1, Catalogue::german()), "0,5");
        let names = BTreeMap::from([("Practitioner/a".to_owned(), "Ann".to_owned())]);
        let group = |by: &str, value| group(by, value, &names, words);
        assert_eq!(group("practitioner", Some("Practitioner/a")), "Ann");
        assert_eq!(group("practitioner", Some("Practitioner/b")), "Practitioner/b");
        assert_eq!(group("month", Some("2026-03")), "Mar 2026");
        assert_eq!(group("sex", Some("female")), "female");
        assert_eq!(group("sex", None), words.get("not-recorded"));
    }
}
