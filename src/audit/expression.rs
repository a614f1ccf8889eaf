//! Criteria joined by `and`, `or` and `not`, as a Measure's population writes them.
//!
//! ```text
//! expression = term *( "or" term )
//! term       = factor *( "and" factor )
//! factor     = "not" factor / "(" expression ")" / code [ "(" number ")" ]
//! ```
//! Not done: comparisons, arithmetic; what needs them is a criterion of its own.

use super::criterion::{Answer, Criterion, criterion};
use super::facts::Facts;

/// A criterion, or criteria joined.
pub enum Expression {
    /// One criterion with its number.
    One(&'static Criterion, i64),
    /// The opposite.
    Not(Box<Expression>),
    /// Both.
    And(Box<Expression>, Box<Expression>),
    /// One of both.
    Or(Box<Expression>, Box<Expression>),
}

/// How deep parentheses and `not` may nest.
const DEEPEST: usize = 32;

impl Expression {
    /// Reads an expression.
    ///
    /// # Errors
    /// What is wrong, in a sentence that names the word it is wrong at.
    pub fn parse(text: &str) -> Result<Self, String> {
        let words = words(text);
        let mut rest = words.as_slice();
        let expression = any(&mut rest, 0)?;
        match rest.first() {
            None => Ok(expression),
            Some(word) => Err(format!("`{word}` is not expected here")),
        }
    }

    /// What it says of an episode.
    pub fn of(&self, facts: &Facts) -> Answer {
        match self {
            Self::One(criterion, number) => (criterion.of)(facts, *number),
            Self::Not(inner) => !inner.of(facts),
            Self::And(a, b) => a.of(facts).and(b.of(facts)),
            Self::Or(a, b) => a.of(facts).or(b.of(facts)),
        }
    }
}

/// The words, with each parenthesis as a word of its own.
fn words(text: &str) -> Vec<String> {
    let apart = text.replace('(', " ( ").replace(')', " ) ");
    apart.split_whitespace().map(str::to_owned).collect()
}

type Words<'a> = &'a [String];

fn take(rest: &mut Words<'_>, wanted: &str) -> bool {
    match rest.split_first() {
        Some((word, after)) if word == wanted => {
            *rest = after;
            true
        }
        _ => false,
    }
}

fn any(rest: &mut Words<'_>, depth: usize) -> Result<Expression, String> {
    let mut found = all(rest, depth)?;
    while take(rest, "or") {
        found = Expression::Or(Box::new(found), Box::new(all(rest, depth)?));
    }
    Ok(found)
}

fn all(rest: &mut Words<'_>, depth: usize) -> Result<Expression, String> {
    let mut found = factor(rest, depth)?;
    while take(rest, "and") {
        found = Expression::And(Box::new(found), Box::new(factor(rest, depth)?));
    }
    Ok(found)
}

fn factor(rest: &mut Words<'_>, depth: usize) -> Result<Expression, String> {
    if depth > DEEPEST {
        return Err(format!("more than {DEEPEST} levels of `not` and parentheses"));
    }
    if take(rest, "not") {
        return Ok(Expression::Not(Box::new(factor(rest, depth + 1)?)));
    }
    if take(rest, "(") {
        let inner = any(rest, depth + 1)?;
        return if take(rest, ")") { Ok(inner) } else { Err("a `)` is missing".to_owned()) };
    }
    let Some((code, after)) = rest.split_first() else {
        return Err("a criterion is missing at the end".to_owned());
    };
    *rest = after;
    let found = criterion(code).ok_or_else(|| format!("there is no criterion `{code}`"))?;
    let number = if take(rest, "(") { Some(number(rest, code)?) } else { None };
    match (found.takes_number, number) {
        (true, Some(number)) => Ok(Expression::One(found, number)),
        (true, None) => Err(format!("`{code}` takes a whole number, as in `{code}(2)`")),
        (false, Some(_)) => Err(format!("`{code}` takes no number")),
        (false, None) => Ok(Expression::One(found, 0)),
    }
}

fn number(rest: &mut Words<'_>, code: &str) -> Result<i64, String> {
    let found = rest.split_first().and_then(|(word, after)| Some((word.parse().ok()?, after)));
    let Some((number, after)) = found else {
        return Err(format!("`{code}` takes a whole number, as in `{code}(2)`"));
    };
    *rest = after;
    if take(rest, ")") { Ok(number) } else { Err(format!("a `)` is missing after `{code}`")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn criteria_join() {
        let facts = Facts { attended: 3, treated: true, ..Facts::default() };
        for (text, answer) in [
            ("treated", Answer::Yes),
            ("not treated", Answer::No),
            ("treated and visits-at-least(4)", Answer::No),
            ("treated and visits-at-least( 3 )", Answer::Yes),
            ("dropped-out", Answer::Unknown),
            ("dropped-out or treated", Answer::Yes),
            ("not (treated and not dropped-out) or red-flag", Answer::Unknown),
        ] {
            let expression = Expression::parse(text).unwrap();
            assert_eq!(expression.of(&facts), answer, "{text}");
        }
    }

    #[test]
    fn what_is_wrong_is_named() {
        for (text, part) in [
            ("", "missing at the end"),
            ("treated and", "missing at the end"),
            ("treeted", "`treeted`"),
            ("treated(2)", "takes no number"),
            ("visits-at-least", "whole number"),
            ("visits-at-least(x)", "whole number"),
            ("visits-at-least(2", "`)` is missing"),
            ("(treated", "`)` is missing"),
            ("treated treated", "not expected"),
            ("treated > 2", "`>`"),
        ] {
            let Err(fault) = Expression::parse(text) else { panic!("{text} reads") };
            assert!(fault.contains(part), "{text}: {fault}");
        }
        assert!(Expression::parse(&"not ".repeat(10_000)).is_err());
    }
}
