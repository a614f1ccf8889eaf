//! Dates, times and dateTimes that are known in part.
//!
//! Two of them are compared as spans of time: the one is before the other when all of it is; where
//! they overlap and are not known alike, there is no answer. A dateTime without a zone may be in
//! any zone of the earth when it is held against one that has a zone. Seconds and their fractions
//! are one precision.
//! Source: <http://hl7.org/fhirpath/N1/#comparison>, <http://hl7.org/fhirpath/N1/#datetime-arithmetic>.

use std::cmp::Ordering;
use std::fmt;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use time::{Date, Month};

use super::quantity::Unit;

/// Which of the three it is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Form {
    Date,
    DateTime,
    Time,
}

impl Form {
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Date => "Date",
            Self::DateTime => "DateTime",
            Self::Time => "Time",
        }
    }
}

/// A moment, as far as it is known.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(in crate::validation) struct Temporal {
    pub(super) form: Form,
    /// Year, month, day, hour, minute, second; as many as are known (a time starts at the hour).
    fields: Vec<u32>,
    /// The digits after the second's point.
    fraction: String,
    /// Minutes east of Greenwich.
    zone: Option<i64>,
}

const NANOS: i128 = 1_000_000_000;

/// The zones of the earth, in seconds: the latest and the earliest.
const ZONES: (i128, i128) = (14 * 3600, 12 * 3600);

/// For each field, the least and the greatest value.
const LIMITS: [(u32, u32); 6] = [(1, 9999), (1, 12), (1, 31), (0, 23), (0, 59), (0, 60)];

impl Temporal {
    /// What stands after `@` in an expression.
    pub(super) fn literal(text: &str) -> Option<Self> {
        let form = match text.find('T') {
            Some(0) => Form::Time,
            Some(_) => Form::DateTime,
            None => Form::Date,
        };
        Self::parse(text, form)
    }

    /// Reads a text; a time may start with `T`, a dateTime may be only a date.
    pub(super) fn parse(text: &str, form: Form) -> Option<Self> {
        let (day, rest) = match (form, text.split_once('T')) {
            (Form::Time, Some(("", time))) => ("", time),
            (Form::Time, _) => ("", text),
            (Form::Date, None) => (text, ""),
            (Form::Date, Some(_)) => return None,
            (Form::DateTime, parts) => parts.unwrap_or((text, "")),
        };
        let sign = rest.find(['+', '-']).filter(|_| !rest.ends_with('Z'));
        let (clock, zone) = match sign {
            Some(at) => rest.split_at_checked(at)?,
            None => match rest.strip_suffix('Z') {
                Some(clock) => (clock, "Z"),
                None => (rest, ""),
            },
        };
        if form == Form::Time && !zone.is_empty() || clock.is_empty() && !zone.is_empty() {
            return None;
        }
        let (clock, fraction) = clock.split_once('.').unwrap_or((clock, ""));
        let mut fields = Vec::new();
        if form != Form::Time {
            read_fields(day, '-', &LIMITS[..3], &mut fields)?;
        }
        if !clock.is_empty() {
            if fields.len() < 3 && form != Form::Time {
                return None;
            }
            read_fields(clock, ':', &LIMITS[3..], &mut fields)?;
        }
        let seconds = if form == Form::Time { 3 } else { 6 };
        let is_fraction = fraction.bytes().all(|b| b.is_ascii_digit());
        if !fraction.is_empty() && (fields.len() < seconds || !is_fraction) || fields.is_empty() {
            return None;
        }
        let zone = if zone.is_empty() { None } else { Some(read_zone(zone)?) };
        let moment = Self { form, fields, fraction: fraction.to_owned(), zone };
        moment.span().map(|_| moment)
    }

    fn is_date_known(&self) -> bool {
        self.form == Form::Time || self.fields.len() >= 3
    }

    /// How many fields there can be.
    fn all(&self) -> usize {
        match self.form {
            Form::Date | Form::Time => 3,
            Form::DateTime => 6,
        }
    }

    fn field(&self, at: usize) -> Option<u32> {
        self.fields.get(at).copied()
    }

