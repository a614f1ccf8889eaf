//! `x-narrative`: the text is one XHTML div of basic formatting, safe to show.
//!
//! Well-formed, in the namespace, only the elements and attributes that the standard allows (txt-1),
//! and not blank (txt-2). No scripts, forms, frames, event attributes, nor links that run code.
//! Source: <http://hl7.org/fhir/R4/narrative.html#xhtml>; the elements are those of HTML 4.01,
//! chapters 7 to 11 (without 9.4) and 15, `a` and `img`.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::IssueType;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Narrative;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Narrative))
}

impl Rule for Narrative {
    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let Some(text) = value.as_str() else { return Vec::new() };
        match check(text) {
            Ok(()) => Vec::new(),
            Err(Fault::Form(text)) => vec![Finding::error(IssueType::Structure, text)],
            Err(Fault::Forbidden(text)) => {
                vec![Finding::error(IssueType::Invariant, text).rule("txt-1")]
            }
            Err(Fault::Blank) => {
                let text = "The narrative must have some content that is not white space.";
                vec![Finding::error(IssueType::Invariant, text).rule("txt-2")]
            }
        }
    }
}

const NAMESPACE: &str = "http://www.w3.org/1999/xhtml";

const ELEMENTS: &[&str] = &[
    "a",
    "abbr",
    "acronym",
    "address",
    "b",
    "bdo",
    "big",
    "blockquote",
    "br",
    "caption",
    "center",
    "cite",
    "code",
    "col",
    "colgroup",
    "dd",
    "dfn",
    "div",
    "dl",
    "dt",
    "em",
    "font",
    "h1",
    "h2",
    "h3",
    "h4",
    "h5",
    "h6",
    "hr",
    "i",
    "img",
    "kbd",
    "li",
    "ol",
    "p",
    "pre",
    "q",
    "s",
    "samp",
    "small",
    "span",
    "strike",
    "strong",
    "sub",
    "sup",
    "table",
    "tbody",
    "td",
    "tfoot",
    "th",
    "thead",
    "tr",
    "tt",
    "u",
    "ul",
    "var",
];

const ATTRIBUTES: &[&str] = &[
    "abbr",
    "accesskey",
    "align",
    "alt",
    "axis",
    "bgcolor",
    "border",
    "cellpadding",
    "cellspacing",
    "char",
    "charoff",
    "charset",
    "cite",
    "class",
    "clear",
    "color",
    "cols",
    "colspan",
    "compact",
    "coords",
    "dir",
    "face",
    "frame",
    "headers",
    "height",
    "href",
    "hreflang",
    "hspace",
    "id",
    "lang",
    "longdesc",
    "name",
    "noshade",
    "nowrap",
    "rel",
    "rev",
    "rows",
    "rowspan",
    "rules",
    "scope",
    "shape",
    "size",
    "span",
    "src",
    "start",
    "style",
    "summary",
    "tabindex",
    "target",
    "title",
    "type",
    "valign",
    "value",
    "vspace",
    "width",
    "xml:lang",
    "xmlns",
];

