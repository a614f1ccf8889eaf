//! The unit that was probably meant.
//!
//! In this order: a habit of writing (`habits.tsv`), signs that UCUM writes otherwise, the same letters
//! in other case, the unit's name, brackets left out, and one slip of the pen in a code or name. What
//! is found is always a unit of UCUM.
//! Source: <https://ucum.org/ucum>; the habits: common practice, no source.

use std::collections::HashMap;
use std::sync::LazyLock;

use octofhir_ucum::{analyse, find_unit, get_all_units};

/// A habit of writing, the code that is meant by it, and whether it is always meant by it.
struct Habit {
    written: &'static str,
    code: &'static str,
    certain: bool,
}

static HABITS: LazyLock<Vec<Habit>> = LazyLock::new(|| {
    let lines = include_str!("habits.tsv").lines().filter(|line| !line.starts_with('#'));
    let habit = |line: &'static str| {
        let mut cells = line.split('\t');
        Some(Habit { written: cells.next()?, code: cells.next()?, certain: cells.next().is_none() })
    };
    lines.filter_map(habit).collect()
});

/// The habits by what is written, as it is and in lower case.
static BY_WRITTEN: LazyLock<HashMap<String, &'static Habit>> = LazyLock::new(|| {
    let lower = HABITS.iter().rev().map(|habit| (habit.written.to_lowercase(), habit));
    let exact = HABITS.iter().rev().map(|habit| (habit.written.to_owned(), habit));
    lower.chain(exact).collect()
});

/// The codes of units by their names in lower case.
static BY_NAME: LazyLock<HashMap<String, &'static str>> = LazyLock::new(|| {
    let units = get_all_units().iter().rev();
    units.map(|unit| (unit.display_name.to_lowercase(), unit.code)).collect()
});

fn habit(text: &str) -> Option<&'static Habit> {
    let exact = BY_WRITTEN.get(text);
    exact.or_else(|| BY_WRITTEN.get(&text.to_lowercase())).copied()
}

/// The code of a unit that the text names in words or by habit, where it can mean no other.
pub fn named(text: &str) -> Option<&'static str> {
    let text = text.trim();
    match habit(text) {
        Some(habit) => habit.certain.then_some(habit.code),
        None => by_name(text),
    }
}

/// The code that a text which is no unit is nearest to.
pub(super) fn near(unit: &str) -> Option<String> {
    let text = unit.trim();
    if let Some(habit) = habit(text) {
        return Some(habit.code.to_owned());
    }
    let mended: String = text.replace("**", "").replace('^', "").replace('*', ".");
    let mended = mended.replace(['µ', 'μ'], "u").replace('²', "2").replace('³', "3");
    let mended: String = mended.split_whitespace().collect();
    if mended != text && !mended.is_empty() && analyse(&mended).is_ok() {
        return Some(mended);
    }
    let same = |code: &str| code.eq_ignore_ascii_case(text);
    if let Some(unit) = get_all_units().iter().find(|unit| same(unit.code)) {
        return Some(unit.code.to_owned());
    }
    if let Some(code) = by_name(text) {
        return Some(code.to_owned());
    }
    let bracketed = format!("[{text}]");
    if find_unit(&bracketed).is_some() {
        return Some(bracketed);
    }
    let lower = text.to_lowercase();
    let is_word = lower.chars().all(|c| c.is_ascii_alphabetic());
    if is_word && lower != text && analyse(&lower).is_ok() {
        return Some(lower);
    }
    slip(&lower)
}

fn by_name(text: &str) -> Option<&'static str> {
    let lower = text.to_lowercase();
    let singular = lower.strip_suffix('s').unwrap_or(&lower);
    BY_NAME.get(&lower).or_else(|| BY_NAME.get(singular)).copied()
}

/// The habit, name or code that one letter more, less, other or swapped makes of the text. Short
/// texts are near to too many.
fn slip(lower: &str) -> Option<String> {
    let length = lower.chars().count();
    if !(4..=40).contains(&length) {
        return None;
    }
    let is_near = |known: &str| is_one_slip(lower, &known.to_lowercase());
    let by_habit = HABITS.iter().filter(|habit| habit.written.len() >= 4);
    let by_habit = by_habit.filter(|habit| is_near(habit.written)).map(|habit| habit.code);
    let units = get_all_units().iter();
    let by_unit = units.filter(|unit| is_near(unit.display_name) || is_near(unit.code));
    by_habit.chain(by_unit.map(|unit| unit.code)).next().map(str::to_owned)
}

/// Whether the texts are one insertion, deletion, substitution or swap of neighbours apart.
fn is_one_slip(a: &str, b: &str) -> bool {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let (short, long) = if a.len() <= b.len() { (&a, &b) } else { (&b, &a) };
    let same = short.iter().zip(long).take_while(|(x, y)| x == y).count();
    let rest = |list: &[char], from: usize| list.get(from..).unwrap_or_default().to_vec();
    match long.len() - short.len() {
        1 => rest(short, same) == rest(long, same + 1),
        0 => {
            let swapped = short.get(same) == long.get(same + 1)
                && short.get(same + 1) == long.get(same)
                && rest(short, same + 2) == rest(long, same + 2);
            rest(short, same + 1) == rest(long, same + 1) || swapped
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_habit_means_a_unit_of_ucum() {
        assert!(HABITS.len() > 60);
        for habit in HABITS.iter() {
            assert!(analyse(habit.code).is_ok(), "{} for {}", habit.code, habit.written);
        }
    }

    #[test]
    fn slips_of_the_pen() {
        for (written, expected) in [
            ("degre", Some("deg")),
            ("degrese", Some("deg")),
            ("millimeterr", Some("mm")),
            ("secnods", Some("s")),
            ("kilogramm", Some("kg")),
            ("m/", None),
            ("qqqqq", None),
            ("xy", None),
        ] {
            assert_eq!(near(written).as_deref(), expected, "{written}");
        }
    }

    #[test]
    fn what_a_unit_is_called() {
        for (text, expected) in [
            ("degrees Celsius", Some("Cel")),
            ("C", Some("Cel")),
            ("mmHg", Some("mm[Hg]")),
            ("degrees", None),
            ("points", None),
            ("kg", None),
        ] {
            assert_eq!(named(text), expected, "{text}");
        }
    }
}