    /// Nanoseconds of the first moment and of the first that is past it.
    fn span(&self) -> Option<(i128, i128)> {
        let clock = |from: usize| {
            let part = |at: usize| i128::from(self.field(from + at).unwrap_or(0));
            let nanos = format!("{:0<9.9}", self.fraction).parse().unwrap_or(0_i128);
            (part(0) * 3600 + part(1) * 60 + part(2)) * NANOS + nanos
        };
        if self.form == Form::Time {
            let start = clock(0);
            let length = [3600, 60].get(self.fields.len().saturating_sub(1)).copied();
            return Some((start, start + length.map_or(1, |seconds: i128| seconds * NANOS)));
        }
        let year = i32::try_from(self.field(0)?).ok()?;
        let (month, day) = (self.field(1).unwrap_or(1), self.field(2).unwrap_or(1));
        let start = days(year, month, day)?;
        let end = match self.fields.len() {
            1 => days(year + 1, 1, 1)?,
            2 if month == 12 => days(year + 1, 1, 1)?,
            2 => days(year, month + 1, 1)?,
            _ => start + 1,
        };
        let zone = i128::from(self.zone.unwrap_or(0)) * 60 * NANOS;
        let at = start * 86_400 * NANOS + clock(3) - zone;
        let length = match self.fields.len() {
            4 => 3600 * NANOS,
            5 => 60 * NANOS,
            6 => 1,
            _ => (end - start) * 86_400 * NANOS,
        };
        Some((at, at + length))
    }

    /// The spans of two, as wide as their zones leave them.
    fn spans(&self, other: &Self) -> Option<((i128, i128), (i128, i128))> {
        let widen = |(from, to): (i128, i128), zone: Option<i64>| match zone {
            None => (from - ZONES.0 * NANOS, to + ZONES.1 * NANOS),
            Some(_) => (from, to),
        };
        let (a, b) = (self.span()?, other.span()?);
        if self.zone.is_some() == other.zone.is_some() || self.form == Form::Time {
            return Some((a, b));
        }
        Some((widen(a, self.zone), widen(b, other.zone)))
    }

    fn is_known_alike(&self, other: &Self) -> bool {
        self.fields.len() == other.fields.len() && self.zone.is_some() == other.zone.is_some()
    }

    fn is_time(&self) -> bool {
        self.form == Form::Time
    }

    /// Whether they are the same; none where that is not known.
    pub(super) fn equals(&self, other: &Self) -> Option<bool> {
        if self.is_time() != other.is_time() {
            return Some(false);
        }
        let ((a, past_a), (b, past_b)) = self.spans(other)?;
        if self.is_known_alike(other) {
            return Some(a == b);
        }
        if past_a <= b || past_b <= a { Some(false) } else { None }
    }

    /// Whether they are known alike and the same.
    pub(super) fn equivalent(&self, other: &Self) -> bool {
        self.is_known_alike(other) && self.equals(other) == Some(true)
    }

    /// Whether the two can be ordered at all.
    pub(super) fn is_comparable(&self, other: &Self) -> bool {
        self.is_time() == other.is_time()
    }

    /// Which is earlier; none where that is not known.
    pub(super) fn compare(&self, other: &Self) -> Option<Ordering> {
        let ((a, past_a), (b, past_b)) = self.spans(other)?;
        if self.is_known_alike(other) {
            return Some(a.cmp(&b));
        }
        if past_a <= b {
            return Some(Ordering::Less);
        }
        (past_b <= a).then_some(Ordering::Greater)
    }

    /// The moment that lies an amount of time later; none where the unit is none of time, or the
    /// calendar ends.
    pub(super) fn plus(&self, value: Decimal, unit: &Unit<'_>) -> Option<Self> {
        let unit = unit.of_calendar()?;
        let exact = |unit: &str| matches!(unit, "second" | "millisecond");
        let value = if exact(unit) { value } else { value.trunc() };
        match (unit, self.form) {
            ("year" | "month", Form::Time) => None,
            ("year", _) => self.plus_months(value.to_i64()?.checked_mul(12)?),
            ("month", _) => self.plus_months(value.to_i64()?),
            _ => {
                let seconds = match unit {
                    "week" => 604_800,
                    "day" => 86_400,
                    "hour" => 3600,
                    "minute" => 60,
                    _ => 1,
                };
                let nanos = if unit == "millisecond" { 1_000_000 } else { seconds * NANOS };
                let amount = value.checked_mul(Decimal::from_i128_with_scale(nanos, 0))?;
                self.plus_nanos(amount.trunc().to_i128()?)
            }
        }
    }

