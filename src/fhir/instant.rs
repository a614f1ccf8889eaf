//! Instants as the server writes them: UTC, milliseconds, `Z`.
//!
//! Source: <http://hl7.org/fhir/R4/datatypes.html#instant>.

use std::fmt;

use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;

/// A moment in milliseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Instant(i64);

impl Instant {
    /// The moment that lies `millis` milliseconds after the epoch.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since the epoch.
    pub fn millis(self) -> i64 {
        self.0
    }

    /// The moment of an RFC 3339 text (what the standard calls `instant`), cut to milliseconds.
    pub fn parse(text: &str) -> Option<Self> {
        let moment = OffsetDateTime::parse(text, &Rfc3339).ok()?;
        i64::try_from(moment.unix_timestamp_nanos().div_euclid(1_000_000)).ok().map(Self)
    }

    /// The same moment as a calendar date and time in UTC; the epoch where it lies out of range.
    pub fn to_utc(self) -> OffsetDateTime {
        OffsetDateTime::from_unix_timestamp_nanos(i128::from(self.0) * 1_000_000)
            .unwrap_or(OffsetDateTime::UNIX_EPOCH)
    }
}

impl From<OffsetDateTime> for Instant {
    fn from(moment: OffsetDateTime) -> Self {
        let millis = moment.unix_timestamp_nanos().div_euclid(1_000_000);
        Self(i64::try_from(millis).unwrap_or_default())
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let t = self.to_utc();
        let (year, month, day) = (t.year(), u8::from(t.month()), t.day());
        let (hour, minute, second, milli) = (t.hour(), t.minute(), t.second(), t.millisecond());
        write!(f, "{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{milli:03}Z")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_back() {
        let instant = Instant::parse("2026-03-02T09:10:00.5+01:00");
        assert_eq!(instant.map(|i| i.to_string()).as_deref(), Some("2026-03-02T08:10:00.500Z"));
        assert!(Instant::parse("2026-03-02").is_none());
    }
}
