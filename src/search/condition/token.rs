//! Tokens: <http://hl7.org/fhir/R4/search.html#token>.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{Span, text};
use crate::index::{key, string, token};

/// What is asked of a token.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Token {
    /// The code, in that system if one is given; the empty system is that of codes without one.
    Code {
        /// The code as it was asked for.
        code: String,
        /// The code system.
        system: Option<String>,
    },
    /// One of these codes, each in its system: what a value set or a part of a hierarchy comes down
    /// to. For each folded code with its system, how it is spelt.
    Among(Arc<BTreeMap<(String, String), BTreeSet<String>>>),
    /// Any code of the system.
    System(String),
    /// A media type, with whatever parameters (folded).
    Media(String),
    /// A text of the code or concept that starts like this (folded).
    Text(String),
    /// The identifier's value, where its type is that one.
    OfType {
        /// `system|code` of the type.
        kind: String,
        /// The identifier's value.
        value: String,
    },
}

/// Code systems in which case matters (UCUM says so itself, section 4.1; of others the standard
/// wants case ignored when in doubt).
const CASE_SENSITIVE: [&str; 1] = ["http://unitsofmeasure.org"];

impl Token {
    pub(super) fn spans(&self) -> Vec<Span> {
        let folded = |code: &str| token::fold(code).into_bytes();
        vec![match self {
            Self::Among(codes) => {
                let part = |text: &String| text.clone().into_bytes();
                let spans = codes.keys().map(|(code, system)| Span::of([part(code), part(system)]));
                return spans.collect();
            }
            Self::Code { code, system: None } => Span::of([folded(code)]),
            Self::Code { code, system: Some(system) } => {
                Span::of([folded(code), system.clone().into_bytes()])
            }
            Self::Media(kind) => Span::beginning(kind.as_bytes()),
            Self::OfType { value, .. } => Span::of([folded(value)]),
            Self::System(_) | Self::Text(_) => Span::of([]),
        }]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        match self {
            Self::Code { code, system } => {
                let own = text(parts, 1);
                let same_system = system.as_deref().is_none_or(|system| system == own);
                let same_code = text(parts, 0) == token::fold(code);
                let same_case = !CASE_SENSITIVE.contains(&own) || has_code(parts, value, code);
                same_system && same_code && same_case
            }
            Self::Among(codes) => {
                let own = (text(parts, 0).to_owned(), text(parts, 1).to_owned());
                codes.get(&own).is_some_and(|spelt| {
                    !CASE_SENSITIVE.contains(&own.1.as_str())
                        || spelt.iter().any(|code| has_code(parts, value, code))
                })
            }
            Self::System(system) => text(parts, 1) == system,
            Self::Media(kind) => {
                let rest = text(parts, 0).strip_prefix(kind.as_str());
                rest.is_some_and(|rest| rest.is_empty() || rest.starts_with([';', ' ']))
            }
            Self::Text(start) => key::items(value).any(|item| {
                item.strip_prefix('t').is_some_and(|text| string::fold(text).starts_with(start))
            }),
            Self::OfType { kind, value: asked } => {
                text(parts, 0) == token::fold(asked)
                    && key::items(value).any(|item| item.strip_prefix('i') == Some(kind))
            }
        }
    }

    pub(super) fn needs_value(&self) -> bool {
        match self {
            Self::Code { system, .. } => {
                system.as_deref().is_none_or(|system| CASE_SENSITIVE.contains(&system))
            }
            Self::Among(codes) => {
                codes.keys().any(|(_, system)| CASE_SENSITIVE.contains(&system.as_str()))
            }
            Self::System(_) | Self::Media(_) => false,
            Self::Text(_) | Self::OfType { .. } => true,
        }
    }
}

/// Whether one of the codes behind the row is spelt like that.
fn has_code(parts: &[Vec<u8>], value: &[u8], code: &str) -> bool {
    let mut spelt = key::items(value).filter_map(|item| item.strip_prefix('c')).peekable();
    let lower = spelt.peek().is_none() || key::items(value).any(str::is_empty);
    lower && text(parts, 0) == code || spelt.any(|own| own == code)
}
