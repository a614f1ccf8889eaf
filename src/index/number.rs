//! Decimals in an order-preserving encoding, exact for every decimal that JSON can hold.
//!
//! Key: `[decimal]`. A sign byte, the exponent, and the significant digits two a byte; the bytes of
//! negative numbers are complemented. `1.0` and `1.00` have one key: precision is the query's.
//! Source: <http://hl7.org/fhir/R4/search.html#number>.

use serde_json::Value;

use super::key::Key;

const NEGATIVE: u8 = 0x40;
const ZERO: u8 = 0x80;
const POSITIVE: u8 = 0xC0;

/// The encoding of a decimal as JSON writes it; none for anything else.
pub fn encode(text: &str) -> Option<Vec<u8>> {
    let (negative, text) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
    let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let exponent: i64 = exponent.parse().ok()?;
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits: Vec<u8> = whole.bytes().chain(fraction.bytes()).collect();
    if digits.is_empty() || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let leading = digits.iter().take_while(|digit| **digit == b'0').count();
    if leading == digits.len() {
        return Some(vec![ZERO]);
    }
    // The value is 0.d1d2d3… times ten to this power.
    let power = i64::try_from(whole.len()).ok()? - i64::try_from(leading).ok()? + exponent;
    let power = u16::try_from(power + 0x8000).ok()?;
    let trailing = digits.iter().rev().take_while(|digit| **digit == b'0').count();
    let significant: Vec<u8> =
        digits.iter().take(digits.len() - trailing).skip(leading).map(|d| d - b'0').collect();
    let mut body = power.to_be_bytes().to_vec();
    body.extend(significant.chunks(2).map(|pair| match pair {
        [tens, ones] => tens * 10 + ones + 1,
        [tens] => tens * 10 + 1,
        _ => 0,
    }));
    let mut bytes = vec![if negative { NEGATIVE } else { POSITIVE }];
    if negative {
        bytes.extend(body.iter().map(|byte| !byte));
        bytes.push(0xFF);
    } else {
        bytes.extend(body);
    }
    Some(bytes)
}

/// The keys of a value.
pub fn keys(value: &Value, keys: &mut Vec<Key>) {
    if let Value::Number(number) = value {
        keys.extend(encode(&number.to_string()).map(|bytes| Key::new([&bytes])));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn order_is_kept() {
        let ascending = [
            "-1e40", "-100", "-99.5", "-1.05", "-1.0005", "-1", "-0.123", "-0.12", "-1e-40", "0",
            "1e-40", "0.01", "0.099", "0.1", "0.12", "0.123", "1", "1.0005", "2", "10", "11",
            "99.995", "100", "1e40",
        ];
        for pair in ascending.windows(2) {
            assert!(encode(pair[0]) < encode(pair[1]), "{} < {}", pair[0], pair[1]);
        }
    }

    #[test]
    fn one_value_one_key() {
        for (one, other) in
            [("1.0", "1.00"), ("1e2", "100"), ("0.0", "-0"), ("0.5e1", "5"), ("12E-1", "1.2")]
        {
            assert_eq!(encode(one), encode(other), "{one} {other}");
        }
        for bad in ["", "-", "x", "1e", "1e99999", ".", "1.2.3", "+1"] {
            assert_eq!(encode(bad), None, "{bad}");
        }
    }
}
