//! Functions on texts.

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::HashMap;

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE};
use regex::Regex;

use super::super::eval::text;
use super::super::item::Item;
use super::super::{Answer, Env, Fault};
use super::collection::number;
use super::{Call, Entry, bool, entry, maybe};
use crate::fhir::hex;

pub(super) const FUNCTIONS: &[Entry] = &[
    entry("indexOf", 1..=1, |call, left| place(call, &left, |text, part| text.find(part))),
    entry("lastIndexOf", 1..=1, |call, left| place(call, &left, |text, part| text.rfind(part))),
    entry("substring", 1..=2, substring),
    entry("startsWith", 1..=1, |call, left| test(call, &left, |t, part| t.starts_with(part))),
    entry("endsWith", 1..=1, |call, left| test(call, &left, |t, part| t.ends_with(part))),
    entry("contains", 1..=1, |call, left| test(call, &left, |t, part| t.contains(part))),
    entry("upper", 0..=0, |_, left| change(&left, |text| Some(text.to_uppercase()))),
    entry("lower", 0..=0, |_, left| change(&left, |text| Some(text.to_lowercase()))),
    entry("trim", 0..=0, |_, left| change(&left, |text| Some(text.trim().to_owned()))),
    entry("replace", 2..=2, replace),
    entry("matches", 1..=1, |call, left| matches(call, &left, false)),
    entry("matchesFull", 1..=1, |call, left| matches(call, &left, true)),
    entry("replaceMatches", 2..=2, replace_matches),
    entry("length", 0..=0, |_, left| {
        maybe(text(&left)?.and_then(|text| number(text.chars().count())))
    }),
    entry("toChars", 0..=0, to_chars),
    entry("split", 1..=1, split),
    entry("join", 0..=1, join),
    entry("encode", 1..=1, encode),
    entry("decode", 1..=1, decode),
    entry("escape", 1..=1, escape),
    entry("unescape", 1..=1, unescape),
];

fn owned<'v>(text: String) -> Item<'v> {
    Item::Text(Cow::Owned(text))
}

fn change<'v>(left: &[Item<'v>], change: impl Fn(&str) -> Option<String>) -> Answer<'v> {
    maybe(text(left)?.and_then(change).map(owned))
}

fn test<'v>(
    call: &Call<'_, 'v>,
    left: &[Item<'v>],
    test: impl Fn(&str, &str) -> bool,
) -> Answer<'v> {
    match (text(left)?, call.text(0)?) {
        (Some(text), Some(part)) => bool(test(text, &part)),
        _ => Ok(Vec::new()),
    }
}

fn place<'v>(
    call: &Call<'_, 'v>,
    left: &[Item<'v>],
    find: impl Fn(&str, &str) -> Option<usize>,
) -> Answer<'v> {
    let (Some(text), Some(part)) = (text(left)?, call.text(0)?) else { return Ok(Vec::new()) };
    let before = find(text, &part).and_then(|at| text.get(..at));
    match before {
        Some(before) => maybe(number(before.chars().count())),
        None => Ok(vec![Item::Integer(-1)]),
    }
}

fn substring<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let (Some(text), Some(start)) = (text(&left)?, call.integer(0)?) else { return Ok(Vec::new()) };
    let length = call.integer(1)?;
    let Ok(start) = usize::try_from(start) else { return Ok(Vec::new()) };
    if start >= text.chars().count() {
        return Ok(Vec::new());
    }
    let length = length.map_or(usize::MAX, |length| usize::try_from(length).unwrap_or(0));
    Ok(vec![owned(text.chars().skip(start).take(length).collect())])
}

fn replace<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let (from, to) = (call.text(0)?, call.text(1)?);
    let (Some(from), Some(to)) = (from, to) else { return Ok(Vec::new()) };
    if let Some(text) = text(&left)? {
        call.env.spend(text.matches(&*from).count().saturating_mul(to.len()))?;
    }
    change(&left, |text| Some(text.replace(&from, &to)))
}

thread_local! {
    /// Regular expressions by their text; few, because they come from definitions.
    static PATTERNS: RefCell<HashMap<String, Regex>> = RefCell::default();
}

const MAX_PATTERNS: usize = 1_000;

/// What it costs to read a pattern that anyone may send; such are not kept.
const READING: usize = 100_000;

fn read(pattern: &str) -> Result<Regex, Fault> {
    Regex::new(&format!("(?s){pattern}")).map_err(|_| {
        Fault::new("a regular expression is malformed, or of a kind that is not supported")
    })
}

/// Runs `work` with the pattern. The dot matches line ends too.
fn with_pattern<R>(
    env: &Env<'_>,
    pattern: &str,
    work: impl FnOnce(&Regex) -> R,
) -> Result<R, Fault> {
    if env.work.is_some() {
        env.spend(READING)?;
        return Ok(work(&read(pattern)?));
    }
    PATTERNS.with(|patterns| {
        let mut patterns = patterns.borrow_mut();
        if let Some(known) = patterns.get(pattern) {
            return Ok(work(known));
        }
        let regex = read(pattern)?;
        let answer = work(&regex);
        if patterns.len() >= MAX_PATTERNS {
            patterns.clear();
        }
        patterns.insert(pattern.to_owned(), regex);
        Ok(answer)
    })
}

