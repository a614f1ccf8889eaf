//! Identifiers that follow from content: the same content, the same identifier.
//!
//! FNV-1a over 128 bits, shaped as a UUID of version 8 (own content). It tells documents apart; it
//! is no proof against forgery.
//! Source: <https://www.rfc-editor.org/rfc/rfc9562#name-uuid-version-8>.

use uuid::{Builder, Uuid};

const OFFSET: u128 = 0x6c62_272e_07bb_0142_62b8_2175_6295_c58d;
const PRIME: u128 = 0x0000_0000_0100_0000_0000_0000_0000_013b;

/// The identifier of a sequence of texts.
pub(super) fn identifier<'a>(parts: impl IntoIterator<Item = &'a str>) -> Uuid {
    let mut hash = OFFSET;
    for part in parts {
        for byte in part.bytes().chain([0]) {
            hash = (hash ^ u128::from(byte)).wrapping_mul(PRIME);
        }
    }
    Builder::from_custom_bytes(hash.to_be_bytes()).into_uuid()
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
}
