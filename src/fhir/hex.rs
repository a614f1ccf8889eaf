//! Bytes as hexadecimal digits.

use std::fmt::Write as _;

/// The bytes in order, two small letters or digits for each.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a String cannot fail.
        let _written = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// <https://www.rfc-editor.org/rfc/rfc4648#section-10>, in small letters.
    #[test]
    fn digits() {
        assert_eq!(hex(b"foobar"), "666f6f626172");
        assert_eq!(hex(&[0, 255]), "00ff");
        assert_eq!(hex(&[]), "");
    }
}
