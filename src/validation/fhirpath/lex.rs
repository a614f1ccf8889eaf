//! The text of an expression to its tokens.
//!
//! Source: <http://hl7.org/fhirpath/N1/#lexical-elements>.

use super::Fault;

#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Token {
    /// A name or keyword.
    Name(String),
    /// A name between backticks, which is never a keyword.
    Quoted(String),
    Text(String),
    /// Digits, with or without a point.
    Number(String),
    /// What follows `@`.
    Moment(String),
    /// What follows `%`.
    Constant(String),
    /// `$this` and the like, without the dollar sign.
    Special(String),
    Sign(&'static str),
}

/// Longest first.
const SIGNS: [&str; 22] = [
    "!=", "!~", "<=", ">=", "=", "~", "<", ">", "+", "-", "*", "/", "&", "|", ".", ",", "(", ")",
    "[", "]", "{", "}",
];

/// The tokens of an expression, each with the place (in bytes, from 1) where it starts.
pub(super) fn tokens(text: &str) -> Result<Vec<(Token, usize)>, Fault> {
    let mut lexer = Lexer { rest: text, text };
    let mut tokens = Vec::new();
    loop {
        lexer.skip_blank()?;
        if lexer.rest.is_empty() {
            return Ok(tokens);
        }
        let place = lexer.place();
        tokens.push((lexer.token()?, place));
    }
}

struct Lexer<'t> {
    rest: &'t str,
    text: &'t str,
}

fn is_word(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '_'
}

impl<'t> Lexer<'t> {
    fn place(&self) -> usize {
        self.text.len() - self.rest.len() + 1
    }

    fn fault<T>(&self, text: &str) -> Result<T, Fault> {
        Err(Fault::new(format!("{text} at character {} of the expression", self.place())))
    }

    fn skip_blank(&mut self) -> Result<(), Fault> {
        loop {
            self.rest = self.rest.trim_start();
            if let Some(rest) = self.rest.strip_prefix("//") {
                self.rest = rest.split_once('\n').map_or("", |(_, rest)| rest);
            } else if let Some(rest) = self.rest.strip_prefix("/*") {
                let Some((_, rest)) = rest.split_once("*/") else {
                    return self.fault("a comment without an end");
                };
                self.rest = rest;
            } else {
                return Ok(());
            }
        }
    }

    fn take(&mut self, is_part: impl Fn(char) -> bool) -> &'t str {
        let end = self.rest.find(|c| !is_part(c)).unwrap_or(self.rest.len());
        let (taken, rest) = self.rest.split_at(end);
        self.rest = rest;
        taken
    }

    fn token(&mut self) -> Result<Token, Fault> {
        let first = self.rest.chars().next().unwrap_or_default();
        match first {
            '\'' => Ok(Token::Text(self.quoted('\'')?)),
            '`' => Ok(Token::Quoted(self.quoted('`')?)),
            '%' => {
                self.rest = self.rest.get(1..).unwrap_or_default();
                match self.rest.chars().next() {
                    Some(quote @ ('`' | '\'' | '"')) => Ok(Token::Constant(self.quoted(quote)?)),
                    Some(c) if is_word(c) => Ok(Token::Constant(self.take(is_word).to_owned())),
                    _ => self.fault("a constant without a name"),
                }
            }
            '$' => {
                self.rest = self.rest.get(1..).unwrap_or_default();
                Ok(Token::Special(self.take(is_word).to_owned()))
            }
            '@' => self.moment(),
            '0'..='9' => Ok(Token::Number(self.number())),
            c if is_word(c) => Ok(Token::Name(self.take(is_word).to_owned())),
            _ => {
                let sign = SIGNS.iter().find(|sign| self.rest.starts_with(**sign));
                let Some(sign) = sign else { return self.fault("a sign without a meaning") };
                self.rest = self.rest.get(sign.len()..).unwrap_or_default();
                Ok(Token::Sign(sign))
            }
        }
    }

    fn number(&mut self) -> String {
        let mut number = self.take(|c| c.is_ascii_digit()).to_owned();
        let after = self.rest.strip_prefix('.');
        if let Some(after) = after.filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
            self.rest = after;
            number.push('.');
            number.push_str(self.take(|c| c.is_ascii_digit()));
        }
        number
    }

    /// `@2015-02-04T14:34:28.123+10:00` and its parts; a time starts with `T`.
    fn moment(&mut self) -> Result<Token, Fault> {
        let start = self.rest;
        self.rest = self.rest.get(1..).unwrap_or_default();
        let text = self.rest;
        let is_time = self.rest.starts_with('T');
        if !is_time {
            self.take(|c| c.is_ascii_digit());
            for _ in 0..2 {
                self.part('-');
            }
        }
        let had_t = self.rest.starts_with('T');
        if had_t {
            self.rest = self.rest.get(1..).unwrap_or_default();
            self.take(|c| c.is_ascii_digit());
            for _ in 0..2 {
                self.part(':');
            }
            self.part('.');
            if let Some(rest) = self.rest.strip_prefix('Z') {
                self.rest = rest;
            } else if self.rest.get(3..4) == Some(":") && self.rest.starts_with(['+', '-']) {
                self.rest = self.rest.get(1..).unwrap_or_default();
                self.take(|c| c.is_ascii_digit());
                self.part(':');
            }
        }
        let taken = text.len() - self.rest.len();
        let text = text.get(..taken).unwrap_or_default();
        if text.len() < 3 {
            self.rest = start;
            return self.fault("a date or time is expected");
        }
        Ok(Token::Moment(text.to_owned()))
    }

    fn part(&mut self, sign: char) {
        let after = self.rest.strip_prefix(sign);
        if let Some(after) = after.filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
            self.rest = after;
            self.take(|c| c.is_ascii_digit());
        }
    }

    fn quoted(&mut self, quote: char) -> Result<String, Fault> {
        let mut text = String::new();
        let mut chars = self.rest.chars();
        chars.next();
        while let Some(c) = chars.next() {
            match c {
                _ if c == quote => {
                    self.rest = chars.as_str();
                    return Ok(text);
                }
                '\\' => match chars.next() {
                    Some('n') => text.push('\n'),
                    Some('r') => text.push('\r'),
                    Some('t') => text.push('\t'),
                    Some('f') => text.push('\u{c}'),
                    Some('u') => {
                        let digits: String = chars.by_ref().take(4).collect();
                        let code = u32::from_str_radix(&digits, 16).ok().and_then(char::from_u32);
                        match code {
                            Some(code) => text.push(code),
                            None => return self.fault("\\u without four hexadecimal digits"),
                        }
                    }
                    Some(c) if "\\/'\"`".contains(c) => text.push(c),
                    // Regular expressions are published with single backslashes.
                    Some(c) => text.extend(['\\', c]),
                    None => break,
                },
                _ => text.push(c),
            }
        }
        self.fault("a text without an end")
    }
}