enum Fault {
    Form(&'static str),
    Forbidden(&'static str),
    Blank,
}

const NOT_WELL_FORMED: Fault = Fault::Form("The narrative must be well-formed XHTML.");

/// One element that is open or stands alone.
struct Tag<'a> {
    name: &'a str,
    is_empty: bool,
    has_namespace: bool,
}

fn check(text: &str) -> Result<(), Fault> {
    let mut rest = text.trim();
    let mut open: Vec<&str> = Vec::new();
    let (mut started, mut has_content) = (false, false);
    while !rest.is_empty() {
        let at = rest.find('<').unwrap_or(rest.len());
        let (before, after) = rest.split_at(at);
        if open.is_empty() && !before.is_empty() {
            return Err(NOT_WELL_FORMED);
        }
        characters(before)?;
        has_content |= !before.trim().is_empty();
        if after.is_empty() {
            break;
        }
        if let Some(comment) = after.strip_prefix("<!--") {
            rest = comment.split_once("-->").ok_or(NOT_WELL_FORMED)?.1;
        } else if after.starts_with("<!") || after.starts_with("<?") {
            return Err(Fault::Forbidden(
                "The narrative must have no declarations or instructions.",
            ));
        } else if let Some(end) = after.strip_prefix("</") {
            let (name, tail) = end.split_once('>').ok_or(NOT_WELL_FORMED)?;
            if open.pop() != Some(name.trim_end()) {
                return Err(NOT_WELL_FORMED);
            }
            rest = tail;
        } else {
            let (tag, tail) = start_tag(after)?;
            if open.is_empty() && (started || tag.name != "div" || !tag.has_namespace) {
                return Err(Fault::Form(
                    "The narrative must be one div element in the XHTML namespace.",
                ));
            }
            started = true;
            has_content |= tag.name == "img";
            if !tag.is_empty {
                open.push(tag.name);
            }
            rest = tail;
        }
    }
    if !started || !open.is_empty() {
        return Err(NOT_WELL_FORMED);
    }
    if has_content { Ok(()) } else { Err(Fault::Blank) }
}

/// A start tag and what follows it.
fn start_tag(text: &str) -> Result<(Tag<'_>, &str), Fault> {
    let text = text.strip_prefix('<').ok_or(NOT_WELL_FORMED)?;
    let end = text.find(|c: char| c.is_ascii_whitespace() || c == '>' || c == '/');
    let (name, mut rest) = text.split_at(end.ok_or(NOT_WELL_FORMED)?);
    if ELEMENTS.binary_search(&name).is_err() {
        return Err(Fault::Forbidden(
            "The narrative must have only elements of basic formatting: no scripts, forms, frames or styles.",
        ));
    }
    let mut has_namespace = false;
    loop {
        rest = rest.trim_ascii_start();
        if let Some(tail) = rest.strip_prefix('>') {
            return Ok((Tag { name, is_empty: false, has_namespace }, tail));
        }
        if let Some(tail) = rest.strip_prefix("/>") {
            return Ok((Tag { name, is_empty: true, has_namespace }, tail));
        }
        let (key, tail) = rest.split_once('=').ok_or(NOT_WELL_FORMED)?;
        let tail = tail.trim_ascii_start();
        let quote = tail.chars().next().filter(|c| *c == '"' || *c == '\'');
        let quote = quote.ok_or(NOT_WELL_FORMED)?;
        let (value, tail) =
            tail.get(1..).and_then(|tail| tail.split_once(quote)).ok_or(NOT_WELL_FORMED)?;
        attribute(key.trim_ascii_end(), value)?;
        has_namespace |= key.trim_ascii_end() == "xmlns" && value == NAMESPACE;
        rest = tail;
    }
}

fn attribute(name: &str, value: &str) -> Result<(), Fault> {
    if value.contains('<') {
        return Err(NOT_WELL_FORMED);
    }
    characters(value)?;
    if ATTRIBUTES.binary_search(&name).is_err() && !name.starts_with("xmlns:") {
        return Err(Fault::Forbidden(
            "The narrative must have only attributes of basic formatting: no events.",
        ));
    }
    // References to characters may hide what the attribute says.
    let decoded = decode(value);
    let plain: String = decoded.chars().filter(|c| !c.is_whitespace() && !c.is_control()).collect();
    let plain = plain.to_ascii_lowercase();
    let is_link = ["href", "src", "cite", "longdesc"].contains(&name);
    let runs = |scheme: &&str| plain.starts_with(*scheme);
    let is_image = name == "src" && plain.starts_with("data:image/");
    if is_link && !is_image && ["javascript:", "vbscript:", "data:"].iter().any(runs) {
        return Err(Fault::Forbidden("The narrative must have no links that run code."));
    }
    if name == "style" && ["expression(", "url(", "javascript:"].iter().any(|s| plain.contains(s)) {
        return Err(Fault::Forbidden("The narrative's styles must fetch and run nothing."));
    }
    Ok(())
}

/// The text with references to characters resolved, as far as they could spell a scheme.
fn decode(text: &str) -> String {
    let mut parts = text.split('&');
    let mut decoded = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let (name, tail) = part.split_once(';').unwrap_or((part, ""));
        let number = match name.strip_prefix("#x").or(name.strip_prefix("#X")) {
            Some(digits) => u32::from_str_radix(digits, 16).ok(),
            None => name.strip_prefix('#').and_then(|digits| digits.parse().ok()),
        };
        decoded.extend(match name {
            "colon" => Some(':'),
            "amp" => Some('&'),
            _ => number.and_then(char::from_u32),
        });
        decoded.push_str(tail);
    }
    decoded
}

