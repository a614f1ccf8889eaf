//! Strings: <http://hl7.org/fhir/R4/search.html#string>.

use super::{Span, text};
use crate::index::{key, string};

/// How a text is compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mode {
    /// Starts with it, both folded.
    Start,
    /// Is it, letter by letter (`:exact`).
    Exact,
    /// Has it anywhere, both folded (`:contains`).
    Contains,
}

/// What is asked of a string.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Text {
    /// The text: as it was asked for with `:exact`, else folded.
    pub sought: String,
    /// How it is compared.
    pub mode: Mode,
}

impl Text {
    pub(super) fn spans(&self) -> Vec<Span> {
        match self.mode {
            Mode::Start => vec![Span::beginning(string::cut(&self.sought).as_bytes())],
            Mode::Exact => {
                let folded = string::fold(&self.sought);
                vec![Span::of([string::cut(&folded).as_bytes().to_vec()])]
            }
            Mode::Contains => vec![Span::of([])],
        }
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let folded = text(parts, 0);
        key::items(value).any(|sent| match (self.mode, sent.is_empty()) {
            (Mode::Start, true) => folded.starts_with(&self.sought),
            (Mode::Start, false) if self.sought.len() <= folded.len() => {
                folded.starts_with(&self.sought)
            }
            (Mode::Start, false) => string::fold(sent).starts_with(&self.sought),
            (Mode::Exact, true) => folded == self.sought,
            (Mode::Exact, false) => sent == self.sought,
            (Mode::Contains, true) => folded.contains(&self.sought),
            (Mode::Contains, false) => string::fold(sent).contains(&self.sought),
        })
    }
}
