//! Digests of content: identifiers that follow from it, and the digest of a letter's inputs.
//!
//! SHA-256 throughout. An identifier is the beginning of a digest, shaped as a UUID of version 8
//! (own content): the same content, the same identifier. The digest of inputs tells whether the
//! stored versions that a letter names still say what they said.
//! Sources: <https://www.rfc-editor.org/rfc/rfc9562#name-uuid-version-8>,
//! <https://www.rfc-editor.org/rfc/rfc6920#section-3> (`ni` URIs).

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};
use uuid::{Builder, Uuid};

use crate::clinical::{Record, Summary};

/// The identifier of a sequence of texts.
pub(super) fn identifier<'a>(parts: impl IntoIterator<Item = &'a str>) -> Uuid {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update(part);
        hash.update([0]);
    }
    let mut bytes = [0; 16];
    for (byte, of_hash) in bytes.iter_mut().zip(hash.finalize()) {
        *byte = of_hash;
    }
    Builder::from_custom_bytes(bytes).into_uuid()
}

/// The digest of everything that a summary was computed from, as a named-information URI: for each
/// source in order its reference with version, a line feed, the resource as stored in JSON, a line
/// feed.
pub fn inputs(summary: &Summary, record: &Record<'_>) -> String {
    let mut hash = Sha256::new();
    for source in &summary.sources {
        hash.update(source.to_string());
        hash.update(b"\n");
        if let Some(resource) = record.resource(source.target()) {
            hash.update(resource.to_bytes());
        }
        hash.update(b"\n");
    }
    named(hash)
}

fn named(hash: Sha256) -> String {
    format!("ni:///sha-256;{}", URL_SAFE_NO_PAD.encode(hash.finalize()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn content_decides() {
        assert_eq!(identifier(["a", "b"]), identifier(["a", "b"]));
        assert_ne!(identifier(["a", "b"]), identifier(["ab"]));
        assert_eq!(identifier(["a"]).get_version_num(), 8);
    }

    /// The example of RFC 6920, section 8.1: "Hello World!".
    #[test]
    fn named_information_of_the_standard() {
        let hash = Sha256::new().chain_update("Hello World!");
        assert_eq!(named(hash), "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk");
    }
}
