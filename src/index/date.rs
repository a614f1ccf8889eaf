//! Dates and times as intervals, at the precision they are given with.
//!
//! Key: `[class, start][width]`, the start in milliseconds since the epoch, moved so that its
//! unsigned bytes keep the order; the width without leading zero bytes. The class says how wide the
//! interval is at most, so that a search for what ends after a moment needs to look back no further
//! than that. No zone means UTC.
//! Source: <http://hl7.org/fhir/R4/search.html#date>.

use serde_json::Value;
use time::{Date, Month, Time, UtcOffset};

use super::form::Form;
use super::key::Key;

/// All moments from the first to the last millisecond, both included.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Interval {
    /// The first; `i64::MIN` for no beginning.
    pub start: i64,
    /// The last; `i64::MAX` for no end.
    pub end: i64,
}

/// The widths of the classes in milliseconds: a day, a leap year, anything.
pub const WIDTHS: [Option<i64>; 3] = [Some(DAY), Some(366 * DAY), None];

/// The class of values that have no interval, such as a Timing that only repeats.
pub const UNKNOWN: u8 = 9;

const DAY: i64 = 86_400_000;

impl Interval {
    /// The interval of a `date`, `dateTime` or `instant`; also of hours and minutes without
    /// seconds, as queries may have them.
    pub fn parse(text: &str) -> Option<Self> {
        let (date, time) = match text.split_once('T') {
            Some((date, time)) => (date, Some(time)),
            None => (text, None),
        };
        let mut fields = date.split('-');
        let year: i32 = digits(fields.next()?, 4)?;
        let month =
            fields.next().map(|text| digits(text, 2)).map_or(Some(None), |m| m.map(Some))?;
        let day = fields.next().map(|text| digits(text, 2)).map_or(Some(None), |d| d.map(Some))?;
        if fields.next().is_some() {
            return None;
        }
        match (month, day, time) {
            (None, None, None) => {
                Some(Self { start: midnight(year, 1, 1)?, end: midnight(year + 1, 1, 1)? - 1 })
            }
            (Some(month), None, None) => {
                let start = midnight(year, month, 1)?;
                let next = if month == 12 { (year + 1, 1) } else { (year, month + 1) };
                Some(Self { start, end: midnight(next.0, next.1, 1)? - 1 })
            }
            (Some(month), Some(day), None) => {
                let start = midnight(year, month, day)?;
                Some(Self { start, end: start + DAY - 1 })
            }
            (Some(month), Some(day), Some(time)) => {
                let (offset, width) = time_of_day(time)?;
                let start = midnight(year, month, day)? + offset;
                Some(Self { start, end: start + width - 1 })
            }
            _ => None,
        }
    }

    /// The interval from the start of the one to the end of the other; open where there is none. One
    /// that would end before it starts (which rule per-1 forbids) is the start alone.
    pub fn between(start: Option<Self>, end: Option<Self>) -> Self {
        let from = start.map_or(i64::MIN, |interval| interval.start);
        let to = end.map_or(i64::MAX, |interval| interval.end);
        Self { start: from, end: to.max(from) }
    }

    /// The key's parts.
    pub fn parts(self) -> [Vec<u8>; 2] {
        let width = self.end.wrapping_sub(self.start).cast_unsigned();
        let fits = |limit: &Option<i64>| limit.is_none_or(|l| width < l.cast_unsigned());
        let class = WIDTHS.iter().position(fits).unwrap_or(WIDTHS.len() - 1);
        let bytes = width.to_be_bytes();
        let zeros = bytes.iter().take_while(|byte| **byte == 0).count();
        [first_part(class, self.start), bytes.into_iter().skip(zeros).collect()]
    }

    /// Reads the key's parts.
    pub fn from_parts(parts: &[Vec<u8>]) -> Option<Self> {
        let (start, width) = (parts.first()?, parts.get(1)?);
        let (class, start) = start.split_first()?;
        if *class == UNKNOWN {
            return None;
        }
        let start = u64::from_be_bytes(start.try_into().ok()?) ^ SIGN;
        let width = width.iter().fold(0_u64, |width, byte| width << 8 | u64::from(*byte));
        let start = start.cast_signed();
        Some(Self { start, end: start.wrapping_add(width.cast_signed()) })
    }
}