    fn plus_months(&self, months: i64) -> Option<Self> {
        let year = i64::from(self.field(0)?);
        // Known to the year: whole years only.
        let months = if self.fields.len() == 1 { months / 12 * 12 } else { months };
        let month = i64::from(self.field(1).unwrap_or(1)) - 1;
        let total = year.checked_mul(12)?.checked_add(month)?.checked_add(months)?;
        let year = u32::try_from(total.div_euclid(12)).ok().filter(|y| (1..=9999).contains(y))?;
        let month = u32::try_from(total.rem_euclid(12) + 1).ok()?;
        let mut moment = self.clone();
        let last = Month::try_from(u8::try_from(month).ok()?).ok()?;
        let last = u32::from(last.length(i32::try_from(year).ok()?));
        for (at, field) in moment.fields.iter_mut().enumerate() {
            *field = match at {
                0 => year,
                1 => month,
                2 => (*field).min(last),
                _ => *field,
            };
        }
        Some(moment)
    }

    fn plus_nanos(&self, nanos: i128) -> Option<Self> {
        let day = 86_400 * NANOS;
        if !self.is_date_known() {
            // Known to the year or month: what is less does not count.
            let days = nanos / day;
            let months = if self.fields.len() == 1 { days / 365 * 12 } else { days / 30 };
            return self.plus_months(i64::try_from(months).ok()?);
        }
        // What lies below the precision does not count.
        let unit = match (self.form, self.fields.len()) {
            (Form::Date, _) | (Form::DateTime, 3) => day,
            (Form::DateTime, 4) | (Form::Time, 1) => 3600 * NANOS,
            (Form::DateTime, 5) | (Form::Time, 2) => 60 * NANOS,
            _ => 1,
        };
        let zone = i128::from(self.zone.unwrap_or(0)) * 60 * NANOS;
        let mut at = self.span()?.0 + zone + nanos / unit * unit;
        let mut moment = self.clone();
        if self.form == Form::Time {
            at = at.rem_euclid(day);
        } else {
            let date = i32::try_from(at.div_euclid(day)).ok()?;
            let date = Date::from_julian_day(date.checked_add(UNIX_DAY)?).ok()?;
            let year = u32::try_from(date.year()).ok().filter(|y| (1..=9999).contains(y))?;
            let parts = [year, u32::from(u8::from(date.month())), u32::from(date.day())];
            moment.fields.iter_mut().zip(parts).for_each(|(field, part)| *field = part);
        }
        let from = if self.form == Form::Time { 0 } else { 3 };
        let clock = at.rem_euclid(day);
        let second = clock / NANOS;
        let parts = [second / 3600, second / 60 % 60, second % 60];
        for (field, part) in moment.fields.iter_mut().skip(from).zip(parts) {
            *field = u32::try_from(part).ok()?;
        }
        let fraction = clock % NANOS;
        if !moment.fraction.is_empty() || fraction != 0 {
            let digits = format!("{fraction:09}");
            let kept = digits.trim_end_matches('0').len().max(self.fraction.len().min(9));
            digits.get(..kept)?.clone_into(&mut moment.fraction);
        }
        Some(moment)
    }

    /// How many digits are known.
    pub(super) fn precision(&self) -> usize {
        let year = usize::from(!self.is_time()) * 2;
        self.fields.len() * 2 + year + self.fraction.len().min(3)
    }

