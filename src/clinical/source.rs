//! Where a fact comes from, and when it was so.
//!
//! Every fact carries the reference and version of the resource that states it, so that a reader
//! can go and look. A moment keeps the day as it was written down: the local day of the clinic.
//! Source: <http://hl7.org/fhir/R4/references.html>, <http://hl7.org/fhir/R4/datatypes.html#dateTime>.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use time::Date;
use time::macros::format_description;

use crate::clinical::element::{Target, text};
use crate::fhir::{Instant, Resource};

/// A version of a resource: `Type/id/_history/version`, or `Type/id` where no version is known.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Source {
    target: Target,
    version: Option<String>,
}

impl Source {
    /// The resource as a source; none without an id.
    pub fn of(resource: &Resource) -> Option<Self> {
        let target = Target { kind: resource.kind(), id: resource.id_text()?.to_owned() };
        let version = text(resource.value(), "/meta/versionId").map(ToOwned::to_owned);
        Some(Self { target, version })
    }

    /// Type and id.
    pub fn target(&self) -> &Target {
        &self.target
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.version {
            Some(version) => write!(f, "{}/_history/{version}", self.target),
            None => self.target.fmt(f),
        }
    }
}

impl Serialize for Source {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Sources in order, each once.
pub fn sources<'a>(all: impl IntoIterator<Item = &'a Source>) -> Vec<Source> {
    let mut sources: Vec<Source> = all.into_iter().cloned().collect();
    sources.sort();
    sources.dedup();
    sources
}

/// A calendar day, as the clinic wrote it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Day(pub Date);

impl Day {
    /// The day at the start of a `date` or `dateTime`; none where only a year or month is known.
    pub fn parse(text: &str) -> Option<Self> {
        let format = format_description!("[year]-[month]-[day]");
        Date::parse(text.get(..10)?, format).ok().map(Self)
    }

    /// Days from `earlier` to this day; 0 for the same day.
    pub fn since(self, earlier: Self) -> i64 {
        (self.0 - earlier.0).whole_days()
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (year, month, day) = self.0.to_calendar_date();
        write!(f, "{year:04}-{:02}-{day:02}", u8::from(month))
    }
}

impl Serialize for Day {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let whole = Self::parse(&text).filter(|_| text.len() == 10);
        whole.ok_or_else(|| serde::de::Error::custom("a day is written as YYYY-MM-DD"))
    }
}

/// A day, and the instant within it where the record has one.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Moment {
    /// The local day.
    pub day: Day,
    /// The exact moment, where a time was recorded.
    pub instant: Option<Instant>,
}

impl Moment {
    /// The moment of a `date`, `dateTime` or `instant`; none where the day is not known.
    pub fn parse(text: &str) -> Option<Self> {
        let day = Day::parse(text)?;
        let instant = Instant::parse(text);
        (text.len() == 10 || instant.is_some()).then_some(Self { day, instant })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_keep_the_local_day() {
        let late = Moment::parse("2026-03-02T00:30:00+01:00").unwrap();
        assert_eq!(late.day.to_string(), "2026-03-02");
        assert!(Moment::parse("2026-03-02").unwrap() < late, "a day stands before its hours");
        for unknown in ["2026", "2026-03", "2026-13-01", "2026-03-02T10", ""] {
            assert!(Moment::parse(unknown).is_none(), "{unknown}");
        }
    }
}