const SIGN: u64 = 1 << 63;

/// The first part of keys of that class that start at that moment.
pub fn first_part(class: usize, start: i64) -> Vec<u8> {
    let mut part = vec![u8::try_from(class).unwrap_or(UNKNOWN)];
    part.extend((start.cast_unsigned() ^ SIGN).to_be_bytes());
    part
}

fn digits<N: std::str::FromStr>(text: &str, count: usize) -> Option<N> {
    (text.len() == count && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse().ok())?
}

fn midnight(year: i32, month: u8, day: u8) -> Option<i64> {
    let date = Date::from_calendar_date(year, Month::try_from(month).ok()?, day).ok()?;
    Some(date.midnight().assume_utc().unix_timestamp() * 1000)
}

/// The milliseconds from midnight UTC, and how many the time covers.
fn time_of_day(text: &str) -> Option<(i64, i64)> {
    let zone = text.find(['Z', '+', '-']).unwrap_or(text.len());
    let (clock, zone) = text.split_at_checked(zone)?;
    let (minutes, rest) = match clock.match_indices(':').nth(1) {
        Some((at, _)) => (clock.get(..at)?, clock.get(at + 1..)),
        None => (clock, None),
    };
    let (hour, minute) = minutes.split_once(':')?;
    let (mut second, mut milli, mut width) = (0, 0, 60_000);
    if let Some(rest) = rest {
        let (whole, fraction) = rest.split_once('.').map_or((rest, None), |(w, f)| (w, Some(f)));
        second = digits::<u8>(whole, 2)?;
        width = 1000;
        if let Some(fraction) = fraction {
            if fraction.is_empty() || !fraction.bytes().all(|byte| byte.is_ascii_digit()) {
                return None;
            }
            let known: String = fraction.chars().take(3).collect();
            milli = format!("{known:0<3}").parse().ok()?;
            width = 10_i64.pow(3 - u32::try_from(known.len()).ok()?);
        }
    }
    // A leap second is the last of its minute to us.
    let time = Time::from_hms_milli(digits(hour, 2)?, digits(minute, 2)?, second.min(59), milli);
    let (hour, minute, second, milli) = time.ok()?.as_hms_milli();
    let (hour, minute, second) = (i64::from(hour), i64::from(minute), i64::from(second));
    let millis = ((hour * 60 + minute) * 60 + second) * 1000 + i64::from(milli);
    (second <= 60).then_some((millis - offset(zone)?, width))
}

fn offset(zone: &str) -> Option<i64> {
    let (sign, rest) = match zone.split_at_checked(1) {
        None | Some(("Z", "")) => return Some(0),
        Some(("+", rest)) => (1, rest),
        Some(("-", rest)) => (-1, rest),
        Some(_) => return None,
    };
    let (hour, minute) = rest.split_once(':')?;
    let offset = UtcOffset::from_hms(digits(hour, 2)?, digits(minute, 2)?, 0).ok()?;
    Some(sign * i64::from(offset.whole_seconds()) * 1000)
}

/// The keys of a value.
pub fn keys(form: Form, value: &Value, keys: &mut Vec<Key>) {
    let interval = match form {
        Form::Period => period(value),
        Form::Timing => timing(value),
        // An instant has no width, whatever digits it is written with.
        Form::Instant => parse(value).map(|found| Interval { end: found.start, ..found }),
        _ => parse(value),
    };
    match interval {
        Some(interval) => {
            let [first, second] = interval.parts();
            keys.push(Key::new([&first, &second]));
        }
        None if form == Form::Timing => keys.push(Key::new([&[UNKNOWN], b""])),
        None => {}
    }
}

fn parse(value: &Value) -> Option<Interval> {
    Interval::parse(value.as_str()?)
}