    /// The first or last moment of it, known to that many digits (all, where none is given).
    pub(super) fn boundary(&self, is_high: bool, digits: Option<usize>) -> Option<Self> {
        let most = match self.form {
            Form::Date => 8,
            Form::DateTime => 17,
            Form::Time => 9,
        };
        let digits = digits.unwrap_or(most);
        let year = usize::from(!self.is_time()) * 2;
        if digits > most || digits < year + 2 {
            return None;
        }
        let wanted = ((digits - year) / 2).min(self.all());
        let mut moment = self.clone();
        moment.fields.truncate(wanted);
        while moment.fields.len() < wanted {
            let at = moment.fields.len() + if self.is_time() { 3 } else { 0 };
            let (least, greatest) = match at {
                2 => (1, u32::from(self.last_day(&moment)?)),
                5 => (0, 59),
                _ => *LIMITS.get(at)?,
            };
            moment.fields.push(if is_high { greatest } else { least });
        }
        let fraction = digits.saturating_sub(year + wanted * 2);
        let fill = if is_high { '9' } else { '0' };
        moment.fraction =
            self.fraction.chars().chain(std::iter::repeat(fill)).take(fraction).collect();
        if moment.form == Form::DateTime && moment.fields.len() > 3 && moment.zone.is_none() {
            moment.zone = Some(if is_high { -12 * 60 } else { 14 * 60 });
        }
        if moment.fields.len() <= 3 {
            moment.zone = None;
        }
        Some(moment)
    }

    fn last_day(&self, moment: &Self) -> Option<u8> {
        let year = i32::try_from(self.field(0)?).ok()?;
        let month = Month::try_from(u8::try_from(moment.field(1)?).ok()?).ok()?;
        Some(month.length(year))
    }

    /// The date of it.
    pub(super) fn date(&self) -> Option<Self> {
        if self.is_time() {
            return None;
        }
        let fields = self.fields.iter().take(3).copied().collect();
        Some(Self { form: Form::Date, fields, fraction: String::new(), zone: None })
    }

    /// It as a dateTime.
    pub(super) fn date_time(&self) -> Option<Self> {
        (!self.is_time()).then(|| Self { form: Form::DateTime, ..self.clone() })
    }
}

const UNIX_DAY: i32 = 2_440_588;

/// Days since 1970-01-01.
fn days(year: i32, month: u32, day: u32) -> Option<i128> {
    let month = Month::try_from(u8::try_from(month).ok()?).ok()?;
    // The year after the last is needed for the end of the last.
    let (date, more) = if year == 10_000 {
        (Date::from_calendar_date(9999, Month::December, 31).ok()?, 1)
    } else {
        (Date::from_calendar_date(year, month, u8::try_from(day).ok()?).ok()?, 0)
    };
    Some(i128::from(date.to_julian_day() - UNIX_DAY) + more)
}

fn read_fields(text: &str, sign: char, limits: &[(u32, u32)], fields: &mut Vec<u32>) -> Option<()> {
    let mut limits = limits.iter();
    for part in text.split(sign) {
        let (least, greatest) = limits.next()?;
        let length = if *greatest == 9999 { 4 } else { 2 };
        if part.len() != length || !part.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        let number = part.parse().ok().filter(|n| (*least..=*greatest).contains(n))?;
        fields.push(number);
    }
    Some(())
}

fn read_zone(text: &str) -> Option<i64> {
    if text == "Z" {
        return Some(0);
    }
    let (hours, minutes) = text.get(1..)?.split_once(':')?;
    let part = |text: &str| (text.len() == 2).then(|| text.parse::<i64>().ok()).flatten();
    let (hours, minutes) = (part(hours)?, part(minutes)?);
    let size = (hours <= 14 && minutes < 60).then_some(hours * 60 + minutes)?;
    Some(if text.starts_with('-') { -size } else { size })
}

impl fmt::Display for Temporal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let clock = usize::from(!self.is_time()) * 3;
        for (at, field) in self.fields.iter().enumerate() {
            match at {
                0 if clock == 3 => write!(f, "{field:04}")?,
                at if at < clock => write!(f, "-{field:02}")?,
                at if at == clock && clock == 3 => write!(f, "T{field:02}")?,
                at if at == clock => write!(f, "{field:02}")?,
                _ => write!(f, ":{field:02}")?,
            }
        }
        if !self.fraction.is_empty() {
            write!(f, ".{}", self.fraction)?;
        }
        match self.zone {
            Some(0) => write!(f, "Z"),
            Some(zone) => {
                let sign = if zone < 0 { '-' } else { '+' };
                write!(f, "{sign}{:02}:{:02}", zone.abs() / 60, zone.abs() % 60)
            }
            None => Ok(()),
        }
    }
}
