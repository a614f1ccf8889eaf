//! URIs: <http://hl7.org/fhir/R4/search.html#uri>.

use super::{Span, text};

/// What is asked of a URI.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Uri {
    /// It is this; of a canonical that version, if one is given.
    Is {
        /// The URI.
        uri: String,
        /// The version.
        version: Option<String>,
    },
    /// It begins with this (`:below`).
    Below(String),
}

impl Uri {
    pub(super) fn spans(&self) -> Vec<Span> {
        vec![match self {
            Self::Is { uri, version: None } => Span::of([uri.clone().into_bytes()]),
            Self::Is { uri, version: Some(version) } => {
                Span::of([uri.clone().into_bytes(), version.clone().into_bytes()])
            }
            Self::Below(uri) => Span::beginning(uri.as_bytes()),
        }]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>]) -> bool {
        match self {
            Self::Is { uri, version } => {
                let own = text(parts, 1);
                text(parts, 0) == uri && version.as_deref().is_none_or(|version| version == own)
            }
            Self::Below(uri) => text(parts, 0).starts_with(uri),
        }
    }
}
