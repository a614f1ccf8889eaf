//! Facts as a few bytes, so that those of many episodes are read in a moment.
//!
//! Field by field in the order of [`fields!`]: whole numbers as variable-length (LEB128), texts with
//! their length before them, what may be missing after a byte that says whether it is there. Nothing
//! in the bytes tells which edition they are of; who keeps them keeps that too.

use time::Date;

use super::facts::{Facts, Pair};
use crate::clinical::source::Day;

/// What can be written to bytes and read back.
trait Field: Sized + PartialEq {
    fn put(&self, to: &mut Vec<u8>);
    /// Reads it and moves on; none for bytes that this is not.
    fn take(from: &mut &[u8]) -> Option<Self>;
}

/// The fields of a struct, told once: written, read and compared in this order.
macro_rules! fields {
    ($type:ident { $($field:ident),* $(,)? }) => {
        impl Field for $type {
            fn put(&self, to: &mut Vec<u8>) {
                $(self.$field.put(to);)*
            }

            fn take(from: &mut &[u8]) -> Option<Self> {
                Some(Self { $($field: Field::take(from)?),* })
            }
        }

        impl $type {
            /// The names of the fields in which both differ.
            #[allow(clippy::float_cmp, reason = "what was kept is the same to the last bit")]
            pub fn differences(&self, other: &Self) -> Vec<&'static str> {
                let mut names = Vec::new();
                $(if self.$field != other.$field { names.push(stringify!($field)); })*
                names
            }
        }
    };
}

fields!(Facts {
    episode,
    patient,
    practitioner,
    site,
    referrer,
    referred,
    start,
    end,
    end_reason,
    age,
    sex,
    attended,
    missed,
    cancelled,
    disability,
    pain,
    function,
    severity,
    treated,
    thrust,
    screened,
    consented,
    thrust_prepared,
    sites,
    sites_not_assessed,
    sites_loose,
    sites_not_stiff,
    loose_found,
    mapped,
    mapped_again,
    retests_planned,
    retests_on_time,
    habit_first,
    habit_latest,
    adverse_events,
    severe_events,
    red_flag,
    red_flag_referred,
    referred_at_once,
    goals,
    letter,
});

fields!(Pair { at_start, first, latest, improved, past_error, room });

impl Facts {
    /// The facts as bytes.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(192);
        self.put(&mut bytes);
        bytes
    }

    /// The facts of those bytes; none where they are not of this form.
    pub fn from_bytes(mut bytes: &[u8]) -> Option<Self> {
        let facts = Self::take(&mut bytes)?;
        bytes.is_empty().then_some(facts)
    }
}

impl Field for u8 {
    fn put(&self, to: &mut Vec<u8>) {
        to.push(*self);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        let (first, rest) = from.split_first()?;
        *from = rest;
        Some(*first)
    }
}

impl Field for bool {
    fn put(&self, to: &mut Vec<u8>) {
        u8::from(*self).put(to);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        match u8::take(from)? {
            0 => Some(false),
            1 => Some(true),
            _ => None,
        }
    }
}

impl Field for u64 {
    fn put(&self, to: &mut Vec<u8>) {
        let mut rest = *self;
        while rest >= 0x80 {
            to.push(rest.to_le_bytes()[0] | 0x80);
            rest >>= 7;
        }
        to.push(rest.to_le_bytes()[0]);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = u8::take(from)?;
            number |= u64::from(byte & 0x7F) << shift;
            if byte < 0x80 {
                return Some(number);
            }
        }
        None
    }
}

impl Field for u32 {
    fn put(&self, to: &mut Vec<u8>) {
        u64::from(*self).put(to);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        Self::try_from(u64::take(from)?).ok()
    }
}

/// Small numbers of either sign stay short: 0, -1, 1, -2 are 0, 1, 2, 3.
impl Field for i64 {
    fn put(&self, to: &mut Vec<u8>) {
        ((self << 1) ^ (self >> 63)).cast_unsigned().put(to);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        let number = u64::take(from)?;
        Some((number >> 1).cast_signed() ^ -(number & 1).cast_signed())
    }
}

impl Field for f64 {
    fn put(&self, to: &mut Vec<u8>) {
        to.extend(self.to_le_bytes());
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        let (bytes, rest) = from.split_first_chunk::<8>()?;
        *from = rest;
        Some(Self::from_le_bytes(*bytes))
    }
}

impl Field for String {
    fn put(&self, to: &mut Vec<u8>) {
        (self.len() as u64).put(to);
        to.extend(self.as_bytes());
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        let length = usize::try_from(u64::take(from)?).ok()?;
        let (text, rest) = from.split_at_checked(length)?;
        *from = rest;
        std::str::from_utf8(text).ok().map(str::to_owned)
    }
}

impl Field for Day {
    fn put(&self, to: &mut Vec<u8>) {
        i64::from(self.0.to_julian_day()).put(to);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        let number = i32::try_from(i64::take(from)?).ok()?;
        Date::from_julian_day(number).ok().map(Self)
    }
}

impl<T: Field> Field for Option<T> {
    fn put(&self, to: &mut Vec<u8>) {
        self.is_some().put(to);
        if let Some(value) = self {
            value.put(to);
        }
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        Some(if bool::take(from)? { Some(T::take(from)?) } else { None })
    }
}

impl<A: Field, B: Field> Field for (A, B) {
    fn put(&self, to: &mut Vec<u8>) {
        self.0.put(to);
        self.1.put(to);
    }

    fn take(from: &mut &[u8]) -> Option<Self> {
        Some((A::take(from)?, B::take(from)?))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn round<T: Field + std::fmt::Debug>(value: &T) {
        let mut bytes = Vec::new();
        value.put(&mut bytes);
        let mut rest = bytes.as_slice();
        assert_eq!(T::take(&mut rest).as_ref(), Some(value));
        assert!(rest.is_empty(), "{value:?}");
    }

    fn some() -> Facts {
        Facts {
            episode: "EpisodeOfCare/e".into(),
            patient: Some("Patient/p".into()),
            start: Day::parse("2026-03-02"),
            age: Some(-1),
            disability: Some(Pair {
                at_start: true,
                first: 42.5,
                latest: Some(-0.0),
                improved: Some(false),
                past_error: None,
                room: Some(true),
            }),
            screened: Some(false),
            sites: u32::MAX,
            goals: (2, 1),
            ..Facts::default()
        }
    }

    #[test]
    fn facts_come_back_as_they_were() {
        for facts in [some(), Facts::default()] {
            let bytes = facts.to_bytes();
            assert_eq!(Facts::from_bytes(&bytes), Some(facts));
            for end in 0..bytes.len() {
                assert_eq!(Facts::from_bytes(&bytes[..end]), None, "cut after {end} bytes");
            }
            assert_eq!(Facts::from_bytes(&[bytes.as_slice(), &[0]].concat()), None);
        }
        assert!(some().to_bytes().len() < 120, "{}", some().to_bytes().len());
    }

    #[test]
    fn what_differs_is_named() {
        assert_eq!(some().differences(&some()), Vec::<&str>::new());
        let other = Facts { sites: 1, pain: some().disability, ..some() };
        assert_eq!(some().differences(&other), ["pain", "sites"]);
    }

    proptest! {
        #[test]
        fn numbers_and_texts(n in any::<i64>(), u in any::<u64>(), x in -1e9..1e9_f64, s in any::<Option<String>>()) {
            round(&n);
            round(&u);
            round(&x);
            round(&s);
        }

        /// Bytes of any kind are read or refused, never more.
        #[test]
        fn any_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _read_or_not = Facts::from_bytes(&bytes);
        }
    }
}
