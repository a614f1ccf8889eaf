//! References between resources, taken apart.
//!
//! Source: <http://hl7.org/fhir/R4/references.html#literal>.

use crate::fhir::{Id, ResourceType, VersionId};

/// The literal text of `Reference.reference`, by its form.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Reference {
    /// `Type/id` or `Type/id/_history/version`, relative to a server's base; `base` is there for
    /// absolute URLs of that shape, without the slash at its end.
    Resource {
        /// The service base of an absolute reference.
        base: Option<String>,
        /// The target's type.
        kind: ResourceType,
        /// The target's logical id.
        id: Id,
        /// The version, where the reference names one.
        version: Option<VersionId>,
    },
    /// `#id`: a contained resource, or the container itself where the id is empty.
    Contained(String),
    /// `urn:uuid:…` or `urn:oid:…`: a fullUrl within a Bundle.
    Urn(String),
    /// Any other absolute URL.
    Url(String),
    /// `Type?query`: a conditional reference, legal only within a transaction.
    Conditional {
        /// The type to search.
        kind: ResourceType,
        /// What stands after the question mark.
        query: String,
    },
    /// Anything else: not a reference at all.
    Malformed(String),
}

impl Reference {
    /// Takes the text apart; never fails, as [`Reference::Malformed`] is an answer too.
    pub fn parse(text: &str) -> Self {
        if let Some(id) = text.strip_prefix('#') {
            return Self::Contained(id.to_owned());
        }
        if text.starts_with("urn:uuid:") || text.starts_with("urn:oid:") {
            return Self::Urn(text.to_owned());
        }
        if let Some((name, query)) = text.split_once('?')
            && let Some(kind) = ResourceType::parse(name)
        {
            return Self::Conditional { kind, query: query.to_owned() };
        }
        Self::restful(text).unwrap_or_else(|| {
            let absolute = text.split_once(':').is_some_and(|(scheme, rest)| {
                !rest.is_empty()
                    && scheme.starts_with(|c: char| c.is_ascii_alphabetic())
                    && scheme.chars().all(|c| c.is_ascii_alphanumeric() || "+-.".contains(c))
            });
            if absolute { Self::Url(text.to_owned()) } else { Self::Malformed(text.to_owned()) }
        })
    }

    /// `[base/]Type/id[/_history/version]`.
    fn restful(text: &str) -> Option<Self> {
        let mut parts: Vec<&str> = text.split('/').collect();
        let mut version = None;
        if let [.., "_history", number] = parts.as_slice() {
            version = Some(VersionId::parse(number)?);
            parts.truncate(parts.len() - 2);
        }
        let id = Id::parse(parts.pop()?)?;
        let kind = ResourceType::parse(parts.pop()?)?;
        let base = parts.join("/");
        let absolute = base.starts_with("http://") || base.starts_with("https://");
        if !base.is_empty() && !absolute {
            return None;
        }
        Some(Self::Resource { base: absolute.then_some(base), kind, id, version })
    }

    /// The target's type and id, where the text names them, whatever the base.
    pub fn target(&self) -> Option<(ResourceType, &Id)> {
        match self {
            Self::Resource { kind, id, .. } => Some((*kind, id)),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(text: &str) -> &'static str {
        match Reference::parse(text) {
            Reference::Resource { base: None, version: None, .. } => "relative",
            Reference::Resource { base: None, version: Some(_), .. } => "versioned",
            Reference::Resource { base: Some(_), .. } => "absolute",
            Reference::Contained(_) => "contained",
            Reference::Urn(_) => "urn",
            Reference::Url(_) => "url",
            Reference::Conditional { .. } => "conditional",
            Reference::Malformed(_) => "malformed",
        }
    }

    #[test]
    fn forms() {
        for (text, expected) in [
            ("Patient/p1", "relative"),
            ("Patient/p1/_history/3", "versioned"),
            ("http://a.example/fhir/Patient/p1", "absolute"),
            ("#", "contained"),
            ("#x", "contained"),
            ("urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", "urn"),
            ("http://a.example/other", "url"),
            ("Patient?identifier=a|b", "conditional"),
            ("p1", "malformed"),
            ("patient/p1", "malformed"),
            ("x/Patient/p1", "malformed"),
            ("", "malformed"),
        ] {
            assert_eq!(form(text), expected, "{text}");
        }
    }
}
