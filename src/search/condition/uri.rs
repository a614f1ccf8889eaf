//! URIs: <http://hl7.org/fhir/R4/search.html#uri>.

use super::{Next, Span, text};

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
    /// It is this canonical, in that version or one that goes on from it after a dot.
    VersionBelow {
        /// The canonical.
        uri: String,
        /// The version, or its first numbers.
        version: String,
    },
}

impl Uri {
    pub(super) fn spans(&self) -> Vec<Span> {
        vec![match self {
            Self::Is { uri, version: None } => Span::of([uri.clone().into_bytes()]),
            Self::Is { uri, version: Some(version) } => {
                Span::of([uri.clone().into_bytes(), version.clone().into_bytes()])
            }
            Self::Below(uri) => Span::beginning(uri.as_bytes()),
            Self::VersionBelow { uri, version } => {
                let next = Next::Beginning(version.clone().into_bytes());
                Span { whole: vec![uri.clone().into_bytes()], next }
            }
        }]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>]) -> bool {
        match self {
            Self::Is { uri, version } => {
                let own = text(parts, 1);
                text(parts, 0) == uri && version.as_deref().is_none_or(|version| version == own)
            }
            Self::Below(uri) => text(parts, 0).starts_with(uri),
            Self::VersionBelow { uri, version } => {
                let rest = text(parts, 1).strip_prefix(version.as_str());
                text(parts, 0) == uri
                    && rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
            }
        }
    }
}
