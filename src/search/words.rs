//! Words in narrative and content: what `_text` and `_content` ask.
//!
//! A word is found whole, whatever its case and accents; words side by side, or with AND between
//! them, must all be there; OR, NOT, parentheses and quotes do what they do everywhere. The standard
//! leaves the syntax to the server. Each word is a row of the index; only for words that must stand
//! side by side are the resources read that have them all.
//! Source: <http://hl7.org/fhir/R4/search.html#text>.

use crate::index::words::{self, split};
use crate::search::clause::Clause;
use crate::search::condition::{Condition, Test};

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

    /// The clause for the words under these names; with `negated` for what has them not.
    pub(super) fn clause(&self, label: &str, sources: &[String], negated: bool) -> Clause {
        let each = |parts: &[Self]| -> Vec<Clause> {
            parts.iter().map(|part| part.clause(label, sources, negated)).collect()
        };
        match self {
            Self::Phrase(words) => phrase(label, sources, words, negated),
            Self::Not(part) => part.clause(label, sources, !negated),
            Self::All(parts) if negated => either(each(parts)),
            Self::Any(parts) if !negated => either(each(parts)),
            Self::All(parts) | Self::Any(parts) => Clause::Every(each(parts)),
        }
    }
}

/// The rows of one word.
fn word(label: &str, sources: &[String], word: &str, negated: bool) -> Clause {
    let test = Test::Word(words::part(word));
    let condition = Condition { sources: sources.to_vec(), target: None, arity: 1, test };
    Clause::Index { label: label.to_owned(), negated, any: vec![condition] }
}

fn phrase(label: &str, sources: &[String], words: &[String], negated: bool) -> Clause {
    if let [one] = words {
        return word(label, sources, one, negated);
    }
    let (label, narrative) = (label.to_owned(), !sources.iter().any(|s| s == words::CONTENT));
    let mut parts = Vec::new();
    if !negated {
        parts.extend(words.iter().map(|one| word(&label, sources, one, false)));
    }
    parts.push(Clause::Phrase { label, narrative, words: words.to_vec(), negated });
    Clause::Every(parts)
}

/// That one of them holds: as one clause, where each asks for rows.
pub(super) fn either(mut clauses: Vec<Clause>) -> Clause {
    if clauses.len() == 1
        && let Some(only) = clauses.pop()
    {
        return only;
    }
    let plain = |clause: &Clause| matches!(clause, Clause::Index { negated: false, .. });
    if !clauses.iter().all(plain) {
        return Clause::Either(clauses);
    }
    let mut joined: Option<Clause> = None;
    for clause in clauses {
        match (&mut joined, clause) {
            (Some(Clause::Index { any, .. }), Clause::Index { any: more, .. }) => any.extend(more),
            (_, first) => joined = Some(first),
        }
    }
    joined.unwrap_or(Clause::Either(Vec::new()))
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
                (Some(split(phrase)).filter(|w| !w.is_empty()).map(Piece::Phrase), after)
            }
            _ => {
                let end = rest.find(|c: char| c.is_whitespace() || "()\"".contains(c));
                let (word, after) = rest.split_at_checked(end.unwrap_or(rest.len()))?;
                let piece = match word.to_ascii_lowercase().as_str() {
                    "and" => Some(Piece::And),
                    "or" => Some(Piece::Or),
                    "not" => Some(Piece::Not),
                    _ => Some(split(word)).filter(|w| !w.is_empty()).map(Piece::Phrase),
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Whether it holds for a text, by its words alone.
    fn holds(words: &Words, text: &[String]) -> bool {
        match words {
            Words::Phrase(own) => text.windows(own.len()).any(|window| window == own),
            Words::All(parts) => parts.iter().all(|part| holds(part, text)),
            Words::Any(parts) => parts.iter().any(|part| holds(part, text)),
            Words::Not(part) => !holds(part, text),
        }
    }

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
            assert_eq!(holds(&parsed, &split(text)), expected, "{expression}: {text}");
        }
        for odd in ["", "()", "(a", "a)", "a OR", "AND", "...", "\"a", &"(".repeat(99_999)] {
            assert_eq!(Words::parse(odd), None, "{odd}");
        }
    }

    /// De Morgan's laws bring each NOT to a word.
    #[test]
    fn clauses_of_rows() {
        fn show(clause: &Clause) -> String {
            let all = |list: &[Clause], sign: &str| {
                format!("({})", list.iter().map(show).collect::<Vec<_>>().join(sign))
            };
            match clause {
                Clause::Index { any, negated, .. } => {
                    format!("{}{}", if *negated { "-" } else { "" }, any.len())
                }
                Clause::Phrase { words, negated, .. } => {
                    format!("{}{}", if *negated { "-" } else { "" }, words.join("_"))
                }
                Clause::Every(list) => all(list, "&"),
                Clause::Either(list) => all(list, "|"),
                other => format!("{other:?}"),
            }
        }
        for (expression, expected) in [
            ("a", "1"),
            ("a OR b OR c", "3"),
            ("a b", "(1&1)"),
            ("\"a b\"", "(1&1&a_b)"),
            ("NOT \"a b\"", "(-a_b)"),
            ("NOT (a OR b)", "(-1&-1)"),
            ("NOT (a AND NOT b)", "(-1|1)"),
        ] {
            let parsed = Words::parse(expression).unwrap();
            assert_eq!(show(&parsed.clause("_text", &["_text".into()], false)), expected);
        }
    }
}
