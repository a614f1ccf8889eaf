//! Words in narrative and content: what `_text` and `_content` ask.
//!
//! No index is kept of words; they would be more rows than all else together. The words are looked
//! for in the resources that the other criteria leave, and the search's limit on what it may touch
//! bounds how many that are. A word is found whole, whatever its case and accents; words side by
//! side, or with AND between them, must all be there; OR, NOT, parentheses and quotes do what they
//! do everywhere. The standard leaves the syntax to the server.
//! Source: <http://hl7.org/fhir/R4/search.html#text>.

use serde_json::Value;

use crate::index::string::fold;

/// What is asked of the words of a text.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Words {
    /// These words, one after the other.
    Phrase(Vec<String>),
    /// All of these.
    All(Vec<Words>),
    /// One of these.
    Any(Vec<Words>),
    /// Not this.
    Not(Box<Words>),
}

/// How deep parentheses may go.
const MOST_DEEP: usize = 16;

#[derive(Clone, PartialEq, Eq, Debug)]
enum Piece {
    Open,
    Close,
    And,
    Or,
    Not,
    Phrase(Vec<String>),
}

impl Words {
    /// Reads an expression; none where it has no words, or parentheses do not match.
    pub fn parse(text: &str) -> Option<Self> {
        let pieces = pieces(text)?;
        let mut rest = pieces.as_slice();
        let found = any(&mut rest, 0)?;
        rest.is_empty().then_some(found)
    }

    /// Whether it holds for a text, given as its words.
    pub fn holds(&self, text: &[String]) -> bool {
        match self {
            Self::Phrase(words) => text.windows(words.len()).any(|window| window == words),
            Self::All(parts) => parts.iter().all(|part| part.holds(text)),
            Self::Any(parts) => parts.iter().any(|part| part.holds(text)),
            Self::Not(part) => !part.holds(text),
        }
    }
}

fn pieces(text: &str) -> Option<Vec<Piece>> {
    let mut pieces = Vec::new();
    let mut rest = text.trim_start();
    while let Some(first) = rest.chars().next() {
        let (piece, after) = match first {
            '(' => (Some(Piece::Open), rest.get(1..)?),
            ')' => (Some(Piece::Close), rest.get(1..)?),
            '"' => {
                let (phrase, after) = rest.get(1..)?.split_once('"')?;
                (Some(words(phrase)).filter(|w| !w.is_empty()).map(Piece::Phrase), after)
            }
            _ => {
                let end = rest.find(|c: char| c.is_whitespace() || "()\"".contains(c));
                let (word, after) = rest.split_at_checked(end.unwrap_or(rest.len()))?;
                let piece = match word.to_ascii_lowercase().as_str() {
                    "and" => Some(Piece::And),
                    "or" => Some(Piece::Or),
                    "not" => Some(Piece::Not),
                    _ => Some(words(word)).filter(|w| !w.is_empty()).map(Piece::Phrase),
                };
                (piece, after)
            }
        };
        pieces.extend(piece);
        rest = after.trim_start();
    }
    Some(pieces)
}

fn any(rest: &mut &[Piece], depth: usize) -> Option<Words> {
    let mut parts = vec![all(rest, depth)?];
    while let Some((Piece::Or, after)) = rest.split_first() {
        *rest = after;
        parts.push(all(rest, depth)?);
    }
    if parts.len() == 1 { parts.pop() } else { Some(Words::Any(parts)) }
}

fn all(rest: &mut &[Piece], depth: usize) -> Option<Words> {
    let mut parts = vec![one(rest, depth)?];
    loop {
        match rest.split_first() {
            Some((Piece::And, after)) => *rest = after,
            Some((Piece::Open | Piece::Not | Piece::Phrase(_), _)) => {}
            _ => break,
        }
        parts.push(one(rest, depth)?);
    }
    if parts.len() == 1 { parts.pop() } else { Some(Words::All(parts)) }
}

