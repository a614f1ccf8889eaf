//! References: <http://hl7.org/fhir/R4/search.html#reference>.

use std::collections::BTreeSet;

use super::{Span, text};
use crate::fhir::ResourceType;
use crate::index::key;

/// What is asked of a reference.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Target {
    /// The id, or the URL where there is no type and id in it.
    pub id: String,
    /// The type, with the base in front for resources elsewhere; for a URL its version. None: an id
    /// alone, which any type of this server may have, or a URL with any version.
    pub place: Option<String>,
    /// The version that the reference must name.
    pub version: Option<String>,
}

impl Target {
    pub(super) fn spans(&self) -> Vec<Span> {
        let id = self.id.clone().into_bytes();
        vec![match &self.place {
            Some(place) => Span::of([id, place.clone().into_bytes()]),
            None => Span::of([id]),
        }]
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let place = text(parts, 1);
        let same_place = match &self.place {
            Some(asked) => asked == place,
            None => self.id.contains(':') || !place.contains(':'),
        };
        let version = self.version.as_deref();
        let same_version = version.is_none_or(|asked| key::items(value).any(|own| own == asked));
        text(parts, 0) == self.id && same_place && same_version
    }
}

/// Any of many resources of this server: what a chain comes down to.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct OneOf(pub BTreeSet<(String, ResourceType)>);

impl OneOf {
    pub(super) fn spans(&self) -> Vec<Span> {
        let part = |text: &str| text.as_bytes().to_vec();
        self.0.iter().map(|(id, kind)| Span::of([part(id), part(kind.as_str())])).collect()
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>]) -> bool {
        let kind = ResourceType::parse(text(parts, 1));
        kind.is_some_and(|kind| self.0.contains(&(text(parts, 0).to_owned(), kind)))
    }
}

/// Whether the row of a reference points to a resource of that type, here or elsewhere.
pub(in crate::search) fn is_of(parts: &[Vec<u8>], kind: ResourceType) -> bool {
    let place = text(parts, 1);
    place == kind.as_str()
        || place.strip_suffix(kind.as_str()).is_some_and(|base| base.ends_with('/'))
}