fn period(value: &Value) -> Option<Interval> {
    let (start, end) = (value.get("start"), value.get("end"));
    let (start, end) = (start.and_then(parse), end.and_then(parse));
    (start.is_some() || end.is_some()).then(|| Interval::between(start, end))
}

/// The outer limits; when within them things are to happen is not looked at.
fn timing(value: &Value) -> Option<Interval> {
    let events = value.get("event").and_then(Value::as_array).into_iter().flatten();
    let bounds = value.pointer("/repeat/boundsPeriod").and_then(period);
    events.filter_map(parse).chain(bounds).reduce(|one, other| Interval {
        start: one.start.min(other.start),
        end: one.end.max(other.end),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::Instant;

    fn check(text: &str, expected: Option<(&str, &str)>) {
        let show = |millis| Instant::from_millis(millis).to_string();
        let found = Interval::parse(text).map(|i| (show(i.start), show(i.end)));
        let found = found.as_ref().map(|(start, end)| (start.as_str(), end.as_str()));
        assert_eq!(found, expected, "{text}");
    }

    /// The precisions of <http://hl7.org/fhir/R4/datatypes.html#dateTime>, and what a query may
    /// leave out by <http://hl7.org/fhir/R4/search.html#date>.
    #[test]
    fn precision_is_width() {
        check("2024", Some(("2024-01-01T00:00:00.000Z", "2024-12-31T23:59:59.999Z")));
        check("2024-02", Some(("2024-02-01T00:00:00.000Z", "2024-02-29T23:59:59.999Z")));
        check("2013-01-14", Some(("2013-01-14T00:00:00.000Z", "2013-01-14T23:59:59.999Z")));
        check("2013-01-14T10:00", Some(("2013-01-14T10:00:00.000Z", "2013-01-14T10:00:59.999Z")));
        check(
            "2026-05-01T10:00:00.5+02:00",
            Some(("2026-05-01T08:00:00.500Z", "2026-05-01T08:00:00.599Z")),
        );
        check(
            "2015-06-30T23:59:60Z",
            Some(("2015-06-30T23:59:59.000Z", "2015-06-30T23:59:59.999Z")),
        );
        check(
            "2013-01-14T10:00-05:00",
            Some(("2013-01-14T15:00:00.000Z", "2013-01-14T15:00:59.999Z")),
        );
    }

    #[test]
    fn what_is_no_date() {
        for text in [
            "",
            "23 May",
            "2013-1",
            "2013-13",
            "2013-02-30",
            "2013-01-14T10",
            "2013T10:00",
            "2013-01-14T25:00",
            "2013-01-14T10:00:00.",
            "2013-01-14T10:00+2",
            "2013-01-01-01",
            "-2013",
            "+013",
            "2013-01-14T10:00Zx",
            "2013-01-14T10:00:61:00",
        ] {
            check(text, None);
        }
    }

    #[test]
    fn keys_keep_the_order_and_come_back() {
        let texts =
            ["0001", "1969-12-31", "1970", "2013-01-14T10:00Z", "2013-01-14T10:01Z", "9998"];
        let intervals: Vec<_> = texts.iter().map(|t| Interval::parse(t).unwrap()).collect();
        for pair in intervals.windows(2) {
            assert!(first_part(0, pair[0].start) < first_part(0, pair[1].start));
        }
        let open = Interval { start: i64::MIN, end: i64::MAX };
        for interval in intervals.into_iter().chain([open]) {
            assert_eq!(Interval::from_parts(&interval.parts()), Some(interval));
        }
    }

    #[test]
    fn classes_by_width() {
        for (text, class) in
            [("2013-01-14", 0), ("2013-01", 1), ("2012", 1), ("2013-01-14T10:00", 0)]
        {
            assert_eq!(Interval::parse(text).unwrap().parts()[0][0], class, "{text}");
        }
        assert_eq!(Interval::between(Interval::parse("2013"), None).parts()[0][0], 2);
    }
}