fn one(rest: &mut &[Piece], depth: usize) -> Option<Words> {
    let (first, after) = rest.split_first().filter(|_| depth < MOST_DEEP)?;
    *rest = after;
    match first {
        Piece::Phrase(words) => Some(Words::Phrase(words.clone())),
        Piece::Not => Some(Words::Not(Box::new(one(rest, depth + 1)?))),
        Piece::Open => {
            let inner = any(rest, depth + 1)?;
            let (Piece::Close, after) = rest.split_first()? else { return None };
            *rest = after;
            Some(inner)
        }
        Piece::Close | Piece::And | Piece::Or => None,
    }
}

/// The words of a text, folded as strings are for search.
fn words(text: &str) -> Vec<String> {
    let parts = text.split(|c: char| !(c.is_alphanumeric() || c == '\'' || is_mark(c)));
    parts.map(fold).filter(|word| !word.is_empty()).collect()
}

/// Combining marks belong to the letter before them.
fn is_mark(letter: char) -> bool {
    unicode_normalization::char::is_combining_mark(letter)
}

/// The words of a resource's narrative.
pub(super) fn of_narrative(resource: &Value) -> Vec<String> {
    let div = resource.pointer("/text/div").and_then(Value::as_str);
    div.map(|div| words(&plain(div))).unwrap_or_default()
}

/// The words of all texts of a resource, narrative included.
pub(super) fn of_content(resource: &Value) -> Vec<String> {
    let mut found = Vec::new();
    collect(resource, "", &mut found);
    found
}

/// Texts longer than this without a blank are data, not language.
const LONGEST_WORD: usize = 256;

fn collect(value: &Value, name: &str, found: &mut Vec<String>) {
    match value {
        Value::String(text) if name == "div" => found.extend(words(&plain(text))),
        Value::String(text) if text.len() <= LONGEST_WORD || text.contains(' ') => {
            found.extend(words(text));
        }
        Value::Array(items) => items.iter().for_each(|item| collect(item, name, found)),
        Value::Object(members) => {
            members.iter().for_each(|(name, member)| collect(member, name, found));
        }
        _ => {}
    }
}

/// What people read of XHTML; the text as it is where it cannot be read as XML.
fn plain(div: &str) -> String {
    let Ok(document) = roxmltree::Document::parse(div) else { return div.to_owned() };
    let texts = document.descendants().filter_map(|node| node.text().filter(|_| node.is_text()));
    texts.collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// The first is the example of <http://hl7.org/fhir/R4/search.html#text>.
    #[test]
    fn expressions() {
        for (expression, text, expected) in [
            ("(bone OR liver) and metastases", "Metastases in the bone.", true),
            ("(bone OR liver) and metastases", "bone", false),
            ("bone liver", "liver and bone", true),
            ("bone OR liver AND knee", "bone", true),
            ("\"neck pain\"", "Neck-pain, left", true),
            ("\"neck pain\"", "pain in the neck", false),
            ("neck NOT pain", "neck", true),
            ("neck NOT pain", "neck pain", false),
            ("Hüfte", "die HUFTE", true),
            ("bo", "bone", false),
        ] {
            let parsed = Words::parse(expression).unwrap();
            assert_eq!(parsed.holds(&words(text)), expected, "{expression}: {text}");
        }
        for odd in ["", "()", "(a", "a)", "a OR", "AND", "...", "\"a", &"(".repeat(99_999)] {
            assert_eq!(Words::parse(odd), None, "{odd}");
        }
    }

    #[test]
    fn texts_of_resources() {
        let resource = json!({ "resourceType": "Observation",
            "text": { "div": "<div><p>stiff</p><b>neck</b></div>" },
            "note": [{ "text": "worse in the morning" }], "valueInteger": 3 });
        assert_eq!(of_narrative(&resource), ["stiff", "neck"]);
        let content = of_content(&resource);
        assert!(["observation", "neck", "morning"].iter().all(|w| content.contains(&(*w).into())));
    }
}