/// Every ampersand starts a reference that XML knows, or one of HTML's to a character.
fn characters(text: &str) -> Result<(), Fault> {
    let mut rest = text;
    while let Some((_, tail)) = rest.split_once('&') {
        let (name, tail) = tail.split_once(';').ok_or(NOT_WELL_FORMED)?;
        let digits = name.strip_prefix("#x").or(name.strip_prefix('#')).unwrap_or(name);
        if digits.is_empty() || !digits.bytes().all(|byte| byte.is_ascii_alphanumeric()) {
            return Err(NOT_WELL_FORMED);
        }
        rest = tail;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn verdict(inner: &str) -> &'static str {
        word(&format!(r#"<div xmlns="http://www.w3.org/1999/xhtml">{inner}</div>"#))
    }

    fn word(text: &str) -> &'static str {
        match check(text) {
            Ok(()) => "good",
            Err(Fault::Form(_)) => "form",
            Err(Fault::Forbidden(_)) => "txt-1",
            Err(Fault::Blank) => "txt-2",
        }
    }

    #[test]
    fn lists_are_sorted() {
        assert!(ELEMENTS.is_sorted() && ATTRIBUTES.is_sorted());
    }

    /// <http://hl7.org/fhir/R4/narrative.html#security>
    #[test]
    fn what_may_stand_in_a_narrative() {
        for (inner, expected) in [
            ("words", "good"),
            ("<p class='a'>a &amp; b &#169; &nbsp;</p><br/>", "good"),
            ("<table border=\"1\"><tr><td colspan=\"2\">x</td></tr></table>", "good"),
            ("<img src=\"#i\" alt=\"i\"/>", "good"),
            ("<!-- said --> x", "good"),
            ("", "txt-2"),
            (" \n<p> </p>", "txt-2"),
            ("<script>x</script>", "txt-1"),
            ("<form>x</form>", "txt-1"),
            ("<iframe src=\"a\">x</iframe>", "txt-1"),
            ("<p onclick=\"x()\">x</p>", "txt-1"),
            ("<a href=\"java&#115;cript&colon;x\">x</a>", "txt-1"),
            ("<a href=\"Patient/p?a=1&amp;b=2\">x</a>", "good"),
            ("<a href=\" JavaScript:x\">x</a>", "txt-1"),
            ("<a href=\"&#106;avascript:x\">x</a>", "txt-1"),
            ("<p style=\"background:url(http://a.example)\">x</p>", "txt-1"),
            ("<!DOCTYPE x>x", "txt-1"),
            ("<?x?>x", "txt-1"),
            ("<p>x", "form"),
            ("<p>x</b></p>", "form"),
            ("a & b", "form"),
            ("<p class=a>x</p>", "form"),
            ("</div><div>x", "form"),
        ] {
            assert_eq!(verdict(inner), expected, "{inner}");
        }
        assert_eq!(word("<div>x</div>"), "form");
        assert_eq!(word("<p xmlns=\"http://www.w3.org/1999/xhtml\">x</p>"), "form");
        assert_eq!(word("words"), "form");
        assert_eq!(word(""), "form");
    }
}
