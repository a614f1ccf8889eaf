//! Which of two versions is the newer.
//!
//! Numbers in them count as numbers (2.8 is before 2.77), all else as text; what begins alike and is
//! longer is newer. That is a convention, since the standard gives versions no order.
//! Source: <http://hl7.org/fhir/R4/codesystem-definitions.html#CodeSystem.version>.

use std::cmp::Ordering;

/// A run of digits or of other letters.
fn split(text: &str) -> Option<(&str, &str)> {
    let first = text.chars().next()?;
    let same = |c: char| c.is_ascii_digit() == first.is_ascii_digit();
    let end = text.find(|c| !same(c)).unwrap_or(text.len());
    text.split_at_checked(end)
}

/// The order of two versions.
pub(super) fn order(mut a: &str, mut b: &str) -> Ordering {
    loop {
        let (Some((left, rest)), Some((right, other))) = (split(a), split(b)) else {
            return a.len().cmp(&b.len());
        };
        let number = |text: &str| {
            let digits = text.trim_start_matches('0');
            text.starts_with(|c: char| c.is_ascii_digit())
                .then(|| (digits.len(), digits.to_owned()))
        };
        let order = match (number(left), number(right)) {
            (Some(left), Some(right)) => left.cmp(&right),
            _ => left.cmp(right),
        };
        if order != Ordering::Equal {
            return order;
        }
        (a, b) = (rest, other);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn newer_versions() {
        for (older, newer) in [
            ("2.8", "2.77"),
            ("2.77", "2.77a"),
            ("4.0.1", "4.0.10"),
            ("20250101", "20260101"),
            ("http://s/9/version/20250731", "http://s/9/version/20260131"),
            ("", "1"),
        ] {
            assert_eq!(order(older, newer), Ordering::Less, "{older} {newer}");
            assert_eq!(order(newer, older), Ordering::Greater, "{older} {newer}");
        }
        assert_eq!(order("1.02", "1.2"), Ordering::Equal);
    }
}