fn matches<'v>(call: &Call<'_, 'v>, left: &[Item<'v>], is_full: bool) -> Answer<'v> {
    let (Some(text), Some(pattern)) = (text(left)?, call.text(0)?) else { return Ok(Vec::new()) };
    let pattern = if is_full { format!("^(?:{pattern})$") } else { pattern };
    bool(with_pattern(call.env, &pattern, |regex| regex.is_match(text))?)
}

fn replace_matches<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let (Some(text), Some(pattern)) = (text(&left)?, call.text(0)?) else { return Ok(Vec::new()) };
    let Some(to) = call.text(1)? else { return Ok(Vec::new()) };
    if pattern.is_empty() {
        return Ok(vec![owned(text.to_owned())]);
    }
    let env = call.env;
    let replaced = with_pattern(env, &pattern, |regex| {
        // Each group of the pattern may stand in the new text, at two letters each.
        if env.work.is_some() {
            let (count, most) = (regex.find_iter(text).count(), text.len().saturating_add(1));
            env.spend(count.saturating_mul(to.len()).saturating_mul(most))?;
        }
        Ok(regex.replace_all(text, &*to).into_owned())
    })??;
    Ok(vec![owned(replaced)])
}

fn to_chars<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let text = text(&left)?.unwrap_or_default();
    Ok(text.chars().map(|c| owned(c.to_string())).collect())
}

fn split<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let (Some(text), Some(sign)) = (text(&left)?, call.text(0)?) else { return Ok(Vec::new()) };
    if sign.is_empty() {
        return to_chars(call, left);
    }
    Ok(text.split(&*sign).map(|part| owned(part.to_owned())).collect())
}

fn join<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    if left.is_empty() {
        return Ok(left);
    }
    let sign = call.text(0)?.unwrap_or_default();
    let mut parts = Vec::new();
    for item in &left {
        let part = item.text().ok_or_else(|| Fault::new("join is for texts only"))?;
        parts.push(part);
    }
    call.env.spend(parts.len().saturating_mul(sign.len()))?;
    Ok(vec![owned(parts.join(&sign))])
}

fn unknown_form(name: &str) -> Fault {
    Fault::new(format!("there is no form {name} of a text"))
}

fn encode<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(form) = call.text(0)? else { return Ok(Vec::new()) };
    let to_form: fn(&str) -> String = match form.as_str() {
        "base64" => |text| STANDARD.encode(text),
        "urlbase64" => |text| URL_SAFE.encode(text),
        "hex" => |text| hex(text.as_bytes()),
        _ => return Err(unknown_form(&form)),
    };
    change(&left, |text| Some(to_form(text)))
}

fn decode<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(form) = call.text(0)? else { return Ok(Vec::new()) };
    let from_form: fn(&str) -> Option<Vec<u8>> = match form.as_str() {
        "base64" => |text| STANDARD.decode(text).ok(),
        "urlbase64" => |text| URL_SAFE.decode(text).ok(),
        "hex" => |text| {
            let digits: Option<Vec<u8>> =
                text.chars().map(|c| u8::try_from(c.to_digit(16)?).ok()).collect();
            let digits = digits.filter(|digits| digits.len() % 2 == 0)?;
            digits.chunks(2).map(|pair| Some(pair.first()? * 16 + pair.get(1)?)).collect()
        },
        _ => return Err(unknown_form(&form)),
    };
    change(&left, |text| from_form(text).and_then(|bytes| String::from_utf8(bytes).ok()))
}

const HTML: [(&str, &str); 5] =
    [("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ("\"", "&quot;"), ("'", "&#39;")];

const JSON: [(&str, &str); 5] =
    [("\\", "\\\\"), ("\"", "\\\""), ("\n", "\\n"), ("\r", "\\r"), ("\t", "\\t")];

fn escapes(form: &str) -> Result<&'static [(&'static str, &'static str)], Fault> {
    match form {
        "html" => Ok(&HTML),
        "json" => Ok(&JSON),
        _ => Err(unknown_form(form)),
    }
}

fn escape<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(form) = call.text(0)? else { return Ok(Vec::new()) };
    let pairs = escapes(&form)?;
    change(&left, |text| {
        Some(pairs.iter().fold(text.to_owned(), |text, (plain, told)| text.replace(plain, told)))
    })
}

fn unescape<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(form) = call.text(0)? else { return Ok(Vec::new()) };
    let pairs = escapes(&form)?;
    change(&left, |text| {
        let (mut plain, mut rest) = (String::new(), text);
        while !rest.is_empty() {
            let found = pairs.iter().find_map(|(p, told)| Some((p, rest.strip_prefix(told)?)));
            if let Some((sign, after)) = found {
                plain.push_str(sign);
                rest = after;
            } else {
                let mut chars = rest.chars();
                plain.extend(chars.next());
                rest = chars.as_str();
            }
        }
        Some(plain)
    })
}
