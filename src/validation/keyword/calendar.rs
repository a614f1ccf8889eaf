//! The format `x-calendar`: a date of that form exists.
//!
//! The published regular expressions let 31 February pass. Texts of another form are left to them.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#date>.

/// Whether the day that starts the text is in the calendar; years and months alone always are.
pub(super) fn exists(text: &str) -> bool {
    let part = |range| text.get::<std::ops::Range<usize>>(range)?.parse::<u16>().ok();
    let (Some(year), Some(month), Some(day)) = (part(0..4), part(5..7), part(8..10)) else {
        return true;
    };
    let Some(month) = u8::try_from(month).ok().and_then(|m| time::Month::try_from(m).ok()) else {
        return true;
    };
    day <= u16::from(month.length(i32::from(year)))
}

#[cfg(test)]
mod tests {
    use super::exists;

    #[test]
    fn days() {
        for good in ["2024", "2024-02", "2024-02-29", "2023-02-28T10:00:00Z", "2000-02-29"] {
            assert!(exists(good), "{good}");
        }
        for bad in ["2023-02-29", "2023-02-31", "1900-02-29", "2023-04-31T10:00:00Z"] {
            assert!(!exists(bad), "{bad}");
        }
    }
}
